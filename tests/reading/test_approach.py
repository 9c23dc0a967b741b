"""The first guess: a crown from stripe frequencies in closed form, and stripes that can't be the board's."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.records import Array
from surfscan.optics.mirror import hit_board
from surfscan.phase.carrier import Tiles
from surfscan.reading.approach import check_stripes, fit_crown, predict_frequency
from surfscan.synth.panels import Crown
from surfscan.synth.scene import board_facing

BOARD = board_facing(900.0, 54.0, size_mm=(2000.0, 1800.0), period_mm=30.0)
CAMERAS = (np.array([30.0, -680.0, 930.0]), np.array([-60.0, -720.0, 900.0]))
X, Y = (a.ravel() for a in np.meshgrid(np.linspace(-220, 220, 9), np.linspace(-150, 150, 7)))


def frequencies(crown: Crown, camera_mm: Array, varies: str) -> tuple[Array, Array]:
    """True local frequencies, cycles per mm, by tracing a closed-form crown (arcs, not parabolas)."""

    def place(x: Array, y: Array) -> Array:
        p, q = crown.slopes(x, y)
        hit = hit_board(x, y, crown.height(x, y), p, q, camera_mm=camera_mm, board=BOARD)
        return hit.across_mm if varies == "across" else hit.up_mm

    h = 0.01
    return (
        (place(X + h, Y) - place(X - h, Y)) / (2 * h * BOARD.period_mm),
        (place(X, Y + h) - place(X, Y - h)) / (2 * h * BOARD.period_mm),
    )


def tiles(fx: Array, fy: Array, strength: float = 0.8) -> Tiles:
    return Tiles(X, Y, fx, fy, np.full(X.size, strength))


@pytest.mark.parametrize(("radius", "radius_y"), [(1e6, 1e6), (2000.0, 2000.0), (2600.0, 7000.0)])
def test_the_crown_is_read_off_the_frequencies(radius: float, radius_y: float) -> None:
    crown = Crown(radius, radius_y, zero_at_mm=(220.0, 150.0))
    sets = []
    for camera_mm, varies in zip(CAMERAS, ("across", "up"), strict=True):
        fx, fy = frequencies(crown, camera_mm, varies)
        sets.append((X, Y, tiles(fx, fy), camera_mm, varies))
    found = fit_crown(sets, board=BOARD, start=np.zeros(3))
    # A crown is -1/R; its arcs and its height above the tags' plane, left out here, come to some per cent.
    want = np.array([-1 / radius, 0.0, -1 / radius_y])
    assert np.abs(found - want).max() < 0.05 / min(radius, radius_y) + 2e-6


def test_the_prediction_is_the_flat_mirrors() -> None:
    """Flat and square on: a period p shows as p a / (a + b) on the panel (similar triangles)."""
    board = board_facing(800.0, 90.0, size_mm=(2e3, 2e3), period_mm=30.0)
    camera = np.array([0.0, 0.0, 1200.0])
    zero = np.zeros(1)
    for varies in ("across", "up"):
        fx, fy = predict_frequency(zero, zero, np.zeros(3), camera_mm=camera, board=board, varies=varies)
        own, other = (fx, fy) if varies == "across" else (fy, fx)
        assert abs(own[0]) == pytest.approx((1200 + 800) / (1200 * 30), rel=1e-6)
        assert other[0] == pytest.approx(0.0, abs=1e-12)


FLAT = {
    axis: predict_frequency(X, Y, np.zeros(3), camera_mm=CAMERAS[0], board=BOARD, varies=axis)
    for axis in ("across", "up")
}


def check(fx: Array, fy: Array, *, strength: float = 0.8, crown_known: bool = True) -> None:
    check_stripes(tiles(fx, fy, strength), FLAT, varies="across", file="a.jpg", crown_known=crown_known)


@pytest.mark.parametrize("sign", [1, -1])
def test_the_right_stripes_pass(sign: int) -> None:
    fx, fy = FLAT["across"]
    check(sign * fx, sign * fy)  # a frequency's sign can't be seen
    check(1.25 * fx, 1.25 * fy)
    check(2.5 * fx, 2.5 * fy, crown_known=False)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_another_period_is_refused(factor: float) -> None:
    fx, fy = FLAT["across"]
    with pytest.raises(RefusedError, match=rf"found stripes {factor:.2f} times as fine as board.period_mm"):
        check(factor * fx, factor * fy)


def test_the_other_axis_is_refused_and_named() -> None:
    with pytest.raises(RefusedError, match=r"a.jpg: its stripes vary along the board's 'up' axis"):
        check(*FLAT["up"])


def test_no_stripes_at_all() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(NotMeasuredError, match="no stripes in the judged region"):
        check(*FLAT["across"], strength=0.05)
    with pytest.raises(
        NotMeasuredError, match="no stripes in the judged region"
    ):  # strong peaks, but anywhere
        check(*rng.uniform(0.2, 0.5, (2, X.size)))
