"""A job from its folder to its result: the only file that knows the order of the stages."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from surfscan.errors import NotMeasuredError, RefusedError
from surfscan.job.photo_quality import check_exposure
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, built_yet, load_sheet
from surfscan.job.tags import QUIET_CELLS, cells_across, paper_outline
from surfscan.judge.limits import default_limits, with_given
from surfscan.judgement import Instruments, judge_map
from surfscan.optics.field import FINE, make_grid, mask_region, mask_squares, pixel_pitch
from surfscan.optics.mirror import distance_to_board
from surfscan.outcome import assemble
from surfscan.reading.budget import Inputs, budget_stripes
from surfscan.reading.quality import find_blocker, judge_photo
from surfscan.reading.stations import Station, level_places, stand
from surfscan.reading.stripes import read_stripes
from surfscan.records import Array, Board, CheckResult, Grid, HeightMap, Photo, View
from surfscan.surface.form import fit_fair_form

__all__ = ["check_job"]

ENOUGH = 400
"""Fewest measured cells that make a result."""

CELLS_PER_STRIPE = 17.0
"""Fine cells wanted along a reflected stripe period: hard edges then cost nothing that a finer grid would save."""

TAG_MARGIN_MM = 1.5
"""Kept free around a tag's paper, where its edge shades the panel."""

Progress = Callable[[str, float], None]


def check_job(job: Path | str | Sheet, *, progress: Progress | None = None) -> CheckResult:
    """Check one panel: sheet and photos to verdict.

    Parameters
    ----------
    job : path or Sheet
        The job folder, or its sheet as read.
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.

    Returns
    -------
    CheckResult

    Raises
    ------
    RefusedError
        The sheet or a photo can't be used.
    NotMeasuredError
        The photos can be read, but no stripes on the panel.
    """
    began, started = time.perf_counter(), datetime.now(UTC)
    tell = progress or (lambda stage, share: None)
    tell("reading the sheet", 0.0)
    sheet = job if isinstance(job, Sheet) else load_sheet(job)
    built_yet(sheet)
    board = _board(sheet)
    tell("reading the photos", 0.05)
    with ThreadPoolExecutor(2) as pool:
        photos = list(
            pool.map(
                lambda row: read_photo(sheet.folder / row.file, row.file, encoding=row.encoding), sheet.photos
            )
        )
    _check_sizes(photos)
    for photo in photos:
        check_exposure(photo)
    tell("finding the tags", 0.25)
    with ThreadPoolExecutor(2) as pool:
        stations = list(pool.map(stand, [sheet] * len(photos), photos, sheet.photos))
    views = [_view(sheet, s, row.varies or "") for s, row in zip(stations, sheet.photos, strict=True)]
    grid = make_grid(sheet.panel.size_mm, _step(sheet, stations, board))
    region = _region(sheet, grid, stations)
    tell("reading the stripes", 0.35)
    reading = read_stripes(
        views,
        board=board,
        grid=grid,
        region=region,
        level_at_mm=level_places(sheet),
        start_curvature=_tag_curvature(sheet, stations),
        progress=lambda share: tell("reading the stripes", 0.35 + 0.4 * share),
    )
    quality = [judge_photo(station, reading, k, region) for k, station in enumerate(stations)]
    measured = np.isfinite(reading.height_mm)
    coverage = float(measured.sum() / max(int((region == 0).sum()), 1))
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            "the stripes can't be read on this panel",
            found=f"{100 * coverage:.0f} % of the region measured",
            cure=find_blocker(reading.flags, quality)[1] or "shoot again, closer and with wider stripes",
        )
    tell("finding the fair form", 0.78)
    limits = with_given(default_limits(sheet.panel.stage), sheet.limits.model_dump())
    fair = fit_fair_form(
        reading.height_mm,
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        floor_mm=min(0.004, 0.25 * min(limits.low_mm, limits.high_mm)),
        grow_px=max(2, round(0.6 * float(reading.period_mm.max()) / grid.step_mm)),
    )
    tell("working out the uncertainty", 0.82)
    inputs = _inputs(sheet, stations)
    budget = budget_stripes(reading, fair, views, [s.fit for s in stations], board=board, inputs=inputs)
    height = HeightMap(
        grid,
        reading.height_mm - fair.form_mm - budget.correction_mm,
        fair.form_mm + budget.correction_mm,
        budget.sigma_mm,
        reading.flags,
        fair.name,
    )
    tell("judging", 0.88)
    judgement = judge_map(
        height,
        limits=limits,
        stage=sheet.panel.stage,
        coverage=coverage,
        period_mm=float(reading.period_mm.max()),
        u_slope_mrad=budget.u_slope_mrad,
        instruments=Instruments(**sheet.measure.model_dump()),
    )
    return assemble(
        sheet,
        stations,
        quality,
        reading,
        height,
        judgement,
        limits=limits,
        coverage=coverage,
        budget=budget,
        inputs=inputs,
        started=started,
        began=began,
    )


