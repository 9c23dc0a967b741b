"""Teach: cause beside effect, and an exercise that a whole class can do."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import streamlit as st

from surfscan.core.units import units_named
from surfscan.report.panes import draw_lesson_map
from surfscan.synth.lesson import SIZE_MM as LESSON_SIZE_MM
from surfscan.synth.lesson import Dent, Viewing, find_the_low, photograph, score_answer
from surfscan.teach.exercises import KINDS
from surfscan.teach.worksheet import make_worksheet
from surfscan.ui import looks, running, session
from surfscan.ui.parts.exercises import show_exercise
from surfscan.ui.parts.lengths import ask_length, unit_word
from surfscan.ui.parts.progress import ask_progress, keep
from surfscan.ui.picture import show_picture
from surfscan.ui.views.papers import Once

__all__ = ["show"]

_DENT, _FIND = "A dent and its stripes", "Find the low"
_SEED, _ANSWERS = "class", "class-answers"
_LOW_MM = 0.04  # where the map's colours step: the primer limit


def show() -> None:
    """The simulator or an exercise."""
    st.title("Teach")
    kinds = {title: kind for kind, title in KINDS.items()}
    what = st.segmented_control(
        "Lesson", [_DENT, _FIND, *kinds], default=_DENT, key=session.kept("lesson"), required=True, wrap=True
    )
    if what not in kinds and what != _FIND:
        _simulator()
        return
    label = "Number of the class: everybody with this number sees the same panels"
    seed = int(st.number_input(label, 0, 999_999, 1, 1, key=session.kept(_SEED)))
    if what == _FIND:
        _exercise(seed)
    else:
        show_exercise(kinds[str(what)], seed)
    ask_progress()
    _worksheet(seed)


def _worksheet(seed: int) -> None:
    """The same panels on paper, for a class without phones."""
    with st.expander("A worksheet on paper"):
        left, right = st.columns(2)
        number = int(left.number_input("Panel", 1, 999_999, 1, 1, key=session.kept("sheet-panel")))
        paper = right.segmented_control(
            "Paper", ["a4", "letter"], default="a4", key=session.kept("sheet-paper"), required=True
        )
        units = units_named(session.units())
        made = Once(lambda: make_worksheet(seed, number, units=units, paper=paper or "a4"))
        for column, (name, label) in zip(
            (left, right), (("worksheet.pdf", "Worksheet"), ("answers.pdf", "Answer sheet")), strict=True
        ):
            column.download_button(
                f"{label} (PDF)", partial(_one_of, made, name), f"class-{seed}-panel-{number}-{name}",
                "application/pdf", key=f"save-{name}", on_click="ignore", width="stretch",
            )  # fmt: skip


def _simulator() -> None:
    # First on a phone, beside the sliders on a desk: what a slider does must be seen while it moves.
    pictures, controls = st.columns([7, 3])
    with controls:
        dent, viewing = _fault(), _view()
    lesson = running.cached_object(f"lesson-{dent}-{viewing}", lambda: photograph((dent,), viewing))
    with pictures:
        photo, panel_map = st.columns(2)
        with photo:
            st.image(
                lesson.photo,
                caption="What the camera sees",
                width="stretch",
                alt="Stripes mirrored in the panel",
            )
        with panel_map:
            st.image(
                draw_lesson_map(lesson, limit_mm=_LOW_MM), width="stretch",
                caption="The height map, from straight above", alt="Height map of the made fault",
            )  # fmt: skip
        looks.legend("deviation", looks.depth(_LOW_MM), looks.depth(_LOW_MM))
    _explain(dent, lesson)


def _fault() -> Dent:
    """The made fault, as its controls stand."""
    kind = st.segmented_control(
        "Fault", ["low", "high"], default="low", key=session.kept("t-kind"), required=True
    )
    size = _ask("Depth or height", "size", 0.02, 1.5, 0.3, 0.02)
    width = _ask("Width from foot to foot", "width", 30, 220, 100, 5)
    x = _ask("Place: right of the middle", "x", -220, 220, 40, 10)
    y = _ask("Place: up from the middle", "y", -130, 130, 0, 10)
    by = _by()
    sign = -1 if kind != "high" else 1
    return Dent(x * by, y * by, sign * size * by, width * by)


def _view() -> Viewing:
    """How it is looked at, as the controls stand."""
    way = st.segmented_control(
        "Stripes run", ["across", "up"], default="across", key=session.kept("t-way"), required=True,
        format_func=lambda w: {"across": "up and down", "up": "side to side"}[w],
    )  # fmt: skip
    far = _ask("Board's distance", "far", 300, 1500, 1000, 50)
    crown = st.select_slider(
        "Crown", [0.0, 8.0, 4.0, 2.5, 1.5], value=0.0, key=session.kept("t-crown"),
        format_func=lambda m: "flat" if not m else f"radius {m:g} m",
    )  # fmt: skip
    gloss = st.slider("Gloss, %", 0, 100, 100, 5, key=session.kept("t-gloss"))
    return Viewing(crown, way or "across", far * _by(), 1 - gloss / 100)


def _ask(what: str, name: str, low: float, high: float, value: float, step: float) -> float:
    """A slider of a length, in the session's units; its number in each unit is kept by itself."""
    return float(
        st.slider(
            f"{what}, {unit_word()}",
            *_slide(low, high, value, step),
            format=_digits(),
            key=session.kept(f"t-{name}-{session.units()}"),
        )
    )


