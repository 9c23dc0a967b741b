"""Exercises whose answer is known: high or low, how deep, which way to shoot, what to do, before and after.

Each is a function of the class's number and the panel's, so that everybody with both sees the same. Panels are
made and photographed by `surfscan.synth.lesson`; what to do at a stage comes from the trade's table.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from surfscan.core.trade_names import STAGES, SUBSTRATES
from surfscan.core.units import Units
from surfscan.judge.limits import default_limits
from surfscan.judge.trade import Fault, advice_parts, advise, row_of, size_class
from surfscan.judge.trade_table import Row, rows, words
from surfscan.synth.lesson import SIZE_MM, Dent, Viewing, deepest_low

__all__ = ["KINDS", "WAYS", "Exercise", "Shown", "best_way", "make_exercise", "points_for", "score_depth"]

_BEST = 100
_WITHIN, _NOTHING = 1.2, 2.0
"""Full points within this factor of the depth, none from this factor on."""

WAYS = {"across": "stripes that run up and down", "up": "stripes that run side to side"}
_CLOSED, _STILL, _OVER = "it is closed", "it is still low, but less", "it was built up too high"


@dataclass(frozen=True, slots=True)
class Shown:
    """A panel to show, as its photo or as its map from straight above."""

    title: str
    dents: tuple[Dent, ...]
    viewing: Viewing
    as_map: bool = False
    end_mm: float | None = None  # of the map's colours; its own peak where it is left out


@dataclass(frozen=True, slots=True)
class Exercise:
    """A question with its answer.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    seed, number : int
        Of the class, and of the panel.
    asks : callable
        The question in words, in some units.
    choices : tuple of str
        To choose from; empty where a depth is asked for.
    right : str
        The choice that is right; "" where a depth is.
    size_mm : float
        The depth asked for; NaN where none is.
    tells : callable
        The answer and why, in words, in some units.
    shown, answered : tuple of Shown
        What is shown with the question, and with its answer.
    """

    kind: str
    seed: int
    number: int
    asks: Callable[[Units], str]
    choices: tuple[str, ...]
    right: str
    size_mm: float
    tells: Callable[[Units], str]
    shown: tuple[Shown, ...] = ()
    answered: tuple[Shown, ...] = ()


def make_exercise(kind: str, seed: int, number: int) -> Exercise:
    """Make one exercise.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    seed : int
        Of the class; the same seed gives the same exercises.
    number : int
        Which, from 1.

    Raises
    ------
    ValueError
        For another kind, or a number under 1.
    """
    if kind not in KINDS:
        raise ValueError(f"kind is one of {', '.join(KINDS)}; found {kind!r}")
    if number < 1:
        raise ValueError("exercises are numbered from 1")
    rng = np.random.default_rng([abs(int(seed)), number, 1 + list(KINDS).index(kind)])
    return _MAKE[kind](int(seed), number, rng)


def points_for(exercise: Exercise, answer: str | float) -> int:
    """Points for an answer, 0 to 100: a choice is right or not, a depth is scored by `score_depth` (mm)."""
    if exercise.choices:
        return _BEST if answer == exercise.right else 0
    return score_depth(exercise.size_mm, float(answer))


def score_depth(truth_mm: float, guess_mm: float) -> int:
    """Points for a guessed depth: 100 within a factor of 1.2, falling with the factor's logarithm to 0 at 2.

    Parameters
    ----------
    truth_mm : float
        Over 0.
    guess_mm : float
        0 points where it is not over 0.
    """
    if not (math.isfinite(guess_mm) and guess_mm > 0):
        return 0
    off = abs(math.log(guess_mm / truth_mm))
    share = (math.log(_NOTHING) - off) / (math.log(_NOTHING) - math.log(_WITHIN))
    return round(_BEST * min(1.0, max(0.0, share)))


def best_way(dent: Dent) -> str:
    """Along which way the board must change to show an oval fault best, "across" or "up".

    Its slopes lie across its narrow side: their mean squares go as the inverse squares of its two sizes.
    """
    return "across" if dent.width_mm <= (dent.tall_mm or dent.width_mm) else "up"


def _place(rng: np.random.Generator, margin_mm: float = 110.0) -> tuple[float, float]:
    x, y = (float(rng.uniform(-1, 1) * (size / 2 - margin_mm)) for size in SIZE_MM)
    return x, y


def _viewing(rng: np.random.Generator) -> Viewing:
    varies = str(rng.choice(list(WAYS)))
    return Viewing(varies=varies, distance_mm=float(rng.uniform(600, 1000)), period_mm=30.0)


def _dent(rng: np.random.Generator, viewing: Viewing, sign: int) -> Dent:
    """A round fault well within what can be read from there."""
    width = float(rng.uniform(90, 180))
    return Dent(*_place(rng), sign * float(rng.uniform(0.3, 0.65)) * deepest_low(width, viewing), width)


def _high_or_low(seed: int, number: int, rng: np.random.Generator) -> Exercise:
    viewing = _viewing(rng)
    right = str(rng.choice(["low", "high"]))
    dent = _dent(rng, viewing, -1 if right == "low" else 1)

    def tells(units: Units) -> str:
        size = units.depth(abs(dent.peak_mm))
        told = f"A {right}, {size} {'deep' if right == 'low' else 'tall'} and {units.length(dent.width_mm)} wide."
        return f"{told} In a low's middle the stripes stand wider apart, in a high's closer together."

    return Exercise(
        "high-or-low", seed, number, lambda _: "One fault is hidden here. Is it a high or a low?",
        ("low", "high"), right, math.nan, tells,
        (Shown("The panel", (dent,), viewing),), (Shown("The panel from above", (dent,), viewing, as_map=True),),
    )  # fmt: skip


def _how_deep(seed: int, number: int, rng: np.random.Generator) -> Exercise:
    viewing = _viewing(rng)
    dent = _dent(rng, viewing, -1)

    def asks(units: Units) -> str:
        wide, far = units.length(dent.width_mm), units.length(viewing.distance_mm)
        return f"The low is {wide} wide, and the board {far} away. How deep is it?"

    def tells(units: Units) -> str:
        lean = 1000 * 16 / (3 * math.sqrt(3)) * abs(dent.peak_mm) / dent.width_mm
        return f"{units.depth(abs(dent.peak_mm))} deep. Its steepest place leans {lean:.1f} mm in a metre."

    return Exercise(
        "how-deep", seed, number, asks, (), "", abs(dent.peak_mm), tells,
        (Shown("The panel", (dent,), viewing),), (Shown("The panel from above", (dent,), viewing, as_map=True),),
    )  # fmt: skip


def _which_way(seed: int, number: int, rng: np.random.Generator) -> Exercise:
    narrow = float(rng.uniform(45, 60))
    long = float(rng.uniform(4, 4.8)) * narrow
    upright = bool(rng.random() < 0.5)
    far = float(rng.uniform(600, 1000))
    peak = -0.7 * deepest_low(narrow, Viewing(distance_mm=far))
    width, tall = (narrow, long) if upright else (long, narrow)
    dent = Dent(*_place(rng, 165.0), peak, width, tall)
    right = WAYS[best_way(dent)]
    lies = "up the panel" if upright else "along the panel"

    def asks(units: Units) -> str:
        size = f"{units.length(long)} long and {units.length(narrow)} wide"
        return f"A run lies {lies}, {size}. You have one photo: which stripes show it best?"

    def tells(_: Units) -> str:
        return (
            f"With {right}: along the run. "
            "A long fault leans across itself, and stripes show what leans across them."
        )

    views = [Viewing(varies=way, distance_mm=far, period_mm=20.0) for way in WAYS]
    return Exercise(
        "which-way", seed, number, asks, tuple(WAYS.values()), right, math.nan, tells,
        (Shown("The panel from above", (dent,), views[0], as_map=True),),
        tuple(Shown(f"With {WAYS[view.varies]}", (dent,), view) for view in views),
    )  # fmt: skip


def _what_next(seed: int, number: int, rng: np.random.Generator) -> Exercise:
    fault, row = _case(rng)
    steps = _steps_by_work()
    others = sorted(
        {
            one.work
            for one in rows().values()
            if fault.kind in one.kinds and _is_wrong(one.work, row.work, steps)
        }
    )
    choices = [row.work, *(str(word) for word in rng.choice(others, 3, replace=False))]
    choices = [choices[k] for k in rng.permutation(len(choices))]
    limits = default_limits(fault.stage)
    limit = limits.low_mm if fault.kind == "low" else limits.high_mm
    of = "an unknown material" if fault.substrate == SUBSTRATES[-1] else fault.substrate

    def asks(units: Units) -> str:
        size = f"{units.depth(abs(fault.peak_mm))} {'deep' if fault.kind == 'low' else 'proud'}"
        wide = units.length(fault.width_mm)
        film = "" if fault.film_mm is None else f" All the paint together is {units.depth(fault.film_mm)}."
        return (
            f"Stage: {words('names')[fault.stage]}, on {of}. A round {fault.kind}, {size} and {wide} wide; "
            f"the limit is {units.depth(limit)}.{film} What do you do?"
        )

    def tells(units: Units) -> str:
        said = advice_parts(advise(fault, limits), units).values()
        return " ".join([f"{row.work[0].upper()}{row.work[1:]}.", *said])

    return Exercise(
        "what-next", seed, number, asks, tuple(choices), row.work, math.nan,
        tells,
    )  # fmt: skip


def _case(rng: np.random.Generator) -> tuple[Fault, Row]:
    """A fault over its limit whose interval leaves no doubt about its row."""
    while True:
        stage, kind = str(rng.choice(STAGES)), str(rng.choice(["low", "high"]))
        limits = default_limits(stage)
        limit = limits.low_mm if kind == "low" else limits.high_mm
        most = 1.5 * limits.filler_depth_mm if kind == "low" else 20 * limit
        size = round(float(np.exp(rng.uniform(math.log(1.5 * limit), math.log(most)))), 3)
        width = round(float(rng.uniform(40, 160)))
        film = round(float(rng.uniform(0.09, 0.16)), 3) if stage in ("base", "clear") else None
        peak = -size if kind == "low" else size
        made_of = str(rng.choice(SUBSTRATES))
        fault = Fault(stage, kind, peak, 0.02 * size, width, width, substrate=made_of, film_mm=film)
        if size_class(fault, limits)[1]:
            return fault, row_of(fault, limits)


def _steps_by_work() -> dict[str, set[str]]:
    """Every step that goes with a row's work, over all rows that name it so."""
    steps: dict[str, set[str]] = {}
    for row in rows().values():
        steps.setdefault(row.work, set()).update({row.step, row.ahead, row.after} - {""})
    return steps


