"""The panel's grid and photos turned into it: places to a part of a pixel, light kept, noise averaged."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.flags import bit
from surfscan.core.reading import View
from surfscan.core.records import Camera, Photo
from surfscan.optics.field import (
    FINE,
    cut_out,
    make_grid,
    mask_polygon,
    mask_region,
    mask_squares,
    pixel_pitch,
    rectify,
    to_fine,
)
from surfscan.optics.lens import project
from surfscan.synth.scene import look_at

SIZE = (400.0, 280.0)
CAMERA = Camera(2400.0, (799.5, 599.5), (-0.05, 0.02, 1e-3, -5e-4, 0.0))
POSE = look_at((50.0, -600.0, 900.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0))


def view(image: np.ndarray, saturated: np.ndarray | None = None, **more: object) -> View:
    blown = np.zeros(image.shape, bool) if saturated is None else saturated
    return View(Photo("a.png", "", image.astype(np.float32), blown), CAMERA, POSE, "across", **more)  # type: ignore[arg-type]


def pixel_places(shape: tuple[int, int] = (1200, 1600)) -> tuple[np.ndarray, np.ndarray]:
    column, row = np.meshgrid(np.arange(shape[1], dtype=float), np.arange(shape[0], dtype=float))
    return column, row


def fine_axes(grid) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[no-untyped-def]
    """Fine cells: FINE to a coarse one, both grids about the same middle."""
    step = grid.step_mm / FINE
    return tuple((np.arange(FINE * a.size) - (FINE * a.size - 1) / 2) * step for a in (grid.x_mm, grid.y_mm))  # type: ignore[return-value]


def test_the_grid_is_centred_and_ascends() -> None:
    grid = make_grid((101.0, 51.0), 2.0)
    assert grid.shape == (25, 50)
    assert grid.x_mm.mean() == pytest.approx(0.0, abs=1e-12)
    assert np.diff(grid.y_mm) == pytest.approx(2.0)
    assert grid.x_mm[0] >= -50.5


KEYS = 0.5 * 0.25 * 0.75 * 0.5
"""OpenCV's cubic kernel (Keys 1981, IEEE Trans. ASSP 29, 1153, with a = -0.75) moves a slope's samples by
(a + 1/2) 2 t (1 - t)(1 - 2 t) of a cell: by this at t = 1/4, the other way at t = 3/4, so that the mean stays."""


def test_the_fine_grid_lies_where_it_should() -> None:
    grid = make_grid(SIZE, 4.0)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    fx, fy = np.meshgrid(*fine_axes(grid))
    inner = np.s_[FINE:-FINE, FINE:-FINE]
    miss = (to_fine(2 * x - y) - (2 * fx - fy))[inner]
    assert np.abs(miss).max() <= 4.0 * (2 + 1) * KEYS + 1e-6
    pairs = miss.reshape(miss.shape[0] // 2, 2, miss.shape[1] // 2, 2).mean((1, 3))
    assert np.abs(pairs).max() < 1e-9 * np.ptp(x)  # not half a cell off, nor any part of one
    curved = (to_fine(np.sin(x / 40)) - np.sin(fx / 40))[inner]
    assert np.abs(curved).max() < 4.0 / 40 * KEYS + (4.0 / 40) ** 3


@pytest.mark.parametrize("step", [0.8, 2.0, 3.5, 6.0])
def test_a_photo_of_its_own_pixel_places_gives_the_projection_back(step: float) -> None:
    """The half-pixel rule: cutting out and averaging by any factor must not move a place."""
    column, row = pixel_places()
    grid = make_grid(SIZE, step)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    z = 1e-4 * x * x
    want = [to_fine(place) for place in project(x, y, z, camera=CAMERA, pose=POSE)]
    for picture, place in ((column, want[0]), (row, want[1])):
        part = cut_out(view(picture / 1600), grid, reach_mm=10.0)
        assert part.factor == max(1, int(step / FINE / pixel_pitch(SIZE, camera=CAMERA, pose=POSE) + 0.25))
        got, state = rectify(part, x, y, z)
        miss = (1600 * got - place)[state == 0]
        # The kernel moves a slope by up to 0.0481 of a cutout pixel (at t = 0.21), OpenCV's table of places by 1/64
        # more, single precision by a little; places are spread evenly over the pixels, so all of it averages out.
        assert np.abs(miss).max() < part.factor * (0.0481 + 1 / 64 + 0.002)
        assert abs(miss.mean()) < part.factor * (5 * 0.035 / np.sqrt(miss.size) + 1e-4)
        assert (state == 0).mean() > 0.99


def test_averaging_loses_no_light_and_no_noise() -> None:
    """White noise of variance s^2 averaged over n x n pixels keeps s^2 / n^2: skipping pixels would keep s^2."""
    grid = make_grid(SIZE, 6.0)
    noisy = np.random.default_rng(2).normal(0.5, 0.1, (1200, 1600))
    part = cut_out(view(noisy), grid, reach_mm=10.0)
    assert part.factor >= 4
    spread = 0.1 / part.factor
    assert part.image.std() == pytest.approx(spread, rel=5 / np.sqrt(2 * part.image.size))
    assert part.image.mean() == pytest.approx(0.5, abs=5 * spread / np.sqrt(part.image.size))


def test_what_is_blown_out_hidden_or_out_of_the_photo_is_said() -> None:
    column, row = pixel_places()
    grid = make_grid(SIZE, 2.0)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    spot = project(np.array(60.0), np.array(-40.0), 0.0, camera=CAMERA, pose=POSE)
    paper = np.stack(
        project(
            np.array([-120, -80, -80, -120.0]), np.array([80, 80, 40, 40.0]), 0.0, camera=CAMERA, pose=POSE
        ),
        -1,
    )
    blown = np.hypot(column - spot[0], row - spot[1]) < 30
    part = cut_out(view(0 * row + 0.5, blown, hidden_px=(paper,)), grid, reach_mm=5.0)
    _, state = rectify(part, x, y, 0 * x)
    fx, fy = np.meshgrid(*fine_axes(grid))

    def at(px: float, py: float) -> int:
        return int(state.ravel()[np.argmin(np.hypot(fx - px, fy - py))])

    assert at(60, -40) == bit("saturated")
    assert at(-100, 60) == bit("tag")
    assert at(0, 0) == 0
    # Never less than the paper's 40 mm square, and at most a cutout pixel more on each side.
    area = np.sum(state == bit("tag")) * (grid.step_mm / FINE) ** 2
    most = 40 + 2 * part.factor * pixel_pitch(SIZE, camera=CAMERA, pose=POSE)
    assert 1600 <= area <= most**2
    far = make_grid((1600.0, 280.0), 4.0)
    _, state = rectify(
        cut_out(view(0 * row + 0.5), far, reach_mm=5.0), *np.meshgrid(far.x_mm, far.y_mm), np.zeros(far.shape)
    )
    assert (state[:, [0, -1]] == bit("out_of_view")).all()


def test_polygons_and_squares() -> None:
    grid = make_grid((200.0, 200.0), 1.0)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    triangle = mask_polygon(grid, [(-50, -50), (50, -50), (0, 50)])
    assert triangle.sum() == pytest.approx(5000, rel=0.01)  # area in cells of 1 mm^2
    assert triangle[np.argmin(abs(grid.y_mm + 45)), 100]
    assert not triangle[np.argmin(abs(grid.y_mm - 55)), 100]
    # An independent point-in-polygon: OpenCV's.
    shape = np.array([(-70, -30), (10, -80), (60, 20), (0, 5), (-20, 70)], np.float32)
    want = np.array(
        [
            cv2.pointPolygonTest(shape, (float(a), float(b)), False)
            for a, b in zip(x.ravel(), y.ravel(), strict=True)
        ]
    )
    assert np.array_equal(
        mask_polygon(grid, [tuple(p) for p in shape.astype(float)]), (want > 0).reshape(x.shape)
    )
    turned = mask_squares(grid, {4: (20.0, -10.0)}, {4: np.radians(45)}, 10.0)
    assert np.array_equal(turned, np.abs(x - 20) + np.abs(y + 10) < 10 * np.sqrt(2))
    flags = mask_region(
        grid,
        region_mm=[(-50, -50), (50, -50), (0, 50)],
        leave_out_mm=[[(-5, -5), (5, -5), (5, 5), (-5, 5)]],
        tags=turned,
    )
    assert flags[100, 100] == bit("left_out")
    assert flags[0, 0] == bit("outside")
    assert flags[90, 119] == bit("tag") | (0 if triangle[90, 119] else bit("outside"))
    assert flags[60, 100] == 0
