"""A low that folds the reflection, read by a stepped series."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from surfscan.checking.pipeline import check_job
from surfscan.core.flags import bit
from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Dish, Flat, Panel
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags, look_at

SIZE, PIXELS = (300.0, 220.0), (480, 360)
LOW, HIGH = Dish(-40, 15, -0.9, 80), Dish(80, -40, 0.1, 70)
FOCAL = 0.8 * PIXELS[0] * 950 / SIZE[0]


def scene(deviation: object, *, steps: int = 3) -> Scene:
    e = np.radians(54)
    pose = look_at((20, -950 * np.cos(e), 950 * np.sin(e)), (0, 0, 0), (0, 1, 0))
    shots = tuple(
        Exposure(
            f"{axis}-{period}-{k}.png",
            pose,
            "stepped",
            varies=axis,
            period_mm=float(period),
            phase_deg=360.0 * k / steps,
        )
        for axis in ("across", "up")
        for period in (48, 40)
        for k in range(steps)
    )
    return Scene(
        Panel(SIZE, Flat(), deviation),  # type: ignore[arg-type]
        Camera(FOCAL, ((PIXELS[0] - 1) / 2, (PIXELS[1] - 1) / 2)),
        board_facing(850.0, 54, size_mm=(2200, 1900), period_mm=48.0),
        corner_tags(SIZE, side_mm=32),
        shots=shots,
        image_size_px=PIXELS,
        supersampling=2,
        square=False,
    )


def test_a_folded_reflection_is_read_pixel_by_pixel(tmp_path: Path) -> None:
    """The bottom bends by 6 * 0.9 / 40^2 = 3.4 per m; the reflection folds from (1/950 + 1/850)/2 = 1.1 per m on.

    Many places of the panel then show one place of the board, which confounds a single photo; a stepped series knows
    each pixel's place on the board by itself, and the slope with it, folded or not.
    """
    curvature, fold = 6 * 0.9 / 40.0**2, 0.5 * (1 / 950 + 1 / 850)
    assert curvature > 2.5 * fold
    made = scene(LOW + HIGH)
    result = check_job(write_job(made, tmp_path / "job", rng=np.random.default_rng(1)))
    grid = result.height.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    off = result.height.height_mm - made.panel.deviation.height(x, y)
    near = np.hypot(x - LOW.x_mm, y - LOW.y_mm) < 42
    # Read right where it is read, within what is said; whatever is not read is NaN with a reason.
    assert np.nanmax(np.abs(off[near])) < 0.006
    assert (
        np.mean(np.abs(off[near & np.isfinite(off)]) < 1.96 * result.height.sigma_mm[near & np.isfinite(off)])
        > 0.95
    )
    assert (result.height.flags[np.isnan(off)] != 0).all()
    assert np.isfinite(off[near]).mean() > 0.9
    spots = sorted(result.spots, key=lambda spot: spot.x_mm)
    assert [spot.kind for spot in spots] == ["low", "high"]  # nothing invented around the fold
    assert abs(spots[0].peak_mm + 0.9) < spots[0].u95_mm
    assert not np.any(result.height.flags & bit("fold"))
