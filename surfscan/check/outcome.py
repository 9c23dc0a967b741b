"""Everything that one check found, put together into its result."""

from __future__ import annotations

import platform
import time
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from surfscan.check.quality import find_blocker
from surfscan.core.flags import bit, describe
from surfscan.core.reading import Reading
from surfscan.core.records import Array, Camera, CheckResult, HeightMap, PhotoCheck, Pose
from surfscan.job.sheet import Sheet
from surfscan.judge.judgement import COVERAGE_FACTOR, Judgement
from surfscan.judge.limits import Limits
from surfscan.judge.sentence import verdict_sentence
from surfscan.optics.lens import project
from surfscan.reading.budget import Budget, Inputs
from surfscan.reading.station import Station
from surfscan.version import VERSION

__all__ = ["assemble", "limits_row", "versions"]

LEAST_COVERAGE = 0.8
"""Less of the region than this, and nothing found over a limit: not measured (our choice)."""

FAR = 3.0
"""One direction alone is called ready only when the limit is this many times its 95 % uncertainty (our choice)."""


@dataclass(frozen=True, slots=True)
class PhotoPlaces:
    """Panel points (N, 3), mm, to photo pixels (N, 2), column and row. A class, so that a result can be sent on."""

    camera: Camera
    pose: Pose

    def __call__(self, points: Array) -> Array:
        place = project(points[:, 0], points[:, 1], points[:, 2], camera=self.camera, pose=self.pose)
        return np.stack(place, -1)


def assemble(
    sheet: Sheet,
    stations: list[Station],
    quality: list[list[PhotoCheck]],
    reading: Reading,
    height: HeightMap,
    judgement: Judgement,
    *,
    limits: Limits,
    coverage: float,
    budget: Budget | None,
    inputs: Inputs | None,
    started: datetime,
    began: float,
) -> CheckResult:
    """Put a check's result together.

    Parameters
    ----------
    sheet, stations, quality, reading, height, judgement, limits, coverage
        What the stages found.
    budget, inputs : Budget, Inputs, optional
        The uncertainty budget, where one was worked out.
    started : datetime
    began : float
        ``time.perf_counter()`` at the start.

    Returns
    -------
    CheckResult
    """
    verdict, reasons, blocker = _verdict(
        judgement, height, quality, coverage, min(limits.low_mm, limits.high_mm)
    )
    for station, checks in zip(stations, quality, strict=True):
        reasons += [f"{station.photo.file}: {c.sentence}; {c.cure}." for c in checks if not c.good]
    first = stations[0]

    stage = sheet.panel.stage
    spots = list(judgement.spots)
    return CheckResult(
        panel=_panel(sheet),
        limits=limits_row(limits),
        verdict=verdict,
        sentence=verdict_sentence(
            verdict, spots, limits=limits, stage=stage, coverage=coverage, blocker=blocker
        ),
        reasons=tuple(reasons),
        coverage=coverage,
        measures=judgement.measures,
        height=height,
        spots=judgement.spots,
        photos=tuple(_photo_row(s, c) for s, c in zip(stations, quality, strict=True)),
        run=_run(height, reading, started, began),
        overlay_photo=first.photo.image,
        project=PhotoPlaces(first.camera, first.fit.pose),
        details={
            **judgement.details,
            "limits_basis": dict(limits.basis),
            "setup": _setup(sheet),
            "uncertainty": _uncertainty(judgement, height, budget, inputs),
        },
        maps=judgement.maps,
    )