def _by() -> float:
    return 25.4 if session.units() == "inch" else 1.0


def _digits() -> str:
    return "%g" if session.units() == "mm" else "%.3f"


def _slide(low: float, high: float, value: float, step: float) -> tuple[float, float, float, float]:
    """A slider's numbers in the session's units; inches in even steps of their own."""
    if session.units() == "mm":
        return float(low), float(high), float(value), float(step)
    by = 25.4
    fine = 0.001 if high < 5 else 0.125
    first, last, now = (round(round(v / by / fine) * fine, 4) for v in (low, high, value))
    return first, last, now, fine


def _explain(dent: Dent, lesson: Any) -> None:
    slope = 16 / (3 * math.sqrt(3)) * abs(dent.peak_mm) / dent.width_mm  # steepest of (1 - r^2)^2, exact
    st.markdown(
        f"The steepest place leans {1000 * slope:.1f} mm in a metre. That lean, not the depth, is what bends the "
        "stripes: make the fault twice as wide and as deep, and they bend as much."
    )
    if dent.peak_mm > 0:
        return
    deepest = looks.depth(lesson.deepest_mm)
    if lesson.folds:
        st.warning(
            "The reflection folds over: this low is too hollow to read from here. A low "
            f"{looks.length(dent.width_mm)} wide can be read down to {deepest}. **Move the board closer.**"
        )
    else:
        st.markdown(
            f"From here a low of this width can be read down to {deepest}; deeper, the reflection folds over."
        )


def _one_of(made: Once, name: str) -> bytes:
    return bytes(made()[name])


def _exercise(seed: int) -> None:
    answers: dict[int, tuple[float, float, int]] = st.session_state.setdefault(_ANSWERS, {}).setdefault(
        seed, {}
    )
    number = 1 + len(answers) if not st.session_state.get("class-showing") else max(len(answers), 1)
    task = running.cached_object(f"task-{seed}-{number}", lambda: find_the_low(seed, number))
    lesson = running.cached_object(
        f"task-photo-{seed}-{number}",
        lambda: photograph((task.low, *task.others), task.viewing, seed=seed),
    )
    total = sum(points for *_, points in answers.values())
    st.markdown(f"**Panel {number}** · {total} of {100 * len(answers)} points so far")
    height, width = lesson.photo.shape
    if number in answers:
        _show_answer(lesson, task, answers[number])
        return
    st.markdown("One low is hidden here, and highs beside it. **Tap the middle of the low.**")
    tapped = show_picture(
        f"task-{seed}-{number}",
        running.as_url(lesson.photo),
        (width, height),
        alt="Stripes mirrored in a panel with one low and one or two highs",
        tappable=True,
    ).tap
    place = _tapped_place(lesson, tapped) or _said_place()
    if place is not None:
        answers[number] = (*place, score_answer(task, *place))
        st.session_state["class-showing"] = True
        keep("find-the-low", seed, number, answers[number][-1])
        st.rerun()


def _tapped_place(lesson: Any, tapped: Any) -> tuple[float, float] | None:
    """Where on the panel the picture was tapped, mm."""
    if not tapped:
        return None
    height, width = lesson.photo.shape
    column, row = min(int(tapped[0]), width - 1), min(int(tapped[1]), height - 1)
    x, y = (float(v) for v in lesson.to_panel[row, column])
    if math.isfinite(x) and math.isfinite(y):
        return x, y
    st.caption("That is beside the panel.")
    return None


def _said_place() -> tuple[float, float] | None:
    """The place in numbers, when the button is pressed."""
    with st.expander("Or say the place in numbers"):
        x = ask_length(
            "Right of the middle",
            0.0,
            "say-x",
            least=-LESSON_SIZE_MM[0] / 2,
            most=LESSON_SIZE_MM[0] / 2,
        )
        y = ask_length(
            "Up from the middle",
            0.0,
            "say-y",
            least=-LESSON_SIZE_MM[1] / 2,
            most=LESSON_SIZE_MM[1] / 2,
        )
        return (x, y) if st.button("There it is") else None


def _show_answer(lesson: Any, task: Any, answer: tuple[float, float, int]) -> None:
    x, y, points = answer
    off = looks.length(math.hypot(x - task.low.x_mm, y - task.low.y_mm))
    st.markdown(
        f"**{points} points.** You were {off} from its middle. The low is {looks.depth(-task.low.peak_mm)} "
        f"deep and {looks.length(task.low.width_mm)} wide from foot to foot."
    )
    left, right = st.columns(2)
    with left:
        st.image(lesson.photo, caption="What you saw", width="stretch", alt="The photo of the task")
    with right:
        st.image(
            draw_lesson_map(lesson, limit_mm=_LOW_MM, cross_mm=(x, y)), width="stretch",
            caption="Where it is; the cross is your answer", alt="Height map with the low and your answer",
        )  # fmt: skip
    looks.legend("deviation", looks.depth(_LOW_MM), looks.depth(_LOW_MM))
    st.button("Next panel", type="primary", on_click=_next, width="stretch")


def _next() -> None:
    st.session_state["class-showing"] = False
