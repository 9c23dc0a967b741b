"""An exercise on the page: its question, an answer, and what was right."""

from __future__ import annotations

from functools import partial

import streamlit as st

from surfscan.core.units import units_named
from surfscan.report.panes import draw_lesson_map
from surfscan.synth.lesson import photograph
from surfscan.teach.exercises import Exercise, Shown, make_exercise, points_for
from surfscan.ui import running, session
from surfscan.ui.parts import progress
from surfscan.ui.parts.lengths import ask_length

__all__ = ["show_exercise"]

_LIMIT_MM = 0.04  # where the map's colours step: the primer limit


def show_exercise(kind: str, seed: int) -> None:
    """The next exercise of a kind that the class has not answered yet, or the answer to the last one."""
    kept: dict[int, tuple[str | float, int]] = st.session_state.setdefault(f"class-{kind}-{seed}", {})
    showing = st.session_state.get(f"showing-{kind}") and kept
    number = len(kept) if showing else 1 + len(kept)
    exercise = make_exercise(kind, seed, number)
    total = sum(points for _, points in kept.values())
    st.markdown(f"**Panel {number}** · {total} of {100 * len(kept)} points so far")
    st.markdown(f"**{exercise.asks(units_named(session.units()))}**")
    _pictures(exercise, exercise.shown, number in kept)
    if number in kept:
        _answered(exercise, *kept[number])
        return
    answer = _ask(exercise)
    if answer is not None:
        points = points_for(exercise, answer)
        kept[number] = (answer, points)
        st.session_state[f"showing-{kind}"] = True
        progress.keep(kind, seed, number, points)
        st.rerun()


def _ask(exercise: Exercise) -> str | float | None:
    """The answer, once it is given."""
    key = f"x-{exercise.kind}-{exercise.seed}-{exercise.number}"
    if not exercise.choices:
        guess = ask_length("Your guess", 0.0, f"{key}-guess", most=10.0, fine=True)
        return guess if st.button("That deep", key=f"{key}-go", type="primary", disabled=guess <= 0) else None
    for k, choice in enumerate(exercise.choices):
        if st.button(f"{choice[0].upper()}{choice[1:]}", key=f"{key}-{k}", width="stretch"):
            return choice
    return None


def _answered(exercise: Exercise, answer: str | float, points: int) -> None:
    units = units_named(session.units())
    said = answer if isinstance(answer, str) else units.depth(answer)
    st.markdown(f"**{points} points.** You said: {said}. {exercise.tells(units)}")
    _pictures(exercise, exercise.answered, True)
    st.button(
        "Next",
        key=f"x-next-{exercise.kind}",
        type="primary",
        on_click=_next,
        args=(exercise.kind,),
        width="stretch",
    )


def _next(kind: str) -> None:
    st.session_state[f"showing-{kind}"] = False


def _pictures(exercise: Exercise, shown: tuple[Shown, ...], told: bool) -> None:
    if not shown:
        return
    key = f"exercise-{exercise.kind}-{exercise.seed}-{exercise.number}"
    columns = st.columns(max(len(shown), 2))
    for k, (column, one) in enumerate(zip(columns, shown, strict=False)):
        lesson = running.cached_object(
            f"{key}-{one.dents}-{one.viewing}", partial(photograph, one.dents, one.viewing)
        )
        picture = (
            draw_lesson_map(lesson, limit_mm=_LIMIT_MM, end_mm=one.end_mm) if one.as_map else lesson.photo
        )
        what = "Height map" if one.as_map else "Stripes mirrored in the panel"
        with column:
            st.image(
                picture,
                caption=one.title,
                width="stretch",
                alt=f"{what} {k + 1}{', answered' if told else ''}",
            )
