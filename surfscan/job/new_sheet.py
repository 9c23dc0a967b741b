"""A first job sheet from a few answers, or from a plan, with a comment beside every key."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args

from surfscan.core.errors import RefusedError
from surfscan.core.trade_names import stage_named
from surfscan.core.units import MM, UnitName, Units, parse_length
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_trade import Stage
from surfscan.job.sheet_writing import board_facing_panel, write_sheet

__all__ = ["QUESTIONS", "Question", "answers_from_plan", "comment_sheet", "lay_out_sheet", "photos_wanted"]

PATTERNS = ("stripes", "crossed", "stepped", "dots", "lamp")
_PARTS = re.compile(r"\s*[x×,; ]\s*")
_STEPS = 4  # photos for each direction of a stepped series: the least that also tells a bad one


@dataclass(frozen=True, slots=True)
class Question:
    """One thing the sheet can't do without, or that a user often knows.

    Attributes
    ----------
    name : str
        Of the answer.
    text : str
        As it is asked.
    default : str
        As it would be typed; empty means that there is no need to answer.
    count : int
        Numbers in the answer; 0 for text.
    choices : tuple of str
        Allowed words; empty for any.
    least : float
        Numbers are over this.
    only : tuple of str
        Patterns that it is asked for; empty for all.
    """

    name: str
    text: str
    default: str
    count: int = 0
    choices: tuple[str, ...] = ()
    least: float = 0.0
    only: tuple[str, ...] = ()

    def asked(self, units: Units) -> str:
        """The question in those units."""
        return self.text.format(unit=units.word)

    def usual(self, units: Units) -> str:
        """The default as it would be typed in those units."""
        if not self.is_length or units == MM or not self.default:
            return self.default
        parts = [f"{parse_length(part) * units.per_mm:.2f}" for part in _PARTS.split(self.default)]
        return (" x " if "x" in self.default else " ").join(parts)

    @property
    def is_length(self) -> bool:
        """Whether its numbers are lengths in the units of the one who answers."""
        return "{unit}" in self.text

    def read(self, typed: str, units: Units = MM) -> Any:
        """The answer as a value: text, a number, a tuple of numbers, or None for nothing; lengths in mm.

        Parameters
        ----------
        typed : str
            A plain number is in `units`; the default is in mm.
        units : Units

        Raises
        ------
        RefusedError
        """
        plain: UnitName = units.name if typed.strip() and self.is_length else "mm"
        typed, text = typed.strip() or self.default, self.asked(units)
        if not typed:
            return None
        if self.choices:
            typed = (stage_named(typed) if self.name == "stage" else None) or typed
            if typed not in self.choices:
                near = difflib.get_close_matches(typed, self.choices, n=1)
                raise RefusedError(
                    f"{text}: that is none of them",
                    found=typed,
                    allowed=", ".join(self.choices),
                    cure=f"the nearest is {near[0]}" if near else "",
                )
            return typed
        if not self.count:
            if len(typed) > 200 or not typed.isprintable():
                raise RefusedError(
                    f"{text}: that can't be used",
                    allowed="up to 200 printable letters",
                    found=f"{len(typed)} letters" if len(typed) > 200 else repr(typed),
                    cure="type it again",
                )
            return typed
        parts = _PARTS.split(typed)
        try:
            numbers = tuple(parse_length(part, plain) for part in parts)
        except ValueError:
            numbers = ()
        if len(numbers) != self.count or not all(math.isfinite(v) and v > self.least for v in numbers):
            kind = "a number" if self.count == 1 else f"{self.count} numbers, such as {self.default or '1 2'}"
            over = "" if math.isinf(self.least) else f", over {self.least:g}"
            raise RefusedError(
                f"{text}: that can't be used", found=typed, allowed=kind + over, cure="type it again"
            )
        return numbers[0] if self.count == 1 else numbers


QUESTIONS: tuple[Question, ...] = (
    Question("name", "A name for the panel", "panel"),
    Question("stage", "Stage", "primer", choices=get_args(Stage)),
    Question("size_mm", "Width and height of the panel, {unit}", "640 x 440", 2, least=20),
    Question("pattern", "What is mirrored (lamp: matt filler, no mirror)", "stripes", choices=PATTERNS),
    Question("tag_side_mm", "Side of the tags' black square, {unit}", "36", 1, least=1),
    Question("tag_inset_mm", "Tag middles in from the panel's edges, {unit}", "27", 1),
    Question(
        "period_mm", "One dark and one light stripe together (dots: spacing), {unit}", "30", 1, only=PATTERNS[:-1],
    ),
    Question("board_size_mm", "Width and height of the board, {unit}", "1500 x 1300", 2, only=PATTERNS[:-1]),
    Question(
        "board_centre_mm", "Board's middle from the panel's middle: right, up along it, out of it, {unit}",
        "0 574 819", 3, least=-math.inf, only=PATTERNS[:-1],
    ),
    Question("focal_35mm", "Phone's 35 mm equivalent focal length, mm (empty: the photos say)", "", 1, least=4),
)  # fmt: skip


def photos_wanted(pattern: str) -> tuple[str, ...]:
    """Names for the photos that a pattern needs."""
    if pattern == "stepped":
        return tuple(f"{way}-{k}.jpg" for way in ("across", "up") for k in range(1, _STEPS + 1))
    if pattern == "lamp":
        return tuple(f"lamp-{k}.jpg" for k in range(1, 7))
    if pattern in ("dots", "crossed"):
        return (f"{pattern}.jpg",)
    return ("stripes-across.jpg", "stripes-up.jpg")


def lay_out_sheet(answers: Mapping[str, Any], *, photos: tuple[str, ...] = ()) -> dict[str, Any]:
    """Put the tables of a sheet together.

    Parameters
    ----------
    answers : mapping
        By the names of `QUESTIONS`; what is missing takes its default. ``across`` and ``up`` may give the board's
        directions; else it faces the panel's middle.
    photos : tuple of str, optional
        Names of the photos in order; default `photos_wanted`.

    Returns
    -------
    dict
        Tables as ``tomllib`` would give them.

    Raises
    ------
    RefusedError
        When the answers make no sheet: all checks of a sheet are made.
    """
    known = {q.name: q.read("") for q in QUESTIONS}
    got = {**known, **{k: v for k, v in answers.items() if v is not None}}
    width, height = got["size_mm"]
    x, y = width / 2 - got["tag_inset_mm"], height / 2 - got["tag_inset_mm"]
    places = ((-x, -y), (x, -y), (x, y), (-x, y))
    tables: dict[str, Any] = {
        "panel": {"name": got["name"], "stage": got["stage"], "size_mm": [width, height]},
        "tags": {
            "dictionary": "4x4_50",
            "side_mm": got["tag_side_mm"],
            "centres_mm": {str(k): [round(a, 2), round(b, 2)] for k, (a, b) in enumerate(places)},
        },
        "camera": {key: got[key] for key in ("focal_px", "focal_35mm") if got.get(key) is not None},
    }
    pattern = got["pattern"]
    files = photos or photos_wanted(pattern)
    if pattern != "lamp":
        tables["board"] = _board(got, pattern)
    tables["photo"] = _photos(pattern, files, math.hypot(width, height))
    if got.get("limits"):
        tables["limits"] = dict(got["limits"])
    _see_it_is_a_sheet(tables)
    return tables


def _board(got: Mapping[str, Any], pattern: str) -> dict[str, Any]:
    centre = tuple(float(v) for v in got["board_centre_mm"])
    if got.get("across") is not None and got.get("up") is not None:
        across, up = got["across"], got["up"]
    elif math.hypot(centre[0], centre[1]) < 1e-6 * max(abs(centre[2]), 1.0):
        across, up = (
            (1.0, 0.0, 0.0),
            (0.0, -1.0, 0.0),
        )  # straight above, its upper edge towards the panel's lower
    else:
        across, up = board_facing_panel((centre[0], centre[1], centre[2]))
    return {
        "pattern": pattern,
        "period_mm": got["period_mm"],
        "centre_mm": [round(v, 2) for v in centre],
        "across": [round(float(v), 5) + 0.0 for v in across],
        "up": [round(float(v), 5) + 0.0 for v in up],
        "size_mm": list(got["board_size_mm"]),
    }


def _photos(pattern: str, files: tuple[str, ...], diagonal_mm: float) -> list[dict[str, Any]]:
    if pattern == "lamp":
        turns = [2 * math.pi * k / len(files) for k in range(len(files))]
        return [
            {"file": f, "lamp_mm": [round(diagonal_mm * math.cos(t)), round(diagonal_mm * math.sin(t)), 600]}
            for f, t in zip(files, turns, strict=True)
        ]
    if pattern in ("dots", "crossed"):
        return [{"file": f} for f in files]
    if pattern == "stripes":
        return [{"file": f, "varies": way} for f, way in zip(files, ("across", "up"), strict=False)]
    half = max(len(files) // 2, 1)
    return [
        {"file": f, "varies": "across" if k < half else "up", "phase_deg": 360.0 * (k % half) / half}
        for k, f in enumerate(files)
    ]


def _see_it_is_a_sheet(tables: Mapping[str, Any]) -> None:
    from pydantic import ValidationError

    from surfscan.job.sheet_base import as_tuples
    from surfscan.job.sheet_errors import retell

    try:
        Sheet.model_validate(as_tuples(dict(tables)))
    except ValidationError as error:
        raise retell(error, Sheet) from None


_PLAN = {  # of a shot as `surfscan plan` has it, to an answer
    "panel_mm": "size_mm",
    "board_mm": "board_size_mm",
    "period_mm": "period_mm",
    "tag_side_mm": "tag_side_mm",
    "focal_px": "focal_px",
    "focal_35mm": "focal_35mm",
}


def answers_from_plan(document: Any) -> dict[str, Any]:
    """Take a plan's JSON as answers.

    Parameters
    ----------
    document : object
        What `surfscan plan --json` prints: ``shot`` with the sizes, ``board`` with the keys of the sheet's `[board]`.

    Returns
    -------
    dict
        Answers for `lay_out_sheet`.

    Raises
    ------
    RefusedError
        When it is no plan.
    """
    shot = document.get("shot") if isinstance(document, dict) else None
    board = document.get("board") if isinstance(document, dict) else None
    if not isinstance(shot, dict) or not isinstance(board, dict):
        raise RefusedError(
            "This is no plan",
            found="no shot and board in it",
            allowed="the document that surfscan plan --json prints",
            cure="save it with surfscan plan ... --json > plan.json",
        )
    answers: dict[str, Any] = {}
    for key, name in _PLAN.items():
        if shot.get(key) is not None:
            answers[name] = _numbers(shot[key], f"shot.{key}")
    for key, name in (
        ("centre_mm", "board_centre_mm"),
        ("across", "across"),
        ("up", "up"),
        ("size_mm", "board_size_mm"),
        ("period_mm", "period_mm"),
    ):
        if board.get(key) is not None:
            answers[name] = _numbers(board[key], f"board.{key}")
    return answers


def _numbers(value: Any, name: str) -> Any:
    items = value if isinstance(value, list) else [value]
    if not items or not all(
        isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in items
    ):
        raise RefusedError(
            f"{name} of the plan is no number",
            found=repr(value)[:60],
            allowed="a number or a list of them",
            cure="make the plan again with surfscan plan --json",
        )
    return tuple(float(v) for v in items) if isinstance(value, list) else float(value)


_COMMENTS = {
    "[panel]": "What is judged. Millimetres from the panel's middle: x to the right, y up along it, z out of it.",
    "panel.stage": "bare-metal, filler, putty, primer, sealer, base or clear",
    "panel.size_mm": "width, height. Also: region_mm, leave_out_mm (polygons)",
    "[tags]": "Printed tags lying on the panel, all upright. Measure their middles on the panel itself.",
    "tags.side_mm": "of the black square; measure it on the print",
    "tags.centres_mm": "",
    "[camera]": "One of focal_px and focal_35mm; without both, the photos' own EXIF is used.",
    "camera.focal_35mm": "phones: often 24 to 28",
    "camera.focal_px": "in pixels of the photo",
    "[board]": "What the panel mirrors. 1 % wrong in its distance is 1 % wrong in every depth.",
    "board.pattern": "stripes, crossed, stepped or dots",
    "board.period_mm": "one dark and one light stripe together; spacing of dots",
    "board.centre_mm": "the board's middle",
    "board.across": "its direction to the right, a unit vector",
    "board.up": "its direction up, a unit vector at right angles to across",
    "board.size_mm": "width along across, height along up",
    "[[photo]]": "Each photo. Brightness changes along `varies`; turn the board by 90 degrees for the other.",
    "photo.phase_deg": "how far the pattern is advanced: a + b*cos(2*pi*s/period + phase)",
    "photo.lamp_mm": "where the lamp was; measure it for each photo",
    "[limits]": "",
}
_NO_LIMITS = """
# Limits are by stage unless given here; they are starting points, set what your shop needs.
# [limits]
# low_mm = 0.04    # a low deeper than this is reported
# high_mm = 0.04   # a high taller than this
"""


def comment_sheet(tables: Mapping[str, Any]) -> str:
    """The text of a sheet with its comments.

    Parameters
    ----------
    tables : mapping
        As from `lay_out_sheet`.

    Returns
    -------
    str
        TOML 1.0; reading it back gives the same tables.
    """
    lines = ["# Job sheet of surfscan, see README.md. Check it: surfscan new --check FOLDER", ""]
    path, said = "", set()
    text = write_sheet(tables)
    if not tables.get("camera"):
        text = text.replace(
            "\n[board]",
            "\n# [camera]\n# focal_35mm = 26  # phones: often 24 to 28; now the photos' EXIF is used\n\n[board]",
            1,
        )
    for line in text.splitlines():
        head = re.fullmatch(r"\[\[?([\w.]+)\]?\]", line)
        key = re.match(r"([\w-]+) = ", line)
        name = line if head else f"{path}.{key[1]}" if key else ""
        comment = "" if name in said else _COMMENTS.get(name, "")
        said.add(name)
        if head:
            path = head[1]
            lines += [f"# {comment}"] if comment else []
            lines.append(line)
        else:
            lines.append(f"{line}  # {comment}" if comment else line)
    if "limits" not in tables:
        lines += _NO_LIMITS.rstrip().split("\n")
    return "\n".join(lines) + "\n"
