"""Shapes of spots: drawn ones, and the closed form that tells a disc from a ring."""

from __future__ import annotations

import math

import numpy as np
import pytest

from surfscan.judge.shape_class import RING_WIDE, is_ring, name_shapes

_Y, _X = np.mgrid[-60:61, -60:61].astype(float)
_R = np.hypot(_X, _Y)
_TURN = np.degrees(np.arctan2(_Y, _X))


def test_the_closed_form_between_disc_and_ring() -> None:
    # Circle through a full disc of radius R by Kasa's way: rho^2 = mean r^2 = R^2 / 2. Mean of (r - rho)^2 is
    # R^2/2 - 2 rho 2R/3 + rho^2, so its root over rho is sqrt(2) sqrt(1 - 2 sqrt(2) / 3) = 0.338.
    disc = math.sqrt(2) * math.sqrt(1 - 2 * math.sqrt(2) / 3)
    assert disc == pytest.approx(0.338, abs=0.0005)
    ring = 0.4 / math.sqrt(12) / 0.8  # inside 0.6 R: as uniform between, about the middle of the band
    assert ring < RING_WIDE < disc


@pytest.mark.parametrize(("inner", "outer"), [(30, 50), (40, 50), (20, 34)])
def test_a_ring_is_a_ring(inner: float, outer: float) -> None:
    assert is_ring((inner <= _R) & (outer >= _R))


@pytest.mark.parametrize(
    "cells",
    [
        _R <= 40,
        np.hypot(_X / 3, _Y) <= 15,
        (np.abs(_Y) <= 1) & (np.abs(_X) <= 50),
        (_R >= 40) & (_R <= 50) & (np.abs(_TURN) < 70),  # a crescent
        (np.abs(_X) <= 30) & (np.abs(_Y) <= 30),
        _R < 2,
        np.zeros_like(_R, bool),
    ],
    ids=["disc", "ellipse", "line", "crescent", "square", "dot", "nothing"],
)
def test_what_is_no_ring(cells: np.ndarray) -> None:
    assert not is_ring(cells)


def test_a_ring_with_a_gap_or_oval_is_still_one() -> None:
    assert is_ring((_R >= 38) & (_R <= 50) & (np.abs(_TURN) < 140))
    oval = np.hypot(_X, _Y / 0.85)
    assert is_ring((oval >= 40) & (oval <= 50))


def test_long_is_over_five_to_one() -> None:
    assert name_shapes(["low"], [124.0], [2.0]) == ("long",)
    assert name_shapes(["low", "high"], [50.0, 50.1], [10.0, 10.0]) == ("dish", "long")
    assert name_shapes(["high"], [120.0], [118.0], [True]) == ("ring",)


def test_many_small_ones_are_one_job_and_large_ones_keep_their_own() -> None:
    kinds = ["low"] * 20 + ["low", "high", "high"]
    lengths, widths = [4.0] * 20 + [70.0, 5.0, 5.0], [3.0] * 20 + [60.0, 5.0, 5.0]
    assert name_shapes(kinds, lengths, widths) == ("many",) * 20 + ("dish",) * 3
    assert name_shapes(["low"] * 4, [4.0] * 4, [4.0] * 4) == ("dish",) * 4
    assert name_shapes([], [], []) == ()
