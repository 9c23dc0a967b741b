"""One surface laid over another: known moves found again, whatever was built on top."""

from __future__ import annotations

import numpy as np
import pytest
from result_folders import bump, grid

from surfscan.change.registration import CHANCE, register
from surfscan.change.sampler import Sampler
from surfscan.core.records import Grid, HeightMap

X, Y = grid(3.0, (210.0, 150.0))
XX, YY = np.meshgrid(X, Y)


def surface(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A crowned panel with a high, a low, and faint waves: what a panel has to be recognised by."""
    waves = 0.002 * np.sin(x / 17 + 1) * np.sin(y / 23)
    high = bump(x, y, at=(120, 60), peak=0.25, width=90)
    low = bump(x, y, at=(-110, -70), peak=-0.15, width=70)
    return (x**2 + 0.3 * y**2) / 4000 + waves + high + low


def as_map(z: np.ndarray, sigma: float = 0.002) -> HeightMap:
    fair = np.zeros_like(z)
    return HeightMap(Grid(X, Y, 3.0), z, fair, np.full(z.shape, sigma), np.zeros(z.shape, np.int32))


def moved(dx: float, dy: float, turn: float) -> np.ndarray:
    """The surface as a second pass sees it, whose place r is R r + (dx, dy) of the first."""
    c, s = np.cos(turn), np.sin(turn)
    return surface(c * XX - s * YY + dx, s * XX + c * YY + dy)


FILLER = bump(XX, YY, at=(-20, 10), peak=2.0, width=180)


@pytest.mark.parametrize(("dx", "dy", "turn"), [(4.0, -3.0, 0.006), (-9.0, 7.0, -0.02), (0.0, 0.0, 0.0)])
@pytest.mark.parametrize("on_top", [0.0, 1.0], ids=["bare", "filled"])
def test_a_known_move_is_found_however_much_is_filled(
    dx: float, dy: float, turn: float, on_top: float
) -> None:
    noise = np.random.default_rng(3).normal(0, 2e-4, XX.shape)
    # Another set-up: height, tilt and bend are free.
    bend = 0.4 + 1e-3 * XX - 2e-3 * YY + 3e-7 * XX**2 - 2e-7 * XX * YY
    found = register(
        as_map(surface(XX, YY)), as_map(moved(dx, dy, turn) + bend + noise + on_top * FILLER), moved=True
    )
    assert found.moved
    # Ten seconds of arc and a tenth of a millimetre: far under what a wall of filler would show.
    assert found.x_mm == pytest.approx(dx, abs=0.1)
    assert found.y_mm == pytest.approx(dy, abs=0.1)
    assert found.turn_mrad == pytest.approx(1e3 * turn, abs=0.5)
    assert found.unchanged > 0.6


def test_moved_tags_are_noticed_and_stayed_tags_are_believed() -> None:
    first = as_map(surface(XX, YY))
    assert register(first, as_map(moved(5.0, 2.0, 0.0))).moved
    stayed = register(first, as_map(moved(0.1, 0.0, 0.0)))
    assert not stayed.moved
    assert (
        stayed.covariance[0, 0] < (0.3 / 2) ** 2
    )  # no worse than the tags alone: 0.3 mm over the root of four


def test_the_covariance_is_borne_out() -> None:
    """Errors over stated uncertainty, over surfaces with waves of their own that the model does not know."""
    rng = np.random.default_rng(5)
    square = []
    for _ in range(6):
        ripple = np.zeros_like(XX)
        for _ in range(8):  # waves of 60 to 200 mm, 1 um together, which differ between passes
            length, angle = rng.uniform(60, 200), rng.uniform(0, np.pi)
            along = XX * np.cos(angle) + YY * np.sin(angle)
            ripple += 5e-4 * np.sin(2 * np.pi * along / length + rng.uniform(0, 6.3))
        dx, dy, turn = rng.normal(0, 4), rng.normal(0, 4), rng.normal(0, 0.005)
        found = register(as_map(surface(XX, YY)), as_map(moved(dx, dy, turn) + ripple + FILLER), moved=True)
        error = np.array([found.x_mm - dx, found.y_mm - dy, 1e-3 * found.turn_mrad - turn])
        square.append(error @ np.linalg.solve(found.covariance, error) / 3)
    # Mean of 6 chi-squared of 3 degrees, over 3: 0.5 to 1.75 in 95 of 100; a stated value up to five times too
    # wide is borne too, since it has to hold for waves much longer than these.
    assert 0.04 < np.mean(square) < 1.75


def test_filler_of_one_thickness_over_most_of_the_panel_is_told_by_the_tags() -> None:
    most = np.where(np.hypot(XX / 190, YY / 135) < 1, 1.0, 0.0)
    assert (most > 0).mean() > 0.6
    found = register(as_map(surface(XX, YY)), as_map(surface(XX, YY) + most))
    assert abs(found.bend[0]) < 0.01  # not the millimetre that most cells agree on


def test_filler_under_one_of_the_tags_tilts_nothing() -> None:
    """The plane of the tags then leans against the old surface; most of the panel is as it was."""
    patch = bump(XX, YY, at=(180, 120), peak=0.8, width=220)
    lean = -0.2 - 0.2 * XX / 180 - 0.2 * YY / 120
    found = register(as_map(surface(XX, YY)), as_map(surface(XX, YY) + patch + lean))
    assert np.abs(lean - found.surface(XX, YY)).max() < 0.01


@pytest.mark.parametrize(
    ("half", "share", "within_mm"),
    # A build that runs out smoothly is itself nearly a bend; past half of the panel some of it is taken for one.
    [((160, 115), 0.39, 0.003), ((215, 155), 0.65, 0.03)],
)
def test_a_build_over_much_of_the_panel_leaves_the_rest_where_it_is(
    half: tuple[float, float], share: float, within_mm: float
) -> None:
    much = 1.5 * np.maximum(1 - (XX / half[0]) ** 2 - (YY / half[1]) ** 2, 0) ** 2
    assert (much > 0.02).mean() > share
    found = register(as_map(surface(XX, YY)), as_map(surface(XX, YY) + much))
    assert np.abs(found.surface(XX, YY)[much == 0]).max() < within_mm


def test_the_other_side_is_read_mirrored() -> None:
    other = as_map(surface(-XX, YY))
    found = register(other, as_map(surface(XX, YY)), mirrored=True)
    assert found.spread_mm < 0.0015
    assert found.unchanged > 0.95
    assert np.abs(found.bend).max() < 1e-3


def test_too_little_in_common_is_said() -> None:
    z = surface(XX, YY)
    left, right = np.where(XX < -5, z, np.nan), np.where(XX > 5, z, np.nan)
    with pytest.raises(ValueError, match="common"):
        register(as_map(left), as_map(right))


def test_the_chance_is_that_of_the_chi_squared_distribution() -> None:
    stats = pytest.importorskip("scipy.stats")
    assert pytest.approx(float(stats.chi2.isf(0.01, 3)), abs=0.01) == CHANCE


def test_a_map_is_read_between_its_cells_and_nowhere_else() -> None:
    z = 0.01 * XX - 0.02 * YY + np.sin(XX / 40)
    z[20, 30] = np.nan
    sampler = Sampler(as_map(z))
    x, y = np.array([1.7, -33.3]), np.array([0.4, 51.9])
    assert sampler.heights(x, y) == pytest.approx(0.01 * x - 0.02 * y + np.sin(x / 40), abs=2e-6)
    gx, gy = sampler.slopes(x, y)
    assert gx == pytest.approx(0.01 + np.cos(x / 40) / 40, abs=2e-5)
    assert gy == pytest.approx(-0.02, abs=1e-6)
    assert np.isnan(sampler.heights(np.array([X[30] + 1.0]), np.array([Y[20] + 1.0]))).all()
    assert np.isnan(sampler.heights(np.array([X[0] - 1.0]), np.array([0.0]))).all()
    twin = Sampler(as_map(z), mirrored=True)
    assert twin.heights(-x, y) == pytest.approx(sampler.heights(x, y))
    assert twin.slopes(-x, y)[0] == pytest.approx(-gx)
