"""Exercises: the known answer is the one that light, arithmetic and the trade's table give."""

from __future__ import annotations

import math

import numpy as np
import pytest

from surfscan.core.units import INCH, MM
from surfscan.judge.trade_table import rows
from surfscan.synth.lesson import Dent, Viewing, deepest_low, photograph
from surfscan.synth.panels import Dish
from surfscan.teach.exercises import KINDS, WAYS, Exercise, best_way, make_exercise, points_for, score_depth


def every(kind: str, count: int = 40) -> list[Exercise]:
    return [make_exercise(kind, seed, number) for seed in (0, 7) for number in range(1, count // 2 + 1)]


@pytest.mark.parametrize("kind", KINDS)
def test_a_class_gets_one_exercise_and_every_choice_is_right_some_time(kind: str) -> None:
    told = every(kind)
    again = make_exercise(kind, 7, 3)
    same = make_exercise(kind, 7, 3)
    assert again.asks(MM) == same.asks(MM)
    assert again.tells(MM) == same.tells(MM)
    assert (again.choices, again.right) == (same.choices, same.right)
    for one in told:
        assert " mm" not in one.asks(INCH) + one.tells(INCH).replace("mm in a metre", "")
        if one.choices:
            assert len(set(one.choices)) == len(one.choices) >= 2
            assert [points_for(one, choice) for choice in one.choices].count(100) == 1
            assert points_for(one, one.right) == 100
        else:
            assert points_for(one, one.size_mm) == 100
    if kind not in ("how-deep", "what-next"):
        assert {one.right for one in told} == set(told[0].choices)


def test_points_for_a_depth_fall_with_the_factor() -> None:
    assert score_depth(0.3, 0.3 * 1.199) == score_depth(0.3, 0.3 / 1.199) == 100
    halfway = math.sqrt(1.2 * 2.0)  # half way on a logarithmic scale
    assert score_depth(0.3, 0.3 * halfway) == score_depth(0.3, 0.3 / halfway) == 50
    assert score_depth(0.3, 0.6) == score_depth(0.3, 0.15) == 0
    assert [score_depth(0.3, bad) for bad in (0.0, -0.3, math.nan, math.inf)] == [0, 0, 0, 0]


@pytest.mark.parametrize("sign", [-1, 1])
def test_stripes_stand_wider_in_a_low_and_closer_in_a_high(sign: int) -> None:
    """What "high or low" tells, held against the rendered photo: crossings of the mean in the fault's middle."""
    viewing = Viewing(distance_mm=700, period_mm=12.0)
    dent = Dent(0, 0, sign * 0.6 * deepest_low(180, viewing), 180.0)

    def crossings(dents: tuple[Dent, ...]) -> int:
        lesson = photograph(dents, viewing, width_px=900)
        row = lesson.photo[lesson.photo.shape[0] // 2].astype(float)
        near = np.abs(lesson.to_panel[lesson.photo.shape[0] // 2, :, 0]) < 45  # half its width: bent one way
        bright = row[near] > row[near].mean()
        return int(np.count_nonzero(np.diff(bright)))

    bent, plain = crossings((dent,)), crossings(())
    assert bent < 0.85 * plain if sign < 0 else bent > 1.15 * plain


def test_the_better_way_has_the_greater_slopes() -> None:
    """Root mean squares of an oval's slopes are as its sizes, inverse: by numbers, from the shape's own slopes."""
    for one in every("which-way", 10):
        (dent,) = one.shown[0].dents
        shape = Dish(dent.x_mm, dent.y_mm, dent.peak_mm, dent.width_mm, dent.tall_mm)
        x, y = (
            np.linspace(-150, 150, 401) + dent.x_mm,
            np.linspace(-150, 150, 401)[:, None] + dent.y_mm,
        )
        p, q = (np.sqrt(np.mean(s**2)) for s in shape.slopes(x, y))
        assert dent.tall_mm is not None
        assert p / q == pytest.approx(dent.tall_mm / dent.width_mm, rel=0.02)
        assert one.right == WAYS["across" if p > q else "up"] == WAYS[best_way(dent)]


def test_the_right_stripes_show_a_run_better_than_the_wrong_ones() -> None:
    one = make_exercise("which-way", 7, 1)

    def changed(view: Viewing, dents: tuple[Dent, ...]) -> float:
        photo, plain = (photograph(d, view).photo.astype(float) for d in (dents, ()))
        return float(np.sqrt(np.mean((photo - plain) ** 2)))

    shown = {WAYS[s.viewing.varies]: changed(s.viewing, s.dents) for s in one.answered}
    assert max(shown, key=lambda way: shown[way]) == one.right


def test_nothing_made_folds_over() -> None:
    for kind in ("high-or-low", "how-deep", "before-after", "which-way"):
        for one in every(kind, 20):
            for shown in one.shown:
                for dent in shown.dents:
                    assert dent.peak_mm > -deepest_low(dent.narrow_mm, shown.viewing)


def test_what_to_do_is_the_tables_and_no_other_choice_is() -> None:
    works = {row.work: row for row in rows().values()}
    stages = set()
    for one in every("what-next", 120):
        assert one.right in works
        assert one.tells(MM).lower().startswith(one.right.lower())
        right = {row.step for row in rows().values() if row.work == one.right}
        for choice in set(one.choices) - {one.right}:
            assert not right & {row.step for row in rows().values() if row.work == choice}
        stages.add(one.asks(MM).split(",")[0])
    assert len(stages) == 7  # every stage comes up


def test_what_became_of_it_is_what_its_peaks_say() -> None:
    for one in every("before-after"):
        before, after = one.shown[0].dents, one.shown[1].dents
        assert before[0].peak_mm < 0
        now = after[0].peak_mm if after else 0.0
        expected = "closed" if now == 0 else "less" if now < 0 else "too high"
        assert expected in one.right


def test_unknown_kinds_and_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="kind is one of"):
        make_exercise("guess", 1, 1)
    with pytest.raises(ValueError, match="from 1"):
        make_exercise("how-deep", 1, 0)
