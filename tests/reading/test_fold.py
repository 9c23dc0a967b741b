"""Folded and doubtful places from what drawn stripes leave unexplained, on made-up rounds."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.records import Array
from surfscan.optics.field import make_grid
from surfscan.optics.mirror import Hit
from surfscan.phase.lockin import LockIn
from surfscan.reading.fold import find_folds
from surfscan.reading.follow import Round

GRID = make_grid((400.0, 300.0), 2.0)
X, Y = np.meshgrid(GRID.x_mm, GRID.y_mm)
SPACING = 30.0
ALL = np.ones(GRID.shape, bool)


def round_of(wanted_mm: Array, unlike: Array | None) -> Round:
    zero = np.zeros(GRID.shape)
    return Round(
        hit=Hit(zero, zero, (zero, zero), (zero, zero)),
        lock=LockIn(zero, zero + 0.2, zero + 0.4, zero + 1),
        state=np.zeros(GRID.shape, np.int32),
        wanted_mm=wanted_mm,
        good=ALL,
        offset_rad=0.0,
        change_rad=0.0,
        peak_rad=0.0,
        spacing_mm=SPACING,
        grain=0.001,
        telling=None,
        unlike=unlike,
    )


def doubt(x: float, y: float, radius: float, size: float = 1.2) -> Array:
    return np.where(np.hypot(X - x, Y - y) < radius, size, 0.05)


def plain(unlike: Array | None) -> list[Round]:
    return [round_of(2 * X, unlike), round_of(2 * Y, unlike)]


def test_photos_that_the_drawn_stripes_explain_have_no_folds() -> None:
    for unlike in (None, np.full(GRID.shape, 0.1), np.full(GRID.shape, 0.3)):
        folded, odd = find_folds(plain(unlike), ALL, grid=GRID)
        assert not folded.any()
        assert not odd.any()


def test_an_unexplained_place_that_keeps_its_image_is_odd_not_folded() -> None:
    folded, odd = find_folds(plain(doubt(50, -30, 20)), ALL, grid=GRID)
    assert not folded.any()
    assert odd[np.hypot(X - 50, Y + 30) < 20].all()
    # Grown by most of a stripe period, no further: 0.7 of 30 mm, to a cell and the closing's rounding.
    assert not odd[np.hypot(X - 50, Y + 30) > 20 + 0.7 * SPACING + 3 * GRID.step_mm].any()


def test_an_image_that_turns_over_is_a_fold() -> None:
    """Board place of a hollow past its fold-over: d(board)/d(panel) changes sign inside (closed form)."""
    r2 = (X + 60) ** 2 + Y**2
    wanted = 2 * X - 3.2 * (X + 60) * np.exp(-r2 / (2 * 25.0**2))  # slope 2 - 3.2 in the middle
    unlike = doubt(-60, 0, 30)
    folded, odd = find_folds([round_of(wanted, unlike), round_of(2 * Y, unlike)], ALL, grid=GRID)
    assert folded[np.hypot(X + 60, Y) < 30].all()
    assert not odd.any()
    assert folded.mean() < np.pi * (30 + 0.7 * SPACING + 3 * GRID.step_mm) ** 2 / (400 * 300)


def test_a_ring_of_doubt_is_filled() -> None:
    r = np.hypot(X, Y)
    unlike = np.where((r > 35) & (r < 45), 1.2, 0.05)
    _, odd = find_folds(plain(unlike), ALL, grid=GRID)
    assert odd[r < 45].all()


def test_specks_and_what_was_not_measured_do_not_count() -> None:
    folded, odd = find_folds(plain(doubt(0, 0, 2.5)), ALL, grid=GRID)
    assert not (folded | odd).any()
    folded, odd = find_folds(plain(doubt(0, 0, 30)), np.hypot(X, Y) > 60, grid=GRID)
    assert not (folded | odd).any()
    folded, odd = find_folds(plain(doubt(0, 0, 30)), ~ALL, grid=GRID)
    assert not (folded | odd).any()


@pytest.mark.parametrize("usual", [0.05, 0.2])
def test_a_noisy_photo_needs_more_to_be_doubted(usual: float) -> None:
    """The bar is 0.45 of the variance, or four times what is usual on the photo when that is more."""
    unlike = np.where(np.hypot(X, Y) < 30, 0.6, usual)
    _, odd = find_folds(plain(unlike), ALL, grid=GRID)
    assert odd.any() == (4 * usual < 0.6)


@pytest.mark.parametrize(
    ("light", "stripes", "is_fold"), [(0.4, 0.2, True), (1.0, 0.02, False), (0.2, 0.02, False)]
)
def test_a_place_with_a_brightness_of_its_own_is_a_sticker_or_dust_not_a_fold(
    light: float, stripes: float, is_fold: bool
) -> None:
    """Its rim tears the image as a fold does; what mirrors the board is as bright as the board on the mean."""
    core, rim = np.hypot(X, Y) < 30, np.hypot(X, Y) < 45
    turned = [2 * np.where(rim & ~core, -X, X), 2 * Y]
    rounds = [round_of(wanted, np.where(rim, 1.2, 0.05)) for wanted in turned]
    for photo in rounds:
        photo.lock.amplitude[core] = stripes * 0.5
        photo.lock.level[core] = light
    folded, odd = find_folds(rounds, ~core, grid=GRID)
    assert (folded if is_fold else odd)[rim].all()
    assert not (odd if is_fold else folded).any()
