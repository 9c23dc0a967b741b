"""Lessons: the right place, the right optics, the same for everybody."""

from __future__ import annotations

import math

import numpy as np
import pytest

from surfscan.optics.mirror import fold_curvature
from surfscan.synth.lesson import SIZE_MM, Dent, Viewing, find_the_low, photograph, score_answer


def test_the_map_is_the_made_shape_and_the_photo_shows_it_in_its_place() -> None:
    dent = Dent(-120.0, 60.0, -0.3, 100.0)
    lesson = photograph((dent,), Viewing(crown_m=4.0))
    row, column = np.argmin(np.abs(lesson.y_mm - 60)), np.argmin(np.abs(lesson.x_mm + 120))
    assert lesson.deviation_mm.min() == lesson.deviation_mm[row, column] == pytest.approx(-0.3)
    # the pixel where the dent is projected looks at the dent
    c, r = lesson.places_px[0]
    assert lesson.to_panel[round(r), round(c)] == pytest.approx([-120, 60], abs=2)
    # and only there the stripes differ from those of a panel without it: the camera's noise is the seed's
    plain = photograph((), Viewing(crown_m=4.0))
    changed = np.abs(lesson.photo.astype(int) - plain.photo.astype(int)) > 60
    rows, columns = np.nonzero(changed)
    assert rows.size > 20
    # within the dent's rim: half its width, and a pixel
    off = np.hypot(*(lesson.to_panel[rows, columns] - [-120, 60]).T)
    assert np.nanmax(off) < 50 + 3


def test_it_folds_where_the_measurement_would() -> None:
    """(1 - r^2)^2 has the curvature 16 depth / width^2 in its middle; Coddington's equations say what folds."""
    eye, far, incidence = 900.0, 1000.0, math.radians(40)
    least = min(fold_curvature(eye, far, incidence_rad=incidence))
    deepest = least * 100**2 / 16
    for depth, folds in ((0.98 * deepest, False), (1.02 * deepest, True)):
        lesson = photograph((Dent(0, 0, -depth, 100.0),), Viewing(distance_mm=far))
        assert lesson.folds is folds
        assert lesson.deepest_mm == pytest.approx(deepest, rel=1e-9)
    assert not photograph((Dent(0, 0, deepest * 3, 100.0),), Viewing()).folds  # a high never does
    near = photograph((Dent(0, 0, -0.3, 100.0),), Viewing(distance_mm=400))
    assert near.deepest_mm > deepest  # the board closer reads deeper


def test_gloss_makes_the_stripes_stand_out() -> None:
    spread = [np.std(photograph((), Viewing(haze=h)).photo[180:300, 180:380]) for h in (0.0, 0.5, 1.0)]
    assert spread[0] > spread[1] > spread[2]


@pytest.mark.parametrize("seed", [0, 1, 77, 999_999])
def test_an_exercise_has_one_low_apart_from_its_highs(seed: int) -> None:
    for number in range(1, 13):
        task = find_the_low(seed, number)
        assert task == find_the_low(seed, number)
        assert task.low.peak_mm < 0
        assert all(dent.peak_mm > 0 for dent in task.others)
        for dent in (task.low, *task.others):
            assert abs(dent.x_mm) <= SIZE_MM[0] / 2 - 60
            assert abs(dent.y_mm) <= SIZE_MM[1] / 2 - 60
        for dent in task.others:
            assert math.hypot(dent.x_mm - task.low.x_mm, dent.y_mm - task.low.y_mm) > 150
            assert score_answer(task, dent.x_mm, dent.y_mm) == 0
    assert find_the_low(seed, 1) != find_the_low(seed + 1, 1)
    assert abs(find_the_low(seed, 12).low.peak_mm) < 0.15  # later ones are shallow


def test_points_fall_from_the_middle_outwards() -> None:
    task = find_the_low(3, 1)
    x, y, width = task.low.x_mm, task.low.y_mm, task.low.width_mm
    assert score_answer(task, x, y) == 100
    assert score_answer(task, x + 0.249 * width, y) == 100
    assert score_answer(task, x, y - 0.625 * width) == 50
    assert score_answer(task, x + width, y) == 0
    assert score_answer(task, math.nan, 0) == 0
    with pytest.raises(ValueError, match="from 1"):
        find_the_low(1, 0)


@pytest.mark.parametrize("wrong", [{"varies": "x"}, {"distance_mm": 5}, {"haze": 2}, {"crown_m": 0.2}])
def test_what_makes_no_scene_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"varies|distance|radius"):
        photograph((), Viewing(**wrong))  # type: ignore[arg-type]
