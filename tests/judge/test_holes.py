"""Holes that could hide a spot: discs of known width, and what nobody asked to be judged."""

from __future__ import annotations

import numpy as np

from surfscan.core.flags import bit
from surfscan.core.records import Grid, HeightMap
from surfscan.judge.holes import find_holes


def test_a_disc_is_found_with_its_width_place_and_reason() -> None:
    x, y = np.arange(-100.0, 101, 2), np.arange(-80.0, 81, 2)
    xx, yy = np.meshgrid(x, y)
    height, flags = np.zeros(xx.shape), np.zeros(xx.shape, np.int32)
    for cx, cy, r, name in ((30, 20, 20, "weak_stripes"), (-50, 0, 6, "fold"), (-50, 50, 25, "tag")):
        disc = np.hypot(xx - cx, yy - cy) <= r
        height[disc], flags[disc] = np.nan, bit(name)
    made = HeightMap(
        Grid(x, y, 2.0), height, np.zeros_like(height), np.where(np.isnan(height), np.nan, 1e-3), flags, ""
    )
    (hole,) = find_holes(made, least_mm=25.0)
    assert np.hypot(hole.x_mm - 30, hole.y_mm - 20) <= 3
    assert abs(hole.width_mm - 40) <= 3  # two cells of 2 mm, less half a one each side
    assert abs(hole.area_cm2 - np.pi * 4) < 0.3
    assert hole.flag == "weak_stripes"
    assert [h.flag for h in find_holes(made, least_mm=5.0)] == ["weak_stripes", "fold"]
