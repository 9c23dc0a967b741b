"""Job folders for the tests of readings: views, grid and region, and reported peaks against the known surface."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.interpolate import RegularGridInterpolator

from surfscan import pipeline
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.optics.field import make_grid
from surfscan.records import Board, Grid, Reading, View
from surfscan.surface.form import fit_fair_form


@dataclass
class Job:
    sheet: Sheet
    rows: list[Any]
    stations: list[Any]
    views: list[View]
    board: Board
    level_at_mm: np.ndarray

    def grid(self, step_mm: float) -> tuple[Grid, np.ndarray]:
        grid = make_grid(self.sheet.panel.size_mm, step_mm)
        return grid, pipeline._region(self.sheet, grid, self.stations)


def load_job(folder: Path, *, varies: str | None = None) -> Job:
    sheet = load_sheet(folder)
    rows = [row for row in sheet.photos if varies in (None, row.varies)]
    photos = [read_photo(sheet.folder / row.file, row.file, encoding=row.encoding) for row in rows]
    stations = [pipeline.stand(sheet, photo, row) for photo, row in zip(photos, rows, strict=True)]
    views = [pipeline._view(sheet, s, row.varies or "") for s, row in zip(stations, rows, strict=True)]
    return Job(sheet, rows, stations, views, pipeline._board(sheet), pipeline.level_places(sheet))


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
    want, have = (cv2.blur(v, (3, 3)) for v in (field((y, x)), reading.height_mm - form))
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
