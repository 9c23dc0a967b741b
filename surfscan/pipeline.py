"""A job from its folder to its result: the only file that knows the order of the stages."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.errors import NotMeasuredError, RefusedError
from surfscan.flags import bit, describe
from surfscan.job.photo_quality import THRESHOLDS, check_exposure, check_view, edge_blur
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, built_yet, load_sheet
from surfscan.job.tags import QUIET_CELLS, cells_across, paper_outline
from surfscan.judge.advice import advise
from surfscan.judge.decide import Decision, decide_spot, judge_panel
from surfscan.judge.limits import Limits, default_limits, with_given
from surfscan.judge.sentence import verdict_sentence
from surfscan.optics.field import FINE, make_grid, mask_region, mask_squares, pixel_pitch
from surfscan.optics.lens import project
from surfscan.optics.mirror import distance_to_board
from surfscan.reading.budget import COVERAGE_FACTOR, Inputs, budget_stripes
from surfscan.reading.stations import Station, level_places, stand
from surfscan.reading.stripes import read_stripes
from surfscan.records import (
    Array,
    Board,
    CheckResult,
    Grid,
    HeightMap,
    Photo,
    PhotoCheck,
    Reading,
    Spot,
    View,
)
from surfscan.spots.find import find_spots
from surfscan.spots.measure import SpotShape, measure_spot
from surfscan.surface.flatness import flatness
from surfscan.surface.form import FairForm, fit_fair_form
from surfscan.version import VERSION

__all__ = ["check_job"]

LEAST_COVERAGE = 0.8
"""Less of the region than this, and nothing found over a limit: not measured (our choice)."""

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
    quality = [_quality(station, reading, k, region) for k, station in enumerate(stations)]
    measured = np.isfinite(reading.height_mm)
    judged = region == 0
    coverage = float(measured.sum() / max(judged.sum(), 1))
    if measured.sum() < 400:
        raise NotMeasuredError(
            "the stripes can't be read on this panel",
            found=f"{100 * coverage:.0f} % of the region measured",
            cure=_blocker(reading.flags, quality)[1] or "shoot again, closer and with wider stripes",
        )
    tell("finding the fair form", 0.78)
    limits = _limits(sheet)
    fair = fit_fair_form(
        reading.height_mm,
        x_mm=grid.x_mm,
        y_mm=grid.y_mm,
        floor_mm=min(0.004, 0.25 * min(limits.low_mm, limits.high_mm)),
        grow_px=max(2, round(0.6 * float(reading.period_mm.max()) / grid.step_mm)),
    )
    tell("working out the uncertainty", 0.82)
    budget = budget_stripes(
        reading, fair, views, [s.fit for s in stations], board=board, inputs=_inputs(sheet, stations)
    )
    height = HeightMap(
        grid,
        reading.height_mm - fair.form_mm - budget.correction_mm,
        fair.form_mm + budget.correction_mm,
        budget.sigma_mm,
        reading.flags,
        fair.name,
    )
    tell("measuring the spots", 0.85)
    spots, decisions = _spots(height, limits, sheet.panel.stage, float(reading.period_mm.max()), fair)
    return _result(
        sheet, stations, quality, reading, height, limits, spots, decisions, coverage, started, began
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


def _limits(sheet: Sheet) -> Limits:
    return with_given(default_limits(sheet.panel.stage), sheet.limits.model_dump())


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


def _quality(station: Station, reading: Reading, k: int, region: Array) -> list[PhotoCheck]:
    picture = reading.pictures[k]
    inside = region == 0
    checks = check_view(
        station.photo,
        inside=inside,
        lit=picture.lit,
        clipped=picture.clipped,
        modulation=picture.modulation,
        level=picture.level,
        stripe_px=picture.stripe_px,
        stripes_across=picture.stripes_across,
        blur_px=edge_blur(station.photo, list(station.tags)),
    )
    name = station.photo.file
    if picture.stripe_px < THRESHOLDS["stripe_px_least"]:
        raise RefusedError(
            f"{name}: the stripes are too fine for this photo",
            found=f"{picture.stripe_px:.1f} px in a stripe period",
            allowed=f"at least {THRESHOLDS['stripe_px_least']:g} px",
            cure="go closer, or use wider stripes",
        )
    if picture.stripes_across < THRESHOLDS["stripes_across_least"]:
        raise RefusedError(
            f"{name}: too few stripes across the panel",
            found=f"{picture.stripes_across:.1f} periods",
            allowed=f"at least {THRESHOLDS['stripes_across_least']:g}",
            cure="use narrower stripes, or move the board away",
        )
    return checks


def _blocker(flags: Array, quality: list[list[PhotoCheck]]) -> tuple[str, str]:
    """What kept most of the region from being measured, and its cure."""
    poor = [check for checks in quality for check in checks if not check.good]
    if poor:
        return poor[0].sentence, poor[0].cure
    best = ("", "", 0)
    for name in ("fold", "off_board", "out_of_view", "saturated", "weak_stripes", "inconsistent"):
        count = int(np.count_nonzero(flags & bit(name)))
        if count > best[2]:
            best = (describe(name).sentence, describe(name).cure, count)
    return best[0], best[1]


def _inputs(sheet: Sheet, stations: list[Station]) -> Inputs:
    """Uncertainties of the set-up: the sheet's, else the defaults, the focal length's by where it comes from."""
    given = {k: v for k, v in sheet.uncertainty.model_dump().items() if v is not None}
    return Inputs(**{"focal_rel": max(s.camera.u_focal_rel for s in stations), **given})


def _spots(
    height: HeightMap, limits: Limits, stage: str, period_mm: float, fair: FairForm
) -> tuple[list[Spot], list[Decision]]:
    grid = height.grid
    found: list[tuple[str, SpotShape, float, tuple[str, ...]]] = []
    for kind, sign, limit in (("low", -1, limits.low_mm), ("high", 1, limits.high_mm)):
        least = np.maximum(limit - 1.645 * np.nan_to_num(height.sigma_mm, nan=0.0), 0.5 * limit)
        labels = find_spots(height.height_mm, sign=sign, least_mm=least, limit_mm=limit)
        for k in range(1, int(labels.max()) + 1):
            shape = measure_spot(
                labels == k, height.height_mm, sign=sign, x_mm=grid.x_mm, y_mm=grid.y_mm, step_mm=grid.step_mm
            )
            sigma = float(height.sigma_mm[shape.row, shape.column])
            flags = tuple(
                name
                for name, is_so in (
                    ("edge", shape.at_edge),
                    ("narrow", shape.width_mm < 1.2 * period_mm),
                    (
                        "wide",
                        float(shape.area_cm2) * 100
                        > 0.3 * grid.step_mm**2 * np.isfinite(height.height_mm).sum(),
                    ),
                )
                if is_so
            )
            found.append((kind, shape, sigma, flags))
    found.sort(key=lambda row: -abs(row[1].peak_mm))
    spots, decisions = [], []
    for number, (kind, shape, sigma, flags) in enumerate(found, 1):
        limit = limits.low_mm if kind == "low" else limits.high_mm
        decision = decide_spot(
            kind, shape.peak_mm, COVERAGE_FACTOR * sigma, limit_mm=limit, confidence=limits.confidence
        )
        action = advise(kind, stage, shape.peak_mm, COVERAGE_FACTOR * sigma, decision.verdict, limits)
        decisions.append(decision)
        spots.append(
            Spot(
                number,
                kind,
                shape.x_mm,
                shape.y_mm,
                shape.peak_mm,
                COVERAGE_FACTOR * sigma,
                shape.length_mm,
                shape.width_mm,
                shape.angle_deg,
                shape.area_cm2,
                shape.volume_ml,
                shape.peak_slope_mrad,
                decision.verdict,
                action,
                flags,
            )
        )
    return spots, decisions


def _result(
    sheet: Sheet,
    stations: list[Station],
    quality: list[list[PhotoCheck]],
    reading: Reading,
    height: HeightMap,
    limits: Limits,
    spots: list[Spot],
    decisions: list[Decision],
    coverage: float,
    started: datetime,
    began: float,
) -> CheckResult:
    stage = sheet.panel.stage
    floor = float(np.nanmedian(height.sigma_mm))
    panel = judge_panel(
        decisions,
        coverage=coverage,
        floor_u_mm=floor,
        limit_mm=min(limits.low_mm, limits.high_mm),
        confidence=limits.confidence,
    )
    verdict, reasons, blocker = panel.verdict, list(panel.reasons), ""
    folded = bool(np.any(height.flags & bit("fold")))
    if verdict in ("ready", "close") and (coverage < LEAST_COVERAGE or folded):
        verdict = "not_measured"
        sentence, cure = (
            (describe("fold").sentence, describe("fold").cure) if folded else _blocker(height.flags, quality)
        )
        blocker = f"{sentence}; {cure}" if cure else sentence
    elif coverage < 0.95 and verdict == "rework":
        reasons.append(
            f"Only {100 * coverage:.0f} % of the judged region was measured; there may be more to find."
        )
    if folded and verdict != "not_measured":
        reasons.append(f"A part is {describe('fold').sentence}; {describe('fold').cure}.")
    for station, checks in zip(stations, quality, strict=True):
        reasons += [f"{station.photo.file}: {c.sentence}; {c.cure}." for c in checks if not c.good]
    flat = flatness(height.height_mm, step_mm=height.grid.step_mm, reference="as given")
    first = stations[0]

    def place(points: Array) -> Array:
        column, row = project(
            points[:, 0], points[:, 1], points[:, 2], camera=first.camera, pose=first.fit.pose
        )
        return np.stack([column, row], -1)

    return CheckResult(
        panel={"name": sheet.panel.name, "stage": stage, "size_mm": list(sheet.panel.size_mm)},
        limits={
            "low_mm": limits.low_mm,
            "high_mm": limits.high_mm,
            "filler_depth_mm": limits.filler_depth_mm,
        },
        verdict=verdict,
        sentence=verdict_sentence(
            verdict, spots, limits=limits, stage=stage, coverage=coverage, blocker=blocker
        ),
        reasons=tuple(reasons),
        coverage=coverage,
        measures={
            "FLTt_mm": flat.FLTt_mm,
            "FLTp_mm": flat.FLTp_mm,
            "FLTv_mm": flat.FLTv_mm,
            "FLTq_mm": flat.FLTq_mm,
        },
        height=height,
        spots=tuple(spots),
        photos=tuple(_photo_row(s, c) for s, c in zip(stations, quality, strict=True)),
        run=_run(height, reading, started, began),
        overlay_photo=first.photo.image,
        project=place,
    )


def _photo_row(station: Station, checks: list[PhotoCheck]) -> dict[str, Any]:
    return {
        "file": station.photo.file,
        "sha256": station.photo.sha256,
        "reprojection_px": station.fit.pose.reprojection_px,
        "camera_mm": [float(v) for v in station.fit.pose.centre_mm],
        "focal_px": station.camera.focal_px,
        "focal_from": station.focal_from,
        "tags_seen": [tag.id for tag in station.tags],
        "quality": {
            c.name.replace(" ", "_"): {
                "value": c.value,
                "unit": c.unit,
                "threshold": c.threshold,
                "good": c.good,
                "sentence": c.sentence,
                "cure": c.cure,
            }
            for c in checks
        },
    }


def _run(height: HeightMap, reading: Reading, started: datetime, began: float) -> dict[str, Any]:
    def of(name: str) -> str:
        try:
            return version(name)
        except PackageNotFoundError:
            return "unknown"

    return {
        "surfscan": VERSION,
        "python": platform.python_version(),
        "libraries": {
            name: of(name) for name in ("numpy", "scipy", "opencv-python-headless", "pydantic", "pillow")
        },
        "settings": {
            "grid_mm": height.grid.step_mm,
            "fair_form": height.form_name,
            "closure_mrad": reading.closure_mrad,
            "reflected_period_mm": [float(v) for v in reading.period_mm],
            "rounds": reading.rounds,
        },
        "started": started.isoformat(timespec="seconds"),
        "seconds": round(time.perf_counter() - began, 3),
    }
