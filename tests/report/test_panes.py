"""Bare pictures: places go there and back, colours mean what they say, holes are hatched."""

from __future__ import annotations

import numpy as np
import pytest
from report.sample_result import made_result

from surfscan.report.colours import FAIR
from surfscan.report.panes import draw_lesson_map, draw_map_pane, draw_photo_pair
from surfscan.synth.lesson import Dent, Viewing, photograph


def test_places_go_to_the_picture_and_back() -> None:
    result = made_result()
    x, y = result.height.grid.x_mm, result.height.grid.y_mm
    inner = np.array([[x[3], y[4]], [x[-4], y[2]], [0.0, 0.0], [x[5], y[-6]]])
    pair = draw_photo_pair(result)
    assert pair.plain.shape == pair.painted.shape
    # half a pixel of the picture is 0.25 mm here
    assert pair.to_panel(pair.to_picture(inner)) == pytest.approx(inner, abs=0.25)
    assert np.isnan(pair.to_panel(np.array([[-500.0, -500.0]]))).all()
    pane = draw_map_pane(result.height, result.height.height_mm, scale="deviation", low=0.04, high=0.04)
    assert pane.to_panel(pane.to_picture(inner)) == pytest.approx(inner, abs=1e-9)
    # up on the panel is up in the picture
    assert pane.to_picture(np.array([[0.0, 50.0]]))[0, 1] < pane.to_picture(np.array([[0.0, -50.0]]))[0, 1]


def test_a_low_is_blue_a_high_orange_and_fair_grey() -> None:
    result = made_result()
    height = result.height.height_mm
    pane = draw_map_pane(result.height, height, scale="deviation", low=0.04, high=0.04)
    for row, column in (np.unravel_index(f(height), height.shape) for f in (np.nanargmin, np.nanargmax)):
        place = np.array([[result.height.grid.x_mm[column], result.height.grid.y_mm[row]]])
        c, r = np.rint(pane.to_picture(place)[0]).astype(int)
        red, _, blue = (int(v) for v in pane.picture[r, c])
        assert (blue > red) == (height[row, column] < 0)
    assert (np.abs(pane.picture.astype(int) - FAIR).max(-1) < 12).mean() > 0.3


def test_sizes_go_from_light_to_dark_and_holes_are_hatched() -> None:
    result = made_result()
    grid = result.height.grid
    values = np.tile(np.linspace(0, 2, grid.shape[1]), (grid.shape[0], 1))
    values[: grid.shape[0] // 2, : grid.shape[1] // 3] = np.nan
    pane = draw_map_pane(result.height, values, scale="size", end=2.0, lines=False)
    top = pane.picture[pane.picture.shape[0] // 4].mean(-1)  # the upper half has no hole
    assert top[len(top) // 4] > top[len(top) // 2] > top[3 * len(top) // 4]
    hole = pane.picture[-pane.picture.shape[0] // 4 :, : pane.picture.shape[1] // 5].mean(-1)
    assert {70, 235} <= set(np.unique(hole.astype(int)))
    with pytest.raises(ValueError, match="scale"):
        draw_map_pane(result.height, values, scale="rainbow")


def test_a_lessons_map_shows_the_answer() -> None:
    lesson = photograph((Dent(0, 0, -0.3, 100.0),), Viewing())
    plain, crossed = (
        draw_lesson_map(lesson, limit_mm=0.04),
        draw_lesson_map(lesson, limit_mm=0.04, cross_mm=(200, 100)),
    )
    changed = np.argwhere((plain != crossed).any(-1))
    row, column = changed.mean(0)
    assert column / plain.shape[1] == pytest.approx(0.5 + 200 / 644, abs=0.01)
    assert row / plain.shape[0] == pytest.approx(0.5 - 100 / 444, abs=0.01)
