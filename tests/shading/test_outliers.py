"""Shadows and flecks: predicted by geometry, or found by leaving photos out."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.records import Grid
from surfscan.shading.lamp import Lamps, fit_cells, lamp_vectors
from surfscan.shading.outliers import cast_shadow, drop_outliers
from surfscan.shading.setting import plain_setting

NOISE = 2e-3


def scene(count: int) -> tuple[np.ndarray, np.ndarray]:
    """A flat panel under a ring of lamps: brightness with noise, and light vectors."""
    x, y = np.meshgrid(np.linspace(-200, 200, 60), np.linspace(-150, 150, 50))
    turn = 0.3 + 2 * np.pi * np.arange(count) / count
    lamps = Lamps(np.stack([900 * np.cos(turn), 900 * np.sin(turn), np.full(count, 400.0)], -1))
    vectors = lamp_vectors(x, y, np.zeros_like(x), lamps=lamps)
    seen = 0.5 * vectors[:, 2]
    return seen + NOISE * np.random.default_rng(3).standard_normal(seen.shape), vectors


def cleaned(seen: np.ndarray, vectors: np.ndarray):  # type: ignore[no-untyped-def]
    setting, weight = plain_setting(len(seen)), np.ones_like(seen)
    first = fit_cells(seen, vectors, setting=setting, weight=weight)
    kept, lost = drop_outliers(seen, vectors, fit=first, setting=setting, weight=weight, noise=NOISE)
    return first, fit_cells(seen, vectors, setting=setting, weight=kept), kept, lost


@pytest.mark.parametrize("share", [0.05, 3.0], ids=["shadow", "fleck"])
@pytest.mark.parametrize("count", [5, 6, 8])
def test_one_false_photo_is_left_out(count: int, share: float) -> None:
    seen, vectors = scene(count)
    seen[2, 20:30, 20:35] *= share
    first, fit, kept, lost = cleaned(seen, vectors)
    block = np.s_[20:30, 20:35]
    assert np.abs(first.p[block]).min() > 0.01  # the false photo would have bent the panel
    # Slope noise of the remaining photos, five standard deviations.
    assert np.abs(fit.p[block]).max() < 5 * NOISE * fit.u_p[block].max()
    assert (kept[2][block] == 0).all()
    assert not lost.any()
    rest = np.ones(seen.shape[1:], bool)
    rest[block] = False
    assert np.mean(kept[:, rest] > 0) > 0.999  # sound cells keep all their photos


def test_two_false_photos_of_six() -> None:
    seen, vectors = scene(6)
    seen[1, 10:20, 10:20] *= 0.1
    seen[4, 10:20, 10:20] *= 0.3
    _, fit, kept, lost = cleaned(seen, vectors)
    block = np.s_[10:20, 10:20]
    assert (kept[[1, 4]][:, 10:20, 10:20] == 0).all()
    assert np.abs(fit.q[block]).max() < 5 * NOISE * fit.u_q[block].max()
    assert not lost.any()


def test_four_photos_ask_the_neighbours() -> None:
    """With four photos any three agree; the slopes next to the shadow decide."""
    seen, vectors = scene(4)
    seen[3, 20:30, 20:35] *= 0.05
    _, fit, kept, lost = cleaned(seen, vectors)
    assert (kept[3, 20:30, 20:35] == 0).mean() > 0.99
    assert np.abs(fit.p[20:30, 20:35]).max() < 0.05
    assert not lost.any()


def test_cells_that_no_three_photos_explain_are_lost() -> None:
    seen, vectors = scene(5)
    seen[:, 5:9, 5:9] *= np.array([0.2, 3.0, 0.3, 2.0, 0.5])[:, None, None]
    _, fit, _, lost = cleaned(seen, vectors)
    assert lost[5:9, 5:9].all()
    assert np.isnan(fit.p[5:9, 5:9]).all()
    assert lost.sum() == 16


def test_shadow_of_a_step_is_as_long_as_trigonometry_says() -> None:
    """A step of height h under a lamp at elevation e throws h / tan(e); here the lamp is 20 m away."""
    grid = Grid(np.arange(-100, 101.0), np.arange(-20, 21.0), 1.0)
    height = np.where(grid.x_mm[None, :] > 0, 5.0, 0.0) + np.zeros((41, 1))
    far = 20_000.0
    shadow = cast_shadow(height, grid=grid, lamp_mm=far * np.array([np.cos(0.3), 0.0, np.sin(0.3)]))
    length = np.count_nonzero(shadow[20, : np.flatnonzero(grid.x_mm > 0)[0]])
    # One cell of 1 mm for sampling, and the penumbra's slope of 0.02 in tan(e) = 0.309: 7 % of 16 mm.
    assert length == pytest.approx(5.0 / np.tan(0.3), abs=2.2)
    assert not shadow[:, grid.x_mm > 1].any()
    other = cast_shadow(height, grid=grid, lamp_mm=far * np.array([-np.cos(0.3), 0.0, np.sin(0.3)]))
    assert not other[:, np.abs(grid.x_mm) > 3].any()  # lit from the low side there is none


def test_a_flat_panel_throws_none() -> None:
    grid = Grid(np.arange(-50, 51.0), np.arange(-40, 41.0), 1.0)
    shadow = cast_shadow(np.zeros(grid.shape), grid=grid, lamp_mm=np.array([300.0, 200.0, 100.0]))
    assert not shadow.any()
