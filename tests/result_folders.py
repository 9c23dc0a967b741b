"""Output folders of `check` made without photos: just what a reader of results needs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

Array = np.ndarray


def grid(step_mm: float = 4.0, half_mm: tuple[float, float] = (160.0, 120.0)) -> tuple[Array, Array]:
    """Columns and rows of a panel grid, mm."""
    return (
        np.arange(-half_mm[0], half_mm[0] + 0.1, step_mm),
        np.arange(-half_mm[1], half_mm[1] + 0.1, step_mm),
    )


def bump(
    x: Array, y: Array, *, at: tuple[float, float] = (0.0, 0.0), peak: float = 1.0, width: float = 80.0
) -> Array:
    """peak * (1 - rho^2)^2 inside `width`, nothing outside."""
    rho = np.hypot(x - at[0], y - at[1]) / (width / 2)
    return peak * np.maximum(1 - rho**2, 0) ** 2


def spot(
    number: int, kind: str, x: float, y: float, peak: float, u95: float = 0.004, **more: Any
) -> dict[str, Any]:
    """One row of the spot table."""
    row: dict[str, Any] = {"id": number, "kind": kind, "x_mm": x, "y_mm": y, "peak_mm": peak, "u95_mm": u95}
    row |= {"length_mm": 60.0, "width_mm": 50.0, "angle_deg": 0.0, "area_cm2": 23.0, "volume_ml": 1.0}
    return row | {"peak_slope_mrad": 3.0, "verdict": "rework", "action": "", "flags": []} | more


def make_folder(
    folder: Path,
    x: Array,
    y: Array,
    deviation: Array,
    *,
    form: Array | float = 0.0,
    sigma: float = 0.002,
    spots: list[dict[str, Any]] | None = None,
    stage: str = "filler",
    filler_depth_mm: float = 2.0,
    name: str = "made panel",
    started: str = "2026-03-01T08:00:00+00:00",
) -> Path:
    """Write result.json and height.npz as `check` does."""
    folder.mkdir(parents=True, exist_ok=True)
    shape = deviation.shape
    np.savez(
        folder / "height.npz",
        x_mm=x,
        y_mm=y,
        height_mm=deviation.astype(np.float32),
        form_mm=np.broadcast_to(np.asarray(form, np.float32), shape),
        sigma_mm=np.where(np.isfinite(deviation), sigma, np.nan).astype(np.float32),
        flags=np.where(np.isfinite(deviation), 0, 1).astype(np.int32),
    )
    document = {
        "schema": 1,
        "panel": {"name": name, "stage": stage, "size_mm": [float(np.ptp(x)), float(np.ptp(y))]},
        "limits": {
            "low_mm": 0.05,
            "high_mm": 0.05,
            "filler_depth_mm": filler_depth_mm,
            "confidence": 0.95,
            "putty_depth_mm": 0.8,
            "slope_mrad": 4.0,
            "band_mm": [20.0, 200.0],
        },
        "verdict": "rework" if spots else "ready",
        "sentence": "Made for a test.",
        "reasons": ["Made for a test."],
        "coverage": float(np.isfinite(deviation).mean()),
        "form": "second-order surface",
        "measures": {"FLTt_mm": 0.1, "FLTq_mm": None},
        "spots": spots or [],
        "photos": [
            {
                "file": "stripes-across.jpg",
                "sha256": "0" * 64,
                "reprojection_px": 0.05,
                "camera_mm": [0, -550, 950],
            }
        ],
        "uncertainty": {"coverage_factor": 1.96, "inputs": {}},
        "run": {
            "surfscan": "0.1.0",
            "python": "3.11",
            "libraries": {},
            "settings": {},
            "started": started,
            "seconds": 1,
        },
    }
    (folder / "result.json").write_text(json.dumps(document))
    return folder
