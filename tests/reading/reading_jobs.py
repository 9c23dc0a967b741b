"""Job folders for the tests of readings: views, grid and region, and reported peaks against the known surface."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.interpolate import RegularGridInterpolator

from surfscan.checking.stations import level_places, stand
from surfscan.core.reading import Reading, View
from surfscan.core.records import Board, Grid
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.tags import paper_outline
from surfscan.optics.field import make_grid, mask_region, mask_squares, pixel_pitch
from surfscan.optics.mirror import distance_to_board
from surfscan.reading.station import Station
from surfscan.surface.form import fit_fair_form


@dataclass
class Job:
    sheet: Sheet
    rows: list[Any]
    stations: list[Station]
    views: list[View]
    board: Board
    level_at_mm: np.ndarray

    def grid(self, step_mm: float) -> tuple[Grid, np.ndarray]:
        """Grid of the panel, and its region: all but the tags' paper with a margin of 1.5 mm."""
        grid = make_grid(self.sheet.panel.extent_mm, step_mm)
        turns = {k: v for station in self.stations for k, v in station.fit.tag_turn_rad.items()}
        half = self.sheet.tags.side_mm * (0.5 + 1 / 6) + 1.5
        under = mask_squares(grid, self.sheet.tags.centres_mm, turns, half)
        return grid, mask_region(grid, region_mm=None, leave_out_mm=[], tags=under)

    def stripes_step_mm(self) -> float:
        """A seventeenth of the reflected period on the fine grid, as a check takes it."""
        camera_mm = self.views[0].pose.centre_mm
        near = float(np.linalg.norm(camera_mm))
        far = distance_to_board(0.0, 0.0, camera_mm=camera_mm, board=self.board)
        pitch = pixel_pitch(self.sheet.panel.extent_mm, camera=self.views[0].camera, pose=self.views[0].pose)
        return 2 * max(self.board.period_mm * near / (near + far) / 17, pitch)

    def tag_curvature(self) -> np.ndarray:
        """How the tags' tilts change across the panel: z_xx, z_xy, z_yy, 1/mm."""
        rows, right = [], []
        for station in self.stations:
            for tag, (p, q) in station.fit.tag_tilt.items():
                x, y = self.sheet.tags.centres_mm[tag]
                rows += [[x, y, 0, 1, 0], [0, x, y, 0, 1]]
                right += [p, q]
        return np.clip(
            np.linalg.lstsq(np.array(rows, float), np.array(right), rcond=None)[0][:3], -1e-3, 1e-3
        )


def load_job(folder: Path, *, varies: str | None = None) -> Job:
    sheet = load_sheet(folder)
    rows = [row for row in sheet.photos if varies in (None, row.varies)]
    photos = [read_photo(sheet.folder / row.file, row.file, encoding=row.encoding) for row in rows]
    stations = [stand(sheet, photo, row) for photo, row in zip(photos, rows, strict=True)]
    grow = 2 * (0.5 + 1 / 6 + 1.5 / sheet.tags.side_mm)
    views = [
        View(
            s.photo,
            s.camera,
            s.fit.pose,
            row.varies or "",
            tuple(paper_outline(t, grow=grow) for t in s.tags),
        )
        for s, row in zip(stations, rows, strict=True)
    ]
    table = sheet.board
    board = Board(
        np.array(table.centre_mm), np.array(table.across), np.array(table.up), table.size_mm, table.period_mm
    )
    return Job(sheet, rows, stations, views, board, level_places(sheet))


def fair_peaks(reading: Reading, folder: Path, *, floor_mm: float) -> list[tuple[float, float]]:
    """True and read peak of every made spot: extreme of the deviation from the fair form around its place."""
    grid = reading.grid
    form = fit_fair_form(
        reading.height_mm, x_mm=grid.x_mm, y_mm=grid.y_mm, floor_mm=floor_mm, grow_px=5
    ).form_mm
    truth = np.load(folder / "truth.npz")
    field = RegularGridInterpolator(
        (truth["y_mm"], truth["x_mm"]),
        truth["deviation_mm"].astype(float),
        method="cubic",
        bounds_error=False,
    )
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    # A mean over 3 x 3 cells, of both, so that a lone cell's noise is no peak.
    box = np.full((3, 3), 1 / 9)  # not a running sum, which would carry NaN along
    want, have = (cv2.filter2D(v, -1, box) for v in (field((y, x)), reading.height_mm - form))
    out = []
    for spot in json.loads((folder / "truth.json").read_text())["spots"]:
        near = np.hypot(x - spot["x_mm"], y - spot["y_mm"]) < 0.35 * max(spot["w"], spot["h"])
        sign = -1 if spot["kind"] == "low" else 1
        out.append(tuple(float(sign * np.nanmax(sign * v[near])) for v in (want, have)))
    return out


def deviation(reading: Reading, *, floor_mm: float) -> np.ndarray:
    grid = reading.grid
    form = fit_fair_form(
        reading.height_mm, x_mm=grid.x_mm, y_mm=grid.y_mm, floor_mm=floor_mm, grow_px=5
    ).form_mm
    return reading.height_mm - form
