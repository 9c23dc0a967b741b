"""One result put together: the same for photos, for a map measured elsewhere and for joined views."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np

from surfscan.core.base import Base
from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.message import Verdict
from surfscan.core.records import Array, Camera, CheckResult, Grid, HeightMap, Pose, Spot
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits
from surfscan.judge.verdict import Evidence, weigh, with_reasons
from surfscan.optics.lens import project
from surfscan.version import VERSION

__all__ = [
    "MapPlaces",
    "PhotoPlaces",
    "Shown",
    "build_result",
    "limits_row",
    "uncertainty_row",
    "versions",
    "when",
]


@dataclass(frozen=True, slots=True)
class PhotoPlaces:
    """Panel points (N, 3), mm, to photo pixels (N, 2), column and row. A class, so that a result can be sent on."""

    camera: Camera
    pose: Pose
    base: Base | None = None  # what a curved panel's points are heights over

    def __call__(self, points: Array) -> Array:
        x, y, z = points.T
        if self.base is not None:
            x, y, z = self.base.points(x, y, z)
        place = project(x, y, z, camera=self.camera, pose=self.pose)
        return np.stack(place, -1)


@dataclass(frozen=True, slots=True)
class MapPlaces:
    """The same for a picture of the map itself, top row first, one pixel a cell."""

    grid: Grid

    def __call__(self, points: Array) -> Array:
        x, y, step = self.grid.x_mm, self.grid.y_mm, self.grid.step_mm
        return np.stack([(points[:, 0] - x[0]) / step, (y[-1] - points[:, 1]) / step], -1)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a result is drawn on, and the photos it names."""

    picture: Array
    places: Callable[[Array], Array]
    photos: tuple[dict[str, Any], ...] = ()


def build_result(
    judgement: Judgement,
    evidence: Evidence,
    *,
    panel: dict[str, Any],
    limits: Limits,
    height: HeightMap,
    shown: Shown,
    run: dict[str, Any],
    details: dict[str, Any],
) -> CheckResult:
    # house: each is a part of the result that the three kinds of check know differently.
    """Judge the evidence and put the result together.

    Parameters
    ----------
    judgement : Judgement
    evidence : Evidence
        The judgement's own, with what else is known: doubts, folds, what kept a part from being seen.
    panel : dict
        ``name``, ``stage``, ``size_mm`` and more.
    limits : Limits
    height : HeightMap
    shown : Shown
    run, details : dict
        As in `CheckResult`; `details` goes on top of the judgement's.

    Returns
    -------
    CheckResult
    """
    plain = CheckResult(
        panel=panel,
        limits=limits_row(limits),
        verdict=Verdict.NOT_MEASURED,  # until it is judged, on the last line
        sentence="",
        reasons=(),
        coverage=evidence.coverage,
        measures=judgement.measures,
        height=height,
        spots=judgement.spots,
        photos=shown.photos,
        run=run,
        overlay_photo=shown.picture,
        project=shown.places,
        details={**judgement.details, "limits_basis": dict(limits.basis), **details},
        maps=judgement.maps,
    )
    return with_reasons(plain, weigh(evidence).reasons)


def limits_row(limits: Limits) -> dict[str, Any]:
    """The limits as `result.json` lists them."""
    return {
        "low_mm": limits.low_mm,
        "high_mm": limits.high_mm,
        "filler_depth_mm": limits.filler_depth_mm,
        "putty_depth_mm": limits.putty_depth_mm,
        "slope_mrad": limits.slope_mrad,
        "band_mm": list(limits.band_mm),
        "texture_mrad": limits.texture_mrad,
        **({"fault_mm": limits.fault_mm} if limits.faults_decide else {}),
        "confidence": limits.confidence,
    }


def uncertainty_row(
    height: HeightMap, spots: Sequence[Spot], *, inputs: Mapping[str, float], terms: Callable[[int, int], Any]
) -> dict[str, Any]:
    """The budget of each spot, largest term first, and what would shrink it most.

    Parameters
    ----------
    height : HeightMap
    spots : sequence of Spot
    inputs : mapping
    terms : callable
        Row and column of a cell to its (source, standard uncertainty in mm, cure) rows, largest first; None where no
        budget was worked out.
    """
    rows = []
    grid = height.grid
    for spot in spots:
        entry: dict[str, Any] = {"spot": spot.id, "u95_mm": spot.u95_mm}
        row = int(np.argmin(np.abs(grid.y_mm - spot.y_mm)))
        column = int(np.argmin(np.abs(grid.x_mm - spot.x_mm)))
        found = terms(row, column)
        if found is not None:
            entry["terms"] = [{"source": name, "u_mm": u} for name, u, _ in found]
            entry["shrinks_most"] = found[0][2] if found else ""
        rows.append(entry)
    sigma = height.sigma_mm[np.isfinite(height.sigma_mm)]
    return {
        "coverage_factor": COVERAGE_FACTOR,
        "probability": 0.95,
        "typical_u95_mm": COVERAGE_FACTOR * float(np.median(sigma)) if sigma.size else None,
        "inputs": dict(inputs),
        "spots": rows,
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


def when(started: datetime, began: float) -> dict[str, Any]:
    """When it was checked, and how long that took."""
    return {
        "started": started.isoformat(timespec="seconds"),
        "seconds": round(time.perf_counter() - began, 3),
    }