def _verdict(
    judgement: Judgement, height: HeightMap, quality: list[list[PhotoCheck]], coverage: float, limit_mm: float
) -> tuple[str, list[str], str]:
    """The verdict with its reasons, and for "not_measured" what stood in the way."""
    verdict, reasons = judgement.panel.verdict, list(judgement.panel.reasons)
    folded = bool(np.any(height.flags & bit("fold")))
    if verdict in ("ready", "close") and (coverage < LEAST_COVERAGE or folded):
        fold = describe("fold")
        sentence, cure = (fold.sentence, fold.cure) if folded else find_blocker(height.flags, quality)
        return "not_measured", reasons, f"{sentence}; {cure}" if cure else sentence
    alone = any("one_direction" in spot.flags for spot in judgement.spots) or bool(
        np.any(height.flags & bit("one_direction"))
    )
    if verdict == "ready" and alone:
        sigma = height.sigma_mm[np.isfinite(height.sigma_mm)]
        if COVERAGE_FACTOR * float(np.percentile(sigma, 95)) * FAR > limit_mm:
            verdict = "close"
            reasons.insert(
                0, f"One stripe direction only: {describe('one_direction').cure} before calling it ready."
            )
    if coverage < 0.95 and verdict == "rework":
        reasons.append(
            f"A part was not seen: {100 * coverage:.0f} % of the judged region was measured; there may be more to find."
        )
    if folded:
        reasons.append(f"A part: {describe('fold').sentence}; {describe('fold').cure}.")
    return verdict, reasons, ""


def _panel(sheet: Sheet) -> dict[str, Any]:
    row: dict[str, Any] = {
        "name": sheet.panel.name,
        "stage": sheet.panel.stage,
        "size_mm": list(sheet.panel.size_mm),
    }
    if sheet.panel.origin_mm is not None:  # a view of a larger panel: what joining needs
        row["origin_mm"] = list(sheet.panel.origin_mm)
        if sheet.tags is not None:
            row["tags_mm"] = {str(tag): list(at) for tag, at in sheet.tags.centres_mm.items()}
    return row


def limits_row(limits: Limits) -> dict[str, Any]:
    """The limits as `result.json` lists them."""
    return {
        "low_mm": limits.low_mm,
        "high_mm": limits.high_mm,
        "filler_depth_mm": limits.filler_depth_mm,
        "putty_depth_mm": limits.putty_depth_mm,
        "slope_mrad": limits.slope_mrad,
        "band_mm": list(limits.band_mm),
        "confidence": limits.confidence,
    }


def _setup(sheet: Sheet) -> dict[str, Any]:
    """Where board or lamps stood, for the drawing on the paper."""
    # Lamps found by balls are told under "light".
    lamps = [list(photo.lamp_mm) for photo in sheet.photos if photo.lamp_mm is not None]
    board = sheet.board
    if board is None or not board.posed:
        return {"lamps_mm": lamps} if lamps else {}
    row = {
        key: getattr(board, key) for key in ("centre_mm", "across", "up", "size_mm", "period_mm", "pattern")
    }
    return {"board": {key: list(v) if isinstance(v, tuple) else v for key, v in row.items()}}


def _uncertainty(
    judgement: Judgement, height: HeightMap, budget: Budget | None, inputs: Inputs | None
) -> dict[str, Any]:
    """The budget of each spot, largest term first, and what would shrink it most."""
    rows = []
    grid = height.grid
    for spot in judgement.spots:
        entry: dict[str, Any] = {"spot": spot.id, "u95_mm": spot.u95_mm}
        if budget is not None:
            row = int(np.argmin(np.abs(grid.y_mm - spot.y_mm)))
            column = int(np.argmin(np.abs(grid.x_mm - spot.x_mm)))
            terms = budget.at(row, column)
            entry["terms"] = [{"source": name, "u_mm": u} for name, u, _ in terms]
            entry["shrinks_most"] = terms[0][2] if terms else ""
        rows.append(entry)
    sigma = height.sigma_mm[np.isfinite(height.sigma_mm)]
    return {
        "coverage_factor": COVERAGE_FACTOR,
        "probability": 0.95,
        "typical_u95_mm": COVERAGE_FACTOR * float(np.median(sigma)) if sigma.size else None,
        "inputs": {} if inputs is None else {k: getattr(inputs, k) for k in inputs.__dataclass_fields__},
        "spots": rows,
    }


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


def versions() -> dict[str, Any]:
    """Versions of the package, of Python and of the libraries that the figures hang on."""

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
    }


def _run(height: HeightMap, reading: Reading, started: datetime, began: float) -> dict[str, Any]:
    return {
        **versions(),
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
