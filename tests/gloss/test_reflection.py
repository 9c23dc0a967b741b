"""Mirrored stripes: straight for a flat panel, moved by a tilt as the law of reflection says."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.records import Grid, HeightMap
from surfscan.gloss.mirrored import reflected_stripes


def made(height: np.ndarray, form: np.ndarray | None = None, step: float = 2.0) -> HeightMap:
    x, y = ((np.arange(n) - (n - 1) / 2) * step for n in height.shape[::-1])
    form = np.zeros_like(height) if form is None else form
    return HeightMap(Grid(x, y, step), height, form, np.zeros_like(height), np.zeros(height.shape, np.int32))


def test_a_flat_panel_shows_the_stripes_as_a_mirror_does() -> None:
    """A flat mirror shows what the eye's own image behind the panel would see through it."""
    flat = made(np.zeros((61, 81)))
    seen = reflected_stripes(flat, varies="across", distance_mm=900, elevation_deg=40, period_mm=50)
    e = np.deg2rad(40)
    wall, normal = 900 * np.array([0, np.cos(e), np.sin(e)]), np.array([0, -np.cos(e), -np.sin(e)])
    eye = wall * [1, -1, -1]  # mirrored at z = 0
    x, y = np.meshgrid(flat.grid.x_mm, flat.grid.y_mm)
    point = np.stack([x, y, np.zeros_like(x)], -1)
    ray = point - eye
    t = ((wall - point) @ normal) / (ray @ normal)
    a = (point + t[..., None] * ray)[..., 0]
    assert seen == pytest.approx(0.5 + 0.5 * np.cos(2 * np.pi * a / 50), abs=1e-6)


def test_a_tilt_moves_the_stripes_by_twice_itself() -> None:
    """At the middle a lean of p about y turns the mirrored ray by 2 p sin(e) sideways, e the eye's elevation.

    Law of reflection by hand: d = (0, cos e, -sin e), n = (-p, 0, 1), d - 2 (d.n) n = (-2 p sin e, cos e, sin e).
    """
    x = (np.arange(81) - 40) * 2.0
    lean = 1e-3
    tilted = made(np.tile(lean * x, (61, 1)))
    seen = reflected_stripes(tilted, varies="across", distance_mm=1000, elevation_deg=30, period_mm=20)
    assert seen[30, 40] == pytest.approx(0.5 + 0.5 * np.cos(2 * np.pi * 1 / 20), abs=1e-5)


def test_the_crown_can_be_left_out_and_holes_stay_holes() -> None:
    height = np.zeros((41, 51))
    height[10:14, 20:24] = np.nan
    x = (np.arange(51) - 25) * 2.0
    crown = made(height, np.tile(-(x**2) / 4000, (41, 1)))
    with_crown, without = (reflected_stripes(crown, without_crown=w) for w in (False, True))
    assert np.isnan(without[11, 21])
    assert np.nanmax(np.abs(with_crown - without)) > 0.2
    assert without[20:, :] == pytest.approx(reflected_stripes(made(np.zeros((41, 51))))[20:, :])


@pytest.mark.parametrize(
    "wrong", [{"varies": "along"}, {"distance_mm": 0}, {"period_mm": -1}, {"elevation_deg": 91}]
)
def test_what_makes_no_view_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"varies|away|period|degrees"):
        reflected_stripes(made(np.zeros((5, 5))), **wrong)  # type: ignore[arg-type]
