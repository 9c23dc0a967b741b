"""What to do about one spot, and why: a code with numbers, from the trade's table. An aid, never an order.

The words go in when it is shown, in the units asked for there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from surfscan.core.message import Message, Verdict, fill_in
from surfscan.core.trade_names import STAGES, SUBSTRATES, UNKNOWN_SUBSTRATE
from surfscan.core.units import MM, Units
from surfscan.judge.limits import Limits
from surfscan.judge.trade_table import (
    COLOUR_STAGES,
    KINDS,
    SHAPES,
    Row,
    figure,
    figures,
    find_row,
    rows,
    words,
)

__all__ = [
    "Fault",
    "Material",
    "advice_parts",
    "advice_text",
    "advise",
    "material_of",
    "row_of",
    "size_class",
    "work_words",
]

PARTS = ("first", "what", "why", "never")
"""Of advice, in the order in which they are said."""

_DEEP = "{size_mm:depth} deep"
_TALL = "{size_mm:depth} proud"
_MOST = ", {most_mm:depth} at most"


@dataclass(frozen=True, slots=True)
class Material:
    """What the panel is made of, and the paint on it.

    Attributes
    ----------
    substrate : str
        One of ``trade_names.SUBSTRATES``.
    film_mm : float, optional
        All the paint together, by a film gauge.
    """

    substrate: str = UNKNOWN_SUBSTRATE
    film_mm: float | None = None


def material_of(panel: Mapping[str, Any]) -> Material:
    """What a result says its panel is made of."""
    substrate = str(panel.get("substrate", UNKNOWN_SUBSTRATE))
    return Material(substrate if substrate in SUBSTRATES else UNKNOWN_SUBSTRATE, panel.get("film_mm"))


@dataclass(frozen=True, slots=True)
class Fault:
    """What is known about a spot, for the table.

    Attributes
    ----------
    stage : str
        One of ``trade_names.STAGES``.
    kind : {"low", "high"}
    peak_mm, u95_mm : float
        Signed or not; half its 95 % interval. NaN where not measured.
    length_mm, width_mm : float
    verdict : Verdict
        Its own, or its value.
    shape : {"dish", "long", "ring", "many"}
    count : int
        How many small ones there are; of use with "many".
    substrate : str
        One of ``trade_names.SUBSTRATES``.
    film_mm : float, optional
        All the paint together, by a film gauge.
    peak_open : bool
        The rim of what was seen cuts it: it is at least this much.
    """

    stage: str
    kind: str
    peak_mm: float
    u95_mm: float
    length_mm: float = math.nan
    width_mm: float = math.nan
    verdict: str = Verdict.REWORK
    shape: str = "dish"
    count: int = 1
    substrate: str = UNKNOWN_SUBSTRATE
    film_mm: float | None = None
    peak_open: bool = False

    def __post_init__(self) -> None:
        for name, value, allowed in (
            ("stage", self.stage, STAGES),
            ("kind", self.kind, KINDS),
            ("shape", self.shape, SHAPES),
            ("substrate", self.substrate, SUBSTRATES),
            ("verdict", self.verdict, tuple(Verdict)),
        ):
            if value not in allowed:
                raise ValueError(f"{name} must be one of {', '.join(allowed)}; found {value!r}")


def size_class(fault: Fault, limits: Limits) -> tuple[str, bool]:
    """How big a job a spot is, and whether its middle figure alone makes it that.

    The upper end of its interval counts: where that reaches past a limit, it is the deeper work.

    Parameters
    ----------
    fault : Fault
    limits : Limits

    Returns
    -------
    size : str
        One of ``trade_table.SIZES``.
    sure : bool
        False when only the interval reaches so far.
    """
    bounds = _bounds(fault, limits)
    size = abs(fault.peak_mm)

    def name(value: float) -> str:
        return next((name for name, bound in bounds if value <= bound), "over")

    most = name(size + fault.u95_mm)
    return most, most == name(size)


def _bounds(fault: Fault, limits: Limits) -> list[tuple[str, float]]:
    film = fault.film_mm
    surfacer = figure("surfacer_levels")
    if fault.kind == "high" and fault.stage in ("primer", "sealer"):
        surfacer = _film(film)  # what may be taken off is the film
    filler = limits.filler_depth_mm
    bounds = [
        ("surfacer", surfacer),
        ("putty", limits.putty_depth_mm),
        ("filler", min(figure("filler_preferred"), filler)),
        ("filler-deep", filler),
    ]
    if fault.stage in COLOUR_STAGES:
        known = "polish-thin" if (film or 0.0) < figure("paint_least") else "polish"
        bounds.insert(0, ("polish-unmeasured" if film is None else known, figure("polish_takes")))
    if fault.kind == "low":  # whatever else a low is, past the filler limit it is too deep
        bounds = [(name, min(bound, filler)) for name, bound in bounds]
    return bounds


def _film(film_mm: float | None) -> float:
    return figure("surfacer_film") if film_mm is None else film_mm


def row_of(fault: Fault, limits: Limits) -> Row:
    """The table's row for a spot over its limit."""
    size, _ = size_class(fault, limits)
    return find_row(fault.stage, fault.kind, size, fault.shape, fault.substrate)


