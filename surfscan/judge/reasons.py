"""Every reason that a verdict can have: its code, its sentence, its cure, and whom it is for.

A sentence is a template; numbers go in when it is shown, in the units asked for there. What a code decides when its
weight is "decides" stands here too; a "doubt" takes "ready" to "close", a "note" does nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from surfscan.core.message import Reason, Verdict, Weight, fill_in
from surfscan.core.units import MM, Units
from surfscan.judge.decide import guard_factor
from surfscan.judge.entry import Entry
from surfscan.judge.setup_reasons import SETUP_REASONS

__all__ = [
    "REASONS",
    "Entry",
    "in_order",
    "read_reasons",
    "reason",
    "rule_reason",
    "rule_sentence",
    "sentence_of",
    "sentences_of",
    "stands_first",
]


_CHANCE = "; the chance that it is within is {probability:percent}."
_SPOT = "Spot {spot}: the {measure} of the {kind} is {size_mm:measured} (u {u_mm:measured}): "
_FILLER = "Spot {spot}: the filler depth is {size_mm:measured} (u {u_mm:measured}): "
_SLOPE = (
    "The steepest slope of waves of {short_mm:given_bare} to {long_mm:given} is {slope_mrad:mrad}"
    " (u {u_mrad:mrad}): "
)
_TEXTURE = (
    "Texture: waves of {short_mm:given_bare} to {long_mm:given} lean by {slope_mrad:mrad} (u {u_mrad:mrad}): "
)
_BUILD = "The greatest build is {size_mm:measured} (u {u_mm:measured}): "
_TURN = "add a photo with the board turned 90 degrees"

REASONS: dict[str, Entry] = {
    "spot-over": Entry(
        _SPOT + "over the limit of {limit_mm:given}" + _CHANCE, "", "inspector", Verdict.REWORK
    ),
    "spot-close": Entry(
        _SPOT + "too close to call against the limit of {limit_mm:given}" + _CHANCE,
        "take a better shot, or settle it as the spot's own line says",
        "inspector",
    ),
    "spot-open": Entry(
        "Spot {spot} is cut by the rim of what was seen: the {kind} is at least {size_mm:depth} {tall}, and its"
        " {end} may"
        " lie outside; shoot again with a wider field round it.",
        "shoot again with a wider field round it",
    ),
    "spot-unknown": Entry("{count:many figure|figures} could not be measured.", "shoot again"),
    "limit-filler-over": Entry(
        _FILLER + "over the limit of {limit_mm:given}" + _CHANCE,
        "bring the metal up first",
        "inspector",
        Verdict.REWORK,
    ),
    "limit-filler-close": Entry(
        _FILLER + "too close to call against the limit of {limit_mm:given}" + _CHANCE,
        "bring the metal up first",
        "inspector",
    ),
    "limit-slope-over": Entry(
        _SLOPE + "over the limit of {limit_mrad:mrad}" + _CHANCE, "", "inspector", Verdict.REWORK
    ),
    "limit-slope-close": Entry(
        _SLOPE + "too close to call against the limit of {limit_mrad:mrad}" + _CHANCE, "", "inspector"
    ),
    "limit-slope-work": Entry("{words}", "", "tech"),
    "limit-texture-over": Entry(
        _TEXTURE + "over the limit of {limit_mrad:mrad}" + _CHANCE, "", "inspector", Verdict.REWORK
    ),
    "limit-texture-close": Entry(
        _TEXTURE + "too close to call against the limit of {limit_mrad:mrad}" + _CHANCE, "", "inspector"
    ),
    "limit-texture-unknown": Entry(
        "The texture could not be measured, and the sheet has a limit for it: {why}.",
        "shoot closer, and sharp",
    ),
    "limit-texture-work": Entry("{words}", "", "tech"),
    "fault-found": Entry("Small faults: {what}.", "see the list of faults", "both", Verdict.REWORK),
    "fault-look": Entry(
        "Look again, wiped and dry: {what}.", "wipe the panel, and shoot again what stays", "both"
    ),
    "fault-unknown": Entry(
        "Small faults were not looked for, and the sheet asks for them: {why}.",
        "shoot two photos of stripes, one for each direction, or one of crossed stripes",
    ),
    "fault-noisy": Entry(
        "The photos are noisier than those on which it was measured what is found: smaller faults may be missed.",
        "expose more, hold still, and shade the panel from room light",
    ),
    "fault-looked": Entry(
        "Looked for small faults on {share:whole_percent} of the judged region: {what}; nine times in ten they are"
        " found from {least_mm:spread} to {most_mm:spread} on, by kind.",
    ),
    "limit-too-fine": Entry(
        "The limit of {limit_mm:given} is smaller than this photo can prove: its own uncertainty is"
        " {u_mm:measured} (one"
        " standard uncertainty).",
        "take a better shot: the uncertainty budget says what would help most",
    ),
    "limit-kept": Entry("Nothing measured is over its limit."),
    "limit-rule": Entry(
        "Rule: within the limit when value + {factor:factor} u is at or under it, over the limit when value -"
        " {factor:factor} u is at or over it, too close to call between (u is the standard uncertainty; confidence"
        " {confidence:percent}, one side; JCGM 106, ISO 14253-1).",
        "",
        "inspector",
    ),
    "seen-nothing": Entry(
        "Nothing of the judged region was measured.", "shoot again", "both", Verdict.NOT_MEASURED, final=True
    ),
    "seen-part": Entry(
        "A part was not seen: {coverage:whole_percent} of the judged region was measured; there may be more to find.",
        "shoot again with the whole panel in view",
    ),
    "seen-hole": Entry(
        "{count:many place|places} could hide a spot over the limit; the widest, {width_mm:length} at"
        " {x_mm:length_bare}, {y_mm:length_bare}, was not seen: {why}.",
        "{cure}",
    ),
    "seen-averaged": Entry(
        "{file}: cells were averaged to {step_mm:measured}; standard figures of the finest shape are a little low.",
        "",
        "inspector",
    ),
    "seen-no-sum": Entry(
        "{file} can't be checked for damage: {sentence}.",
        "export it with its checksums, so that damage to it would show",
    ),
    "seen-too-little": Entry(
        "Too little was seen, {coverage:whole_percent} of the judged region: {sentence}.",
        "{cure}",
        "both",
        Verdict.NOT_MEASURED,
    ),
    "seen-fold": Entry("A part: {sentence}; {cure}.", "{cure}", "both", Verdict.NOT_MEASURED),
    "seen-nothing-stands-out": Entry("Nothing stands out of the unevenness of the rest."),
    "light-one-direction": Entry(f"One stripe direction only: {_TURN} before calling it ready.", _TURN),
    "light-one-direction-far": Entry(
        "One stripe direction only: the limits are far enough from what that leaves unsure.",
        _TURN,
        "inspector",
    ),
    "light-one-direction-look": Entry(
        "Only one stripe direction was used: what runs along the lines across the stripes is not seen, and depths"
        " compare less well. Two photos from one place show more.",
        "take two photos from one place, the board turned by 90 degrees between them",
    ),
    "light-same-direction": Entry(
        "Both photos tell the same direction; only one was used. Turn the board by 90 degrees for one.",
        "turn the board by 90 degrees for one of the photos",
    ),
    "light-assumed": Entry(
        "Which way is low was told by the stripes: a hollow spreads them and a bump crowds them, as on any"
        " panel that is"
        " flat or crowned as a whole. On one that is hollow as a whole, past its own focus, high and low change places."
    ),
    "photo-poor": Entry("{file}: {sentence}; {cure}.", "{cure}"),
    "photo-not-used": Entry("{file}: not used, since it does not show the view of the first photo."),
    "photo-left-out": Entry("{file}: left out: {why}.", "", "inspector"),
    "light-photos-disagree": Entry(
        "Where the photos overlap they differ by {slope_mrad:mrad} of slope, {file} most.",
        "check that neither board nor panel moved between the photos, and that the tags lie flat",
    ),
    "photo-no-stripes": Entry("{file}: no stripes can be followed in it."),
    "photo-doubtful": Entry(
        "{file}: its stripes are doubtful (trust {trust:share}, under {threshold}); take what is drawn with care.",
        "wet or gloss the surface, and shade it from room light",
    ),
    **SETUP_REASONS,
    "other-panel-held": Entry(
        "Held against {name}; a bend of {bend_mm:measured} over the whole panel was taken for the two set-ups,"
        " or the two"
        " panels, and is no part of the deviation."
    ),
    "other-panel-own-spot": Entry(
        "At {spots:list}: {name} reports a spot there itself; look at both panels.",
        "look at both panels",
    ),
    "build-over": Entry(
        _BUILD + "over the limit of {limit_mm:measured}" + _CHANCE,
        "bring the metal up first",
        "both",
        Verdict.REWORK,
    ),
    "build-close": Entry(
        _BUILD + "too close to call against the limit of {limit_mm:measured}" + _CHANCE,
        "measure the thickness with a gauge",
    ),
    "build-unknown": Entry(
        "The greatest build was not measured.", "shoot again", "both", Verdict.NOT_MEASURED
    ),
    "build-no-limit": Entry(
        "The later pass gives no filler depth to judge the build against.",
        "say limits.filler_depth_mm in the later pass's sheet",
        "both",
        Verdict.NOT_MEASURED,
    ),
    "passes-fold": Entry(
        "The pass {which} has a part that is {sentence}: the build there is not known.",
        "shoot that pass again",
        "both",
        Verdict.NOT_MEASURED,
    ),
    "passes-too-little": Entry(
        "Only {common:whole_percent} of the judged region was measured in both passes; nothing is said about the rest.",
        "shoot again with the whole panel in view",
        "both",
        Verdict.NOT_MEASURED,
    ),
    "build-within": Entry(_BUILD + "within the limit of {limit_mm:measured}" + _CHANCE),
    "passes-part": Entry("{common:whole_percent} of the judged region was measured in both passes."),
    "passes-tags-moved": Entry(
        "The tags were moved between the passes: laid over each other by the unchanged surface, shifted by"
        " {x_mm:off} sideways (within {u_x_mm:off}) and {y_mm:off} up (within {u_y_mm:off}), and turned by"
        " {turn_mrad:.1f} mrad (within {u_turn_mrad:.1f}; all 95 %).",
    ),
    "passes-few-unchanged": Entry(
        "Only {unchanged:whole_percent} of the panel looks unchanged: where filler covers nearly all, height is told by"
        " the tags alone; lay them on surface that stays as it is.",
        "lay the tags on surface that stays as it is",
    ),
    "passes-build-cut-off": Entry(
        "A patch of build reaches the edge of what was measured and may go on there.",
        "shoot again with a wider field",
    ),
}
"""Every kind of reason, by its code; what is said first stands first."""

_RANK = {code: k for k, code in enumerate(REASONS)}
_FIRST = {Weight.DECIDES: 0, Weight.DOUBT: 1, Weight.NOTE: 2}


def reason(code: str, weight: Weight = Weight.NOTE, about: str = "", **numbers: Any) -> Reason:
    """Make a reason of a known code (KeyError for another)."""
    entry = REASONS[code]
    cure = fill_in(entry.cure, numbers)
    return Reason(code, weight, numbers, about, entry.audience, cure)


def stands_first(one: Reason) -> bool:
    """Whether a reason speaks of everything below it, such as a set-up that the photos contradict."""
    return one.code in REASONS and REASONS[one.code].leads and one.weight != Weight.NOTE


def in_order(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    """Each once, what decides first, then doubts, then notes, each in the order of the table; the rule last."""
    alone: dict[str, Reason] = {}
    for one in reasons:
        key = repr((one.code, one.about, sorted(one.numbers.items(), key=lambda pair: pair[0])))
        kept = alone.get(key)
        if kept is None or _FIRST[one.weight] < _FIRST[kept.weight]:
            alone[key] = one

    def place(one: Reason) -> tuple[Any, ...]:
        spot = one.numbers.get("spot")
        return (
            one.code == "limit-rule",
            not stands_first(one),
            _FIRST[one.weight],
            _RANK.get(one.code, len(_RANK)),
            spot if isinstance(spot, int) else 0,
            one.about,
            repr(sorted(one.numbers.items(), key=lambda pair: pair[0])),
        )

    return tuple(sorted(alone.values(), key=place))


def rule_reason(confidence: float) -> Reason:
    """The decision rule at a confidence, as a note."""
    return reason("limit-rule", factor=guard_factor(confidence), confidence=float(confidence))


def rule_sentence(confidence: float = 0.95) -> str:
    """The rule in one sentence, for every output."""
    return sentence_of(rule_reason(confidence))


def sentence_of(one: Reason, units: Units = MM) -> str:
    """The reason in words.

    Raises
    ------
    KeyError
        For a code, or numbers, that this version does not know.
    """
    text = fill_in(REASONS[one.code].sentence, one.numbers, units)
    return f"{view}: {text}" if (view := one.numbers.get("view")) else text


def sentences_of(reasons: Sequence[Reason], units: Units, stored: Sequence[str] = ()) -> list[str]:
    """All reasons in words.

    Parameters
    ----------
    reasons : sequence of Reason
    units : Units
    stored : sequence of str
        The same as the result has them, mm: what is shown for a code that this version does not know, and for
        results that were written before there were records.
    """
    if not reasons:
        return list(stored)
    texts = []
    for k, one in enumerate(reasons):
        try:
            texts.append(sentence_of(one, units))
        except (KeyError, ValueError, TypeError):
            texts.append(stored[k] if len(stored) == len(reasons) else f"{one.code}: {one.cure}".rstrip(": "))
    return texts


def read_reasons(rows: Any) -> tuple[Reason, ...]:
    """Reasons back from the ``findings`` of `result.json`; rows that are none are left out."""
    found = []
    for row in rows if isinstance(rows, list) else ():
        if not isinstance(row, dict) or not isinstance(row.get("code"), str):
            continue
        numbers, weight = row.get("numbers"), row.get("weight")
        known = (
            Weight(weight) if weight in set(Weight) else Weight.DOUBT
        )  # of a later version: a doubt at least
        found.append(
            Reason(
                row["code"],
                known,
                numbers if isinstance(numbers, dict) else {},
                str(row.get("about", "")),
                str(row.get("for", "both")),
                str(row.get("cure", "")),
            )
        )
    return tuple(found)
