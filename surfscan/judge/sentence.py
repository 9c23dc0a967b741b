"""The headline: the verdict in one sentence, with the number that decided it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from surfscan.core.message import Message, Reason, Verdict, Weight, fill_in
from surfscan.core.records import Spot
from surfscan.core.units import MM, Units
from surfscan.judge.fault_words import counted
from surfscan.judge.reasons import REASONS, sentences_of
from surfscan.judge.trade import work_words
from surfscan.judge.trade_table import words

__all__ = ["headline", "headline_text"]

WHOLE = 0.95
"""Less seen than this, and the deepest is only the deepest seen."""

_SEEN = "{coverage:whole_percent} of the panel was seen"
_HEADLINES = {
    "ready": "{step} Nothing over {least_mm:given}; " + _SEEN + ".",
    "rework": "Rework; " + _SEEN + ".",
    "rework-slope": "Rework: waves too steep for the finish, {slope_mrad:slope} where {limit_mrad:slope} is allowed; "
    + _SEEN
    + ".",
    "rework-faults": "Rework: {what}; " + _SEEN + ".",
    "rework-spots": (
        "Rework: {counts}. The {name} is {size_mm:depth} ({from_mm:depth_bare} to {to_mm:depth_bare}), {work}."
    ),
    "rework-open": "Rework: {counts}. The {name} is {at_least} {size_mm:depth}, {work}.",
    "close-spots": "Too close to call at {which} {spots:list}; " + _SEEN + ".",
    "close-limit": "Too close to call: the limits are finer than this photo can prove; " + _SEEN + ".",
    "close-doubt": "Too close to call: {reason}",
    "not-measured": "Not measured: {reason}",
    "not-measured-look": "Not measured: no scale. {found}",
}


def headline(
    verdict: Verdict,
    spots: Sequence[Spot],
    *,
    limits: Mapping[str, Any],
    stage: str,
    coverage: float,
    findings: Sequence[Reason] = (),
    look: Mapping[str, Any] | None = None,
) -> Message:
    """Find what the headline says.

    Parameters
    ----------
    verdict : Verdict
    spots : sequence of Spot
        With their verdicts.
    limits : mapping
        As in a result, mm.
    stage : str
    coverage : float
        0 to 1.
    findings : sequence of Reason
        In order: the first of its weight is named where no spot decided.
    look : mapping, optional
        ``details["relative"]`` of a look without a scale.

    Returns
    -------
    Message
        For `headline_text`.
    """
    seen = {"coverage": coverage}
    if look is not None:
        return Message("not-measured-look", {"found": _look_words(look)})
    if verdict == Verdict.NOT_MEASURED:
        return Message("not-measured", {"reason": _first(findings, Weight.DECIDES)})
    if verdict == Verdict.REWORK:
        return _rework([s for s in spots if s.verdict == Verdict.REWORK], findings, seen)
    if verdict == Verdict.CLOSE:
        close = [spot.id for spot in spots if spot.verdict == Verdict.CLOSE]
        if close:
            which = "spot" if len(close) == 1 else "spots"
            return Message("close-spots", {"which": which, "spots": close, **seen})
        code = _first(findings, Weight.DOUBT)
        if code in ("", "limit-too-fine"):
            return Message("close-limit", seen)
        return Message("close-doubt", {"reason": code})
    step = words("fair").get(stage, "Fair.")
    return Message("ready", {"step": step, "least_mm": min(limits["low_mm"], limits["high_mm"]), **seen})


def headline_text(message: Message, findings: Sequence[Reason], units: Units = MM, stored: str = "") -> str:
    """The headline in words; `stored` where this version does not know the message (an older or newer result).

    Parameters
    ----------
    message : Message
    findings : sequence of Reason
        As given to `headline`: where a reason is the headline, its code stands in the message.
    units : Units
    stored : str
        The sentence that the result carries, mm.
    """
    numbers = dict(message.numbers)
    try:
        if "reason" in numbers:
            numbers["reason"] = _reason_words(str(numbers["reason"]), findings, units)
        return fill_in(_HEADLINES[message.code], numbers, units)
    except (KeyError, ValueError, TypeError):
        return stored


def _rework(over: list[Spot], findings: Sequence[Reason], seen: dict[str, float]) -> Message:
    groups = [([s for s in over if s.kind == kind], kind) for kind in ("low", "high")]
    counts = " and ".join(f"{len(g)} {name}{'s' if len(g) > 1 else ''}" for g, name in groups if g)
    if not counts:
        faults = next((one for one in findings if one.code == "fault-found"), None)
        if faults is not None:
            return Message("rework-faults", {"what": faults.numbers["what"], **seen})
        slope = next((one for one in findings if one.code == "limit-slope-over"), None)
        return (
            Message("rework", seen) if slope is None else Message("rework-slope", {**seen, **slope.numbers})
        )
    counts += _and_faults(findings)
    worst = max(over, key=lambda s: abs(s.peak_mm))
    size = abs(worst.peak_mm)
    numbers = {
        "counts": counts,
        "name": ("deepest low" if worst.kind == "low" else "tallest high") + _of_what_was_seen(seen),
        "size_mm": size,
        "from_mm": max(size - worst.u95_mm, 0.0),
        "to_mm": size + worst.u95_mm,
        "at_least": "at least",
        "work": work_words(over[0].advice if worst.advice.code == "as-spot" else worst.advice),
    }
    return Message("rework-open" if worst.peak_open else "rework-spots", numbers)


def _and_faults(findings: Sequence[Reason]) -> str:
    """Small faults beside the spots, by their number; a crack by its name, since it is never filled over."""
    found = next((one.numbers for one in findings if one.code == "fault-found"), {})
    kinds = {kind: n for kind, n in found.items() if kind != "what"}
    if not kinds:
        return ""
    many = sum(kinds.values())
    cracks = f" ({counted({'crack': kinds['crack']})})" if "crack" in kinds else ""
    return f", and {many} small fault{'s' * (many > 1)}{cracks}"


def _of_what_was_seen(seen: Mapping[str, float]) -> str:
    return "" if seen["coverage"] >= WHOLE else " seen"


def _first(findings: Sequence[Reason], weight: Weight) -> str:
    """Code of the first of a weight, but for what decides only rework."""
    for one in findings:
        entry = REASONS.get(one.code)
        if one.weight == weight and (entry is None or entry.decides != Verdict.REWORK):
            return one.code
    return ""


def _reason_words(code: str, findings: Sequence[Reason], units: Units) -> str:
    found = next((one for one in findings if one.code == code), None)
    if found is None:
        return "too little of the panel could be read."
    if "sentence" in found.numbers:  # a flag's or a photo's own words
        cure = f"; {found.cure}" if found.cure else ""
        return f"{found.numbers['sentence']}{cure}."
    return sentences_of([found], units)[0]


def _look_words(look: Mapping[str, Any]) -> str:
    rows = look.get("spots", [])
    if not rows:
        return "Nothing stands out."
    counts = [sum(row["kind"] == kind for row in rows) for kind in ("low", "high")]
    worst = "deepest is a low" if rows[0]["kind"] == "low" else "greatest is a high"
    lows, highs = f"low{'s' * (counts[0] != 1)}", f"high{'s' * (counts[1] != 1)}"
    return f"{counts[0]} {lows} and {counts[1]} {highs} stand out; the {worst}."