def advise(fault: Fault, limits: Limits) -> Message:
    """What to do about a spot.

    Parameters
    ----------
    fault : Fault
    limits : Limits
        Of its stage.

    Returns
    -------
    Message
        For `advice_text`. Codes of the table where it is over its limit; else not-measured, leave, close, open-low,
        open-high.
    """
    size = abs(fault.peak_mm)
    numbers: dict[str, Any] = {
        "size_mm": size,
        "u95_mm": fault.u95_mm,
        "limit_mm": limits.low_mm if fault.kind == "low" else limits.high_mm,
    }
    if fault.verdict == Verdict.NOT_MEASURED or not (math.isfinite(size) and math.isfinite(fault.u95_mm)):
        return Message("not-measured")
    if fault.verdict == Verdict.READY:
        return Message("leave", numbers)
    over = size_class(fault, limits)[0] == "over"
    if fault.peak_open and not (over and fault.kind == "low"):
        return Message(f"open-{fault.kind}", numbers)
    if fault.verdict == Verdict.CLOSE:
        return Message("close", {**numbers, "settle": _settle(fault.stage, size)})
    return Message(row_of(fault, limits).code, {**numbers, **_numbers(fault, limits)})


def _numbers(fault: Fault, limits: Limits) -> dict[str, Any]:
    _, sure = size_class(fault, limits)
    size = abs(fault.peak_mm)
    return {
        "kind": fault.kind,
        "most_mm": None if sure else size + fault.u95_mm,
        "length_mm": fault.length_mm,
        "width_mm": fault.width_mm,
        "count": fault.count,
        "putty_mm": limits.putty_depth_mm,
        "filler_mm": limits.filler_depth_mm,
        "film_mm": _film(fault.film_mm),
    }


def _settle(stage: str, size_mm: float) -> str:
    """What can settle a spot of this size: a hand gauge only where it shows so little."""
    if size_mm >= figure("straightedge_shows"):
        return "straightedge"
    if stage in COLOUR_STAGES:
        return "shot"
    if size_mm >= figure("feeler_shows"):
        return "feeler"
    return "shot" if stage == "bare-metal" else "guide-coat"


def work_words(message: Message) -> str:
    """What kind of work a spot is, for a headline: "putty work"; for the headline, the table, the page and the papers
    alike, since all go by the spot's own advice."""
    if message.code.startswith("open-"):
        return "to be seen whole first"
    row = rows().get(message.code)
    return row.work if row is not None else "to be worked on"


def advice_parts(message: Message, units: Units = MM) -> dict[str, str]:
    """Advice in words, in parts.

    Parameters
    ----------
    message : Message
        Of `advise`.
    units : Units

    Returns
    -------
    dict
        What there is of "first", "what", "why", "never": a sentence or two each.

    Raises
    ------
    KeyError
        For a code, or numbers, that this version does not know.
    """
    say = words("say")
    numbers = dict(message.numbers)
    if message.code in say:
        parts = {"what": fill_in(say[message.code], numbers, units)}
        if message.code == "close":
            parts["why"] = words("settle")[numbers["settle"]]
        elif message.code.startswith("open-"):
            parts["why"] = say["open-cure"]
        return parts
    row = rows()[message.code]
    all_numbers = {**{name: one["value"] for name, one in figures().items()}, **numbers}
    template = _DEEP if numbers["kind"] == "low" else _TALL
    most = _MOST if numbers.get("most_mm") is not None else ""
    all_numbers["size"] = fill_in(template + most, numbers, units)
    templates: Mapping[str, str] = {part: getattr(row, part) for part in PARTS}
    return {part: fill_in(text, all_numbers, units) for part, text in templates.items() if text}


def advice_text(message: Message, units: Units = MM, stored: str = "") -> str:
    """Advice in words; `stored` where this version does not know it (an older or newer result)."""
    try:
        return " ".join(advice_parts(message, units).values())
    except (KeyError, ValueError, TypeError):
        return stored
