"""What to do about a spot, in the words of the trade, with the reason: an aid, never an order.

Advice is a code with numbers; the words stand in one table, and go in when it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from surfscan.core.constants import FILLER_PREFERRED_DEPTH
from surfscan.core.message import Message, Verdict, fill_in
from surfscan.core.records import Spot
from surfscan.core.units import MM, Units
from surfscan.judge.limits import METAL_STAGES, STAGES, Limits

__all__ = [
    "CAUTIONS",
    "SHORT_CAUTION",
    "Work",
    "WorkKind",
    "advice_text",
    "advise",
    "advise_spot",
    "caution",
    "kind_of_work",
    "work_of",
]

_CAUTIONS: dict[str, str] = {
    "dust": "Sanding dust and isocyanate paints: extraction, respirator and skin protection as the product's safety "
    "sheet and local rules say.",
    "wetting": "Wetting the panel: water, or a cleaner used as its label says; solvent near a hot lamp or a spark is a "
    "fire.",
    "flashing": "Flashing stripes on a screen: change them slowly; a warning for photosensitive people.",
    "grinding": "Never grind a high thinner than the metal allows.",
    "only-surface": "A flat surface says nothing about structure, welds, corrosion, or what sits behind it."
    " Cameras and "
    "radar behind a bumper cover have filler and paint limits of their maker; structure, sensors and "
    "airbags are for licensed people under local rules.",
    "filler-under": "The photo sees only the surface: filler already under it is not seen, and adds to the"
    " depths given "
    "here.",
    "aid": "The figure is an aid, the inspector decides.",
}
CAUTIONS: tuple[str, ...] = tuple(_CAUTIONS.values())
"""Shown with every result and on every paper."""


def caution(code: str) -> str:
    """One of the cautions, by its code (KeyError for another)."""
    return _CAUTIONS[code]


SHORT_CAUTION = " ".join(caution(code) for code in ("grinding", "only-surface", "aid"))
"""Where there is room for little."""


class WorkKind(StrEnum):
    """What kind of work a spot is."""

    DOWN = "bring-down"
    BLOCK = "block"
    PUTTY = "putty"
    FILLER = "filler"
    METAL = "metal"
    SEE_WHOLE = "see-whole"


@dataclass(frozen=True, slots=True)
class Work:
    """What kind of work a spot is, in a word, and whether its size surely makes it that (not only its interval)."""

    kind: WorkKind
    sure: bool = True

    @property
    def words(self) -> str:
        """For a headline."""
        return _WORK[self.kind][0 if self.sure else 1]


_WORK = {
    WorkKind.DOWN: ("to bring down", "to bring down"),
    WorkKind.BLOCK: ("to block down", "to block down"),
    WorkKind.PUTTY: ("putty work", "putty work"),
    WorkKind.FILLER: ("filler work", "filler work, for it may be too deep for putty"),
    WorkKind.METAL: ("metal work: too deep for filler", "metal work first: it may be too deep for filler"),
    WorkKind.SEE_WHOLE: ("to be seen whole before it is filled",) * 2,
}


def kind_of_work(
    kind: str, stage: str, peak_mm: float, u95_mm: float, limits: Limits, *, peak_open: bool = False
) -> Work:
    """Say what kind of work a spot over its limit is: for the headline, the table, the page and the papers alike.

    Where the interval of a low reaches past a depth limit, it is the deeper work.

    Parameters
    ----------
    kind : {"low", "high"}
    stage : str
        One of ``limits.STAGES``.
    peak_mm, u95_mm : float
        Signed peak and half its 95 % interval, mm.
    limits : Limits
    peak_open : bool
        The rim of what was seen cuts it: a low of unknown depth is not filled yet.

    Returns
    -------
    Work
    """
    if kind == "high":
        return Work(WorkKind.DOWN if stage in METAL_STAGES else WorkKind.BLOCK)
    return _low_work(stage, -peak_mm, u95_mm, limits.filler_depth_mm, limits.putty_depth_mm, peak_open)


def work_of(spot: Spot, limits: Mapping[str, Any], stage: str) -> Work:
    """The same for a spot of a result, with the limits as the result lists them."""
    if spot.kind == "high":
        return Work(WorkKind.DOWN if stage in METAL_STAGES else WorkKind.BLOCK)
    depths = limits["filler_depth_mm"], limits.get("putty_depth_mm") or 0.0
    return _low_work(stage, -spot.peak_mm, spot.u95_mm, *depths, spot.peak_open)


def _low_work(
    stage: str, depth: float, u95: float, filler_mm: float, putty_mm: float, peak_open: bool
) -> Work:
    deepest = depth + u95
    if deepest > filler_mm and not (peak_open and depth <= filler_mm):
        return Work(WorkKind.METAL, depth > filler_mm)
    if peak_open:
        return Work(WorkKind.SEE_WHOLE)
    if deepest <= putty_mm:
        return Work(WorkKind.FILLER if stage == "bare-metal" else WorkKind.PUTTY)
    return Work(WorkKind.FILLER, depth > putty_mm)


# stages at which putty or filler may still go on; on colour or clear that means going back a stage
_OPEN_STAGES = ("bare-metal", "filler", "putty", "primer")
_NEXT = "block, and look again"
_SIZE = "The low is {size_mm:filler} deep"
_MAYBE = _SIZE + ", give or take {u95_mm:filler}"
_BOTH = "the {putty_mm:given} for putty and under the {filler_mm:given} for filler."

_ADVICE = {
    "not-measured": "Not measured here: shoot again, or lay a straightedge on it.",
    "leave": "Leave it: {size_mm:depth} is within the {limit_mm:given} limit.",
    "close": "Too close to call: {size_mm:depth} give or take {u95_mm:depth} straddles the {limit_mm:given}"
    " limit. A better"
    " shot would settle it (the uncertainty budget says what would help most), or lay a straightedge on it.",
    "open-low": "See it whole first: the rim of what was seen cuts this low, which is at least {size_mm:depth} deep."
    " Shoot again with a wider field round it, or lay a straightedge on it, before it is filled.",
    "open-high": "See it whole first: the rim of what was seen cuts this high, which is at least {size_mm:depth} tall."
    " Shoot again with a wider field round it, or lay a straightedge on it.",
    "metal": "Bring the metal up first. Filler here would be {size_mm:filler} deep: that is over the limit of"
    " {filler_mm:given}.",
    "metal-maybe": "Bring the metal up first. Filler here would be {size_mm:filler} deep, give or take"
    " {u95_mm:filler}: that"
    " may be over the limit of {filler_mm:given}.",
    "filler-for-putty": "Filler, {next}. " + _SIZE + ": shallow enough for glazing putty, but putty wants"
    " primer or filler"
    " under it.",
    "putty": "{start}, {next}. " + _SIZE + ", under the {putty_mm:given} for putty.",
    "filler": "{start}, {next}. " + _SIZE + ", over " + _BOTH,
    "filler-maybe": "{start}, {next}. " + _MAYBE + ", which may be over " + _BOTH,
    "filler-deep": "{start}, {next}. "
    + _SIZE
    + ", over "
    + _BOTH
    + " {preferred_mm:off} (1/8 inch) and under is preferred: see whether the metal can come up some of the way.",
    "bring-down": "Bring it down first (tap or shrink): {size_mm:filler} stands over the {limit_mm:given}"
    " limit, and a high"
    " left up has to be buried all round; the fill plan says what that costs.",
    "block": "Block it while watching for break-through: {size_mm:depth} stands over the {limit_mm:given} limit. If it"
    " breaks through before it is fair, go back a stage.",
}


def advise(
    kind: str,
    stage: str,
    peak_mm: float,
    u95_mm: float,
    verdict: str,
    limits: Limits,
    texture: bool = False,
) -> str:
    """`advise_spot` in words, mm; with `texture`, and what to do about a texture over its limit as well."""
    text = advice_text(advise_spot(kind, stage, peak_mm, u95_mm, verdict, limits))
    return f"{text} {advise_texture(stage)}" if texture else text


def advise_spot(
    kind: str,
    stage: str,
    peak_mm: float,
    u95_mm: float,
    verdict: str,
    limits: Limits,
    *,
    peak_open: bool = False,
) -> Message:
    """Say what to do about one spot, and why.

    Parameters
    ----------
    kind : {"low", "high"}
        Which it is.
    stage : str
        One of ``limits.STAGES``.
    peak_mm : float
        Signed peak, mm, + is high.
    u95_mm : float
        Half its 95 % interval, mm. Where the interval of a low reaches past a depth limit, the advice is that
        for the deeper work, and says so.
    verdict : Verdict
        The spot's own verdict, or its value.
    limits : Limits
        The limits of the stage.
    peak_open : bool
        The rim of what was seen cuts the spot: it is at least this much.

    Returns
    -------
    Message
        For `advice_text`: one or two sentences.

    Raises
    ------
    ValueError
        For an unknown kind, stage or verdict.
    """
    if kind not in ("low", "high"):
        raise ValueError(f"kind must be 'low' or 'high'; found {kind!r}")
    if stage not in STAGES:
        raise ValueError(f"stage must be one of {STAGES}; found {stage!r}")
    if verdict not in set(Verdict):
        raise ValueError(f"unknown verdict {verdict!r}")
    own = Verdict(verdict)
    size = abs(peak_mm)
    numbers: dict[str, Any] = {
        "size_mm": size,
        "u95_mm": u95_mm,
        "limit_mm": limits.low_mm if kind == "low" else limits.high_mm,
    }
    if own == Verdict.NOT_MEASURED or not (math.isfinite(size) and math.isfinite(u95_mm)):
        return Message("not-measured")
    if own == Verdict.READY:
        return Message("leave", numbers)
    work = kind_of_work(kind, stage, peak_mm, u95_mm, limits, peak_open=peak_open)
    if peak_open and work.kind != WorkKind.METAL:
        return Message(f"open-{kind}", numbers)
    if own == Verdict.CLOSE:
        return Message("close", numbers)
    if work.kind in (WorkKind.DOWN, WorkKind.BLOCK):
        return Message(str(work.kind), numbers)
    return _low(stage, work, numbers, limits)


def advice_text(message: Message, units: Units = MM, stored: str = "") -> str:
    """Advice in words; `stored` where this version does not know it (an older or newer result)."""
    try:
        return fill_in(_ADVICE[message.code], {"next": _NEXT, **message.numbers}, units)
    except (KeyError, ValueError, TypeError):
        return stored


def advise_texture(stage: str) -> str:
    """Say what to do about a texture over its limit (common practice, no source)."""
    if stage == "primer":
        return "Texture: sand 400 then 600 grit and look again; a dry, rough primer prints through as peel."
    if stage in ("base", "clear"):
        return "Texture: peel, from spray too dry or too thick; sanded out only where there is film enough."
    return "Texture: block it to an even scratch and look again; it hides shallow lows from the photo."


def _low(stage: str, work: Work, numbers: dict[str, Any], limits: Limits) -> Message:
    numbers |= {"filler_mm": limits.filler_depth_mm, "putty_mm": limits.putty_depth_mm}
    if work.kind == WorkKind.METAL:
        return Message("metal" if work.sure else "metal-maybe", numbers)
    if work.kind == WorkKind.PUTTY:
        back = stage not in _OPEN_STAGES
        return Message(
            "putty", {**numbers, "start": "Back a stage, then glazing putty" if back else "Glazing putty"}
        )
    if numbers["size_mm"] + numbers["u95_mm"] <= limits.putty_depth_mm:
        return Message("filler-for-putty", numbers)
    numbers["start"] = "Filler" if stage in METAL_STAGES else "Back to the filler stage, then filler"
    if work.sure and numbers["size_mm"] > FILLER_PREFERRED_DEPTH.value:
        return Message("filler-deep", {**numbers, "preferred_mm": FILLER_PREFERRED_DEPTH.value})
    return Message("filler" if work.sure else "filler-maybe", numbers)
