"""A made result with two lows, a high, a place not measured and a camera: what the report is tested on."""

from __future__ import annotations

from typing import Any

import numpy as np

from surfscan.core.flags import bit
from surfscan.core.records import CheckResult, Grid, HeightMap, Spot

FOCAL, CENTRE = 900.0, (499.5, 374.5)
CAMERA_MM = np.array([0.0, -500.0, 800.0])


def project(points_mm: np.ndarray) -> np.ndarray:
    """A pinhole 940 mm from the panel, looking at its middle, upright."""
    ahead = -CAMERA_MM / np.linalg.norm(CAMERA_MM)
    right = np.array([1.0, 0.0, 0.0])
    turned = (points_mm - CAMERA_MM) @ np.stack([right, np.cross(ahead, right), ahead]).T
    return FOCAL * turned[:, :2] / turned[:, 2:] + CENTRE


def dish(x: np.ndarray, y: np.ndarray, at: tuple[float, float], width: float, peak: float) -> np.ndarray:
    """A Gaussian of a width at half its peak."""
    return peak * np.exp(-4 * np.log(2) * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / width**2)


SPOTS = (
    Spot(
        1,
        "low",
        -120,
        60,
        -0.35,
        0.01,
        101,
        100,
        12,
        80,
        1.4,
        6,
        "rework",
        "Glazing putty, block, look again.",
    ),
    Spot(2, "high", 100, -80, 0.12, 0.01, 60, 60, 0, 28, 0.2, 3, "rework", "Block it.", ("narrow",)),
    Spot(3, "low", 150, 120, -0.041, 0.004, 40, 40, 0, 2, 0.01, 2, "close", "Shoot again.", ()),
)


def made_result(**changes: Any) -> CheckResult:
    """A whole result; `changes` replace its parts."""
    x_mm, y_mm = np.arange(-250.0, 250.1, 2.0), np.arange(-200.0, 200.1, 2.0)
    x, y = np.meshgrid(x_mm, y_mm)
    height = sum(dish(x, y, (s.x_mm, s.y_mm), s.width_mm, s.peak_mm) for s in SPOTS)
    flags = np.zeros(x.shape, np.int32)
    hidden = (x > 200) & (abs(y) < 60)
    flags[hidden] |= bit("weak_stripes")
    tag = (abs(x + 220) < 20) & (abs(y + 170) < 20)
    flags[tag] |= bit("tag")
    sigma = np.full(x.shape, 0.002)
    form = -(x**2 + y**2) / 6000.0
    for array in (height, sigma):
        array[hidden | tag] = np.nan
    rows, columns = np.mgrid[:750, :1000]
    parts: dict[str, Any] = {
        "panel": {"name": "door", "stage": "primer", "size_mm": [500.0, 400.0]},
        "limits": {"low_mm": 0.04, "high_mm": 0.04, "filler_depth_mm": 6.35},
        "verdict": "rework",
        "sentence": "Rework: 1 low and 1 high. The deepest low is 0.35 mm (0.34 to 0.36), putty work.",
        "reasons": ("Spot 3 is too close to call.",),
        "coverage": 0.97,
        "measures": {"FLTt_mm": 0.47, "FLTq_mm": float("nan")},
        "height": HeightMap(Grid(x_mm, y_mm, 2.0), height, form, sigma, flags, "quadratic"),
        "spots": SPOTS,
        "photos": (
            {"file": "a.jpg", "sha256": "00", "reprojection_px": 0.1, "quality": {"sharp": np.float64(2.0)}},
        ),
        "run": {"surfscan": "0", "seconds": 1.0},
        "overlay_photo": (0.3 + 0.2 * np.sign(np.sin(columns / 9 + rows / 90))).astype(np.float32),
        "project": project,
    }
    return CheckResult(**{**parts, **changes})
