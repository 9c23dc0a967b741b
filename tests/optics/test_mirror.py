"""The law of reflection against mirrored cameras, finite differences and published sensitivities."""

from __future__ import annotations

import numpy as np
import pytest
from tolerances import rounding

from surfscan.core.records import Board
from surfscan.optics.mirror import distance_to_board, fold_curvature, fresnel, hit_board


def board(distance: float = 800.0, elevation: float = 45.0) -> Board:
    e = np.radians(elevation)
    up = np.array([0.0, -np.sin(e), np.cos(e)])
    centre = distance * np.array([0.0, np.cos(e), np.sin(e)])
    return Board(centre, np.array([1.0, 0.0, 0.0]), up, (2000.0, 2000.0), 30.0)


CAMERA = np.array([30.0, -700.0, 720.0])


def test_flat_panel_shows_what_the_mirrored_camera_sees() -> None:
    x, y = np.meshgrid([-200.0, 0.0, 150.0], [-100.0, 80.0])
    hit = hit_board(x, y, 0.0, 0.0, 0.0, camera_mm=CAMERA, board=board())
    virtual = CAMERA * [1, 1, -1]  # mirror geometry: the image of the camera in the plane z = 0
    b = board()
    for k in np.ndindex(x.shape):
        ray = np.array([x[k], y[k], 0.0]) - virtual
        t = (b.centre_mm - virtual) @ b.normal / (ray @ b.normal)
        point = virtual + t * ray - b.centre_mm
        assert hit.across_mm[k] == pytest.approx(point @ b.across, abs=rounding(2000, operations=50))
        assert hit.up_mm[k] == pytest.approx(point @ b.up, abs=rounding(2000, operations=50))


def test_derivatives_equal_finite_differences() -> None:
    place = (np.array(40.0), np.array(-60.0), np.array(3.0))
    p, q, step = 0.02, -0.03, 1e-6
    hit = hit_board(*place, np.array(p), np.array(q), camera_mm=CAMERA, board=board())
    for k, (dp, dq) in enumerate(((step, 0.0), (0.0, step))):
        plus, minus = (
            hit_board(*place, np.array(p + s * dp), np.array(q + s * dq), camera_mm=CAMERA, board=board())
            for s in (1, -1)
        )
        # central differences: truncation step^2 times a third derivative of order 1e4, rounding eps * 1e3 / step
        for got, name in ((hit.d_across[k], "across_mm"), (hit.d_up[k], "up_mm")):
            want = (getattr(plus, name) - getattr(minus, name)) / (2 * step)
            assert got == pytest.approx(want, abs=2e-6 * 2000)


def test_a_tilt_moves_the_reflection_the_right_way() -> None:
    # A panel that falls to the right (p < 0) turns its normal to the right, and so what it shows.
    flat, tilted = (
        hit_board(np.array(0.0), np.array(0.0), 0.0, np.array(p), 0.0, camera_mm=CAMERA, board=board())
        for p in (0.0, -0.01)
    )
    assert tilted.across_mm > flat.across_mm


@pytest.mark.parametrize(("theta", "across"), [(0.0, 2.0), (45.0, 1.4142), (60.0, 1.0), (80.0, 0.3473)])
def test_sensitivity_across_the_plane_of_incidence(theta: float, across: float) -> None:
    """2 b delta in the plane of incidence, 2 b delta cos(theta) across it (closed form, by ray trace)."""
    t, b, a = np.radians(theta), 800.0, 1000.0
    camera = a * np.array([0.0, -np.sin(t), np.cos(t)])
    ray = np.array([0.0, np.sin(t), np.cos(t)])
    facing = Board(b * ray, np.array([1.0, 0.0, 0.0]), np.cross(-ray, [1.0, 0.0, 0.0]), (9e3, 9e3), 30.0)
    hit = hit_board(np.array(0.0), np.array(0.0), 0.0, 0.0, 0.0, camera_mm=camera, board=facing)
    assert np.hypot(hit.d_across[0], hit.d_up[0]) / b == pytest.approx(across, abs=5e-5)  # printed digits
    assert np.hypot(hit.d_across[1], hit.d_up[1]) / b == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize(
    ("theta", "in_plane", "cross"),
    [(0, 1.125, 1.125), (45, 0.7955, 1.5910), (70, 0.38477, 3.28928), (80, 0.19535, 6.47862)],
)
def test_fold_over_curvature(theta: float, in_plane: float, cross: float) -> None:
    """Coddington's equations at a = 1000, b = 800 mm, in 1/m (computed from the formula)."""
    got = fold_curvature(1000.0, 800.0, incidence_rad=np.radians(theta))
    assert 1e3 * got[0] == pytest.approx(in_plane, abs=6e-5)
    assert 1e3 * got[1] == pytest.approx(cross, abs=6e-5)


def test_height_slope_ambiguity() -> None:
    """1 mm of height at 45 degrees and b = 800 mm reads as 0.8839 mrad (closed form sin(theta)/b)."""
    t, b = np.radians(45.0), 800.0
    camera = 1e7 * np.array([0.0, -np.sin(t), np.cos(t)])  # far, so that only the panel's place moves
    ray = np.array([0.0, np.sin(t), np.cos(t)])
    facing = Board(b * ray, np.array([1.0, 0.0, 0.0]), np.cross(-ray, [1.0, 0.0, 0.0]), (9e3, 9e3), 30.0)
    low, high = (
        # the same pixel: along the view ray, 1 mm up is tan(theta) mm towards the camera
        hit_board(np.array(0.0), np.array(-z * np.tan(t)), z, 0.0, 0.0, camera_mm=camera, board=facing)
        for z in (0.0, 1.0)
    )
    slope = abs(float(high.up_mm - low.up_mm)) / abs(float(low.d_up[1]))
    assert 1e3 * slope == pytest.approx(0.8839, rel=2e-3)  # z also shortens the way by a thousandth


def test_distance_to_board() -> None:
    camera = np.array([0.0, -700.0, 700.0])
    assert distance_to_board(0.0, 0.0, camera_mm=camera, board=board(800.0)) == pytest.approx(800.0)


@pytest.mark.parametrize(
    ("angle", "value"), [(0, 0.0400), (45, 0.0502), (60, 0.0892), (70, 0.1710), (75, 0.2531), (80, 0.3877)]
)
def test_fresnel(angle: float, value: float) -> None:
    """Fresnel's equations for n = 1.5, unpolarised (handbook values, four digits)."""
    assert float(fresnel(np.radians(angle))) == pytest.approx(value, abs=6e-5)