def _is_wrong(work: str, right: str, steps: dict[str, set[str]]) -> bool:
    """Whether a work is wrong where another is right: none of its steps is one of that one's, or to look close."""
    return not (steps[right] | {"look"}) & steps[work]


def _before_after(seed: int, number: int, rng: np.random.Generator) -> Exercise:
    viewing = _viewing(rng)
    before = _dent(rng, viewing, -1)
    share, right = ((0.0, _CLOSED), (0.4, _STILL), (-0.5, _OVER))[int(rng.integers(3))]
    after = Dent(before.x_mm, before.y_mm, share * before.peak_mm, before.width_mm)

    def tells(units: Units) -> str:
        was, now = (units.depth(abs(one.peak_mm)) for one in (before, after))
        kind = "deep" if share > 0 else "proud"
        ends = "and is closed" if not share else f"and is {now} {kind} now"
        return f"The low was {was} deep, {ends}: {right}."

    pair = (("Before", (before,)), ("After", (after,) if share else ()))
    return Exercise(
        "before-after", seed, number, lambda _: "The low was filled and blocked. What became of it?",
        (_CLOSED, _STILL, _OVER), right, math.nan, tells,
        tuple(Shown(title, dents, viewing) for title, dents in pair),
        tuple(Shown(f"{title}, from above", dents, viewing, True, abs(before.peak_mm)) for title, dents in pair),
    )  # fmt: skip


KINDS = {
    "high-or-low": "High or low",
    "how-deep": "How deep",
    "which-way": "Which way to shoot",
    "what-next": "What do you do",
    "before-after": "Before and after",
}
"""Every kind of exercise with its title."""

_MAKE: dict[str, Callable[[int, int, np.random.Generator], Exercise]] = {
    "high-or-low": _high_or_low,
    "how-deep": _how_deep,
    "which-way": _which_way,
    "what-next": _what_next,
    "before-after": _before_after,
}