def _board(sheet: Sheet) -> Board:
    table = sheet.board
    if table is None or table.centre_mm is None or table.size_mm is None or table.period_mm is None:
        raise RefusedError("the board is not described", cure="give [board] with its pose, size and period")
    return Board(
        np.array(table.centre_mm), np.array(table.across), np.array(table.up), table.size_mm, table.period_mm
    )


def _check_sizes(photos: list[Photo]) -> None:
    """One camera, one size: a cropped or shrunk photo has another focal length and another middle."""
    first = photos[0]
    for photo in photos[1:]:
        if photo.image.shape != first.image.shape and photo.image.shape != first.image.shape[::-1]:
            raise RefusedError(
                f"{photo.file} is not of the same size as {first.file}",
                found=f"{photo.image.shape[1]} x {photo.image.shape[0]} pixels",
                allowed=f"{first.image.shape[1]} x {first.image.shape[0]}, as the first",
                cure="take the photos of a job with one camera and setting, and do not crop them",
            )


def _step(sheet: Sheet, stations: list[Station], board: Board) -> float:
    """Coarse grid step: fine enough for the reflected stripes, never finer than the photo itself."""
    pitch = min(pixel_pitch(sheet.panel.size_mm, camera=s.camera, pose=s.fit.pose) for s in stations)
    periods = []
    for s in stations:
        camera_mm = s.fit.pose.centre_mm
        near = float(np.linalg.norm(camera_mm))
        far = distance_to_board(0.0, 0.0, camera_mm=camera_mm, board=board)
        if not np.isfinite(far):
            raise RefusedError(
                f"{s.photo.file}: the panel's middle does not reflect the board",
                found="the reflected ray leaves the board behind",
                cure="check board.centre_mm, board.across and board.up, or where the photo was taken from",
            )
        periods.append(board.period_mm * near / (near + far))
    step = FINE * max(min(periods) / CELLS_PER_STRIPE, pitch)
    width, height = sheet.panel.size_mm
    # Never fewer than 60 cells across, never more than a million in all.
    return float(np.clip(step, np.sqrt(width * height / 1e6), min(width, height) / 60))


def _view(sheet: Sheet, station: Station, varies: str) -> View:
    hidden: tuple[Array, ...] = ()
    if sheet.tags is not None:
        grow = 2 * _tag_half_mm(sheet) / sheet.tags.side_mm
        hidden = tuple(paper_outline(tag, grow=grow) for tag in station.tags)
    return View(station.photo, station.camera, station.fit.pose, varies, hidden)


def _tag_half_mm(sheet: Sheet) -> float:
    """Half a tag's paper with the margin kept free around it, mm."""
    if sheet.tags is None:
        return 0.0
    return sheet.tags.side_mm * (0.5 + QUIET_CELLS / cells_across(sheet.tags.dictionary)) + TAG_MARGIN_MM


def _region(sheet: Sheet, grid: Grid, stations: list[Station]) -> Array:
    under = np.zeros(grid.shape, bool)
    if sheet.tags is not None:
        turns: dict[int, float] = {}
        for station in stations:
            turns.update(station.fit.tag_turn_rad)
        under = mask_squares(grid, sheet.tags.centres_mm, turns, _tag_half_mm(sheet))
    return mask_region(
        grid,
        region_mm=None if sheet.panel.region_mm is None else list(sheet.panel.region_mm),
        leave_out_mm=[list(polygon) for polygon in sheet.panel.leave_out_mm],
        tags=under,
    )


def _tag_curvature(sheet: Sheet, stations: list[Station]) -> Array | None:
    """A first look at the crown: how the tags' tilts change across the panel."""
    if sheet.tags is None:
        return None
    rows, right = [], []
    for station in stations:
        for tag, (p, q) in station.fit.tag_tilt.items():
            x, y = sheet.tags.centres_mm[tag]
            rows += [[x, y, 0, 1, 0], [0, x, y, 0, 1]]
            right += [p, q]
    if len(rows) < 6:
        return None
    found = np.linalg.lstsq(np.array(rows, float), np.array(right), rcond=None)[0][:3]
    return np.asarray(np.clip(found, -1e-3, 1e-3))


def _inputs(sheet: Sheet, stations: list[Station]) -> Inputs:
    """Uncertainties of the set-up: the sheet's, else the defaults, the focal length's by where it comes from."""
    given = {k: v for k, v in sheet.uncertainty.model_dump().items() if v is not None}
    return Inputs(**{"focal_rel": max(s.camera.u_focal_rel for s in stations), **given})
