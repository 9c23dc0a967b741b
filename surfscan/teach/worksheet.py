"""A worksheet and its answer sheet as PDF, from one random panel and its exercises."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import cv2
import numpy as np
from PIL import Image

from surfscan.core.units import MM, Units
from surfscan.judge.cautions import SHORT_CAUTION
from surfscan.papers.blocks import Block, Fields, Heading, NewPage, Picture, Text
from surfscan.papers.pdf import make_pdf
from surfscan.report.panes import draw_lesson_map
from surfscan.synth.lesson import Lesson, find_the_low, photograph
from surfscan.teach.exercises import KINDS, Exercise, Shown, make_exercise

__all__ = ["WORKSHEET_FILES", "compose_worksheet", "make_worksheet"]

WORKSHEET_FILES = ("worksheet.pdf", "answers.pdf")
_LIMIT_MM = 0.04  # where the map's colours step: the primer limit
_LINE = "_" * 40


def make_worksheet(
    seed: int, number: int, *, units: Units = MM, paper: str = "a4", created: datetime | None = None
) -> dict[str, bytes]:
    """Lay out the worksheet of a panel, and its answer sheet.

    Parameters
    ----------
    seed, number : int
        Of the class, and of the panel, from 1: the same ones as on the page's exercises.
    units : Units
    paper : {"a4", "letter"}
    created : datetime, optional
        With its time zone; now when it is left out.

    Returns
    -------
    dict of str to bytes
        `WORKSHEET_FILES` by name.

    Raises
    ------
    ValueError
        For a number under 1.
    """
    made = created or datetime.now(UTC).replace(microsecond=0)
    files = {}
    for name, answered in zip(WORKSHEET_FILES, (False, True), strict=True):
        title = f"{'Answer sheet' if answered else 'Worksheet'}: class {seed}, panel {number}"
        blocks = compose_worksheet(seed, number, units=units, answered=answered)
        files[name] = make_pdf(blocks, title=title, digest="", paper=paper, created=made)
    return files


def compose_worksheet(seed: int, number: int, *, units: Units = MM, answered: bool) -> list[Block]:
    """What stands on a worksheet, or with `answered` on its answer sheet."""
    task = find_the_low(seed, number)
    lesson = photograph((task.low, *task.others), task.viewing, seed=seed)
    blocks: list[Block] = [
        Heading(f"{'Answer sheet' if answered else 'Worksheet'}: class {seed}, panel {number}", 1),
        Fields((("First name or number", _LINE[:24]), ("Date", _LINE[:24]))),
        Heading("1. Find the low"),
        Text("One low is hidden in this panel, and highs beside it. Put a cross on the middle of the low."),
    ]
    if answered:
        at = f"{units.bare(units.length(task.low.x_mm))}, {units.length(task.low.y_mm)}"
        size = f"{units.depth(-task.low.peak_mm)} deep and {units.length(task.low.width_mm)} wide"
        blocks.append(Text(f"Answer: ringed; {size}, its middle at x, y {at} from the panel's middle."))
        blocks.append(_picture(_ringed(lesson), "The low, ringed.", 62.0))
    else:
        blocks.append(_picture(lesson.photo, "The stripes mirrored in the panel.", 62.0))
    for k, kind in enumerate(KINDS, 2):
        if k == 4:
            blocks.append(NewPage())
        blocks += _exercise(k, make_exercise(kind, seed, number), units, answered=answered)
    return [*blocks, Text(f"All panels here are made up. {SHORT_CAUTION}", small=True)]


def _exercise(k: int, exercise: Exercise, units: Units, *, answered: bool) -> list[Block]:
    blocks: list[Block] = [Heading(f"{k}. {KINDS[exercise.kind]}"), Text(exercise.asks(units))]
    if answered:
        blocks.append(Text(f"Answer: {exercise.tells(units)}"))
    elif exercise.choices:
        blocks += [Text(f"☐ {choice}") for choice in exercise.choices]
    else:
        blocks.append(Text(f"Your guess: {_LINE[:16]} {units.word}"))
    shown = exercise.answered if answered and exercise.answered else exercise.shown
    if shown:
        blocks.append(_row(shown))
    return blocks


def _row(shown: tuple[Shown, ...]) -> Picture:
    """What an exercise shows, side by side."""
    pictures = [_drawn(one) for one in shown]
    tall = min(picture.shape[0] for picture in pictures)
    same = [
        cv2.resize(p, (round(p.shape[1] * tall / p.shape[0]), tall), interpolation=cv2.INTER_AREA)
        for p in pictures
    ]
    spaced = [np.pad(p, ((0, 0), (0, 12), (0, 0)), constant_values=255) for p in same]
    return _picture(np.hstack(spaced), "   |   ".join(one.title for one in shown), 50.0)


def _drawn(shown: Shown) -> np.ndarray:
    lesson = photograph(shown.dents, shown.viewing)
    if shown.as_map:
        return draw_lesson_map(lesson, limit_mm=_LIMIT_MM, end_mm=shown.end_mm)
    return cv2.cvtColor(lesson.photo, cv2.COLOR_GRAY2RGB)


def _ringed(lesson: Lesson) -> np.ndarray:
    """The photo with a ring round its first fault."""
    picture = cv2.cvtColor(lesson.photo, cv2.COLOR_GRAY2RGB)
    at = tuple(int(v) for v in np.rint(lesson.places_px[0]))
    for colour, wide in (((255, 255, 255), 6), ((20, 20, 20), 2)):
        cv2.circle(picture, at, 34, colour, wide, cv2.LINE_AA)
    return picture


def _picture(picture: np.ndarray, caption: str, most_mm: float) -> Picture:
    code = io.BytesIO()
    Image.fromarray(picture).save(code, "JPEG", quality=88, optimize=True)
    return Picture(code.getvalue(), caption, caption, picture.shape[1], picture.shape[0], most_mm=most_mm)
