"""A comparison in the terminal."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from surfscan.change.build import Build
from surfscan.change.buildup import Buildup
from surfscan.change.comparison import Comparison
from surfscan.core.message import Phrase
from surfscan.core.units import MM, Units
from surfscan.judge.fault_words import counted, numbered
from surfscan.judge.reasons import sentences_of

__all__ = ["fault_change_lines", "format_comparison"]

_WIDTH = 96

_FAULTS = {
    "same": "Small faults still there",
    "new": "New small faults",
    "gone": "Small faults gone",
    "not_measured": "Small faults of one pass that the other could not have found",
}


def format_comparison(found: Comparison | Buildup, units: Units = MM) -> str:
    """Return the whole text in those units, lines of at most 96 letters ("-" for what is not known)."""
    whole = found.whole if isinstance(found, Buildup) else found
    w = units.word
    name = whole.after.panel.get("name") or "panel"
    first, last = (str(r.panel.get("stage", "")) for r in (whole.before, whole.after))
    lines = [f"{name}: {first} to {last}", *_wrapped(whole.told.say(units))]
    lines += [line for text in sentences_of(whole.findings, units) for line in _wrapped(text, "  ")]
    lines += ["", *_build_lines("added", whole.build, units), *_build_lines("taken off", whole.cut, units)]
    if isinstance(found, Buildup) and len(found.steps) > 1:
        lines += ["", f"step by step:  stages                     added {w}   u95   taken off {w}   u95"]
        for k, step in enumerate(found.steps, 1):
            stages = f"{step.before.panel.get('stage', '')} to {step.after.panel.get('stage', '')}"
            lines.append(
                f"{k:>12}.  {stages:<25} {_deep(step.build.max_mm, units):>9} {_deep(step.build.u95_mm, units):>6}"
                f" {_deep(step.cut.max_mm, units):>12} {_deep(step.cut.u95_mm, units):>6}"
            )
    if whole.spots:
        lines += [
            "",
            f"spots   before  after  change          x {w}    y {w}   before {w}   after {w}   grew {w}    u95",
        ]
        for row in whole.spots:
            mark = "v low" if row.kind == "low" else "^ high"
            lines.append(
                f"{mark:<7} {_id(row.before):>6} {_id(row.after):>6}  {row.change.replace('_', ' '):<13}"
                f" {_place(row.x_mm, units):>6} {_place(row.y_mm, units):>7}"
                f" {_deep(row.before_mm, units, sign=True):>11} {_deep(row.after_mm, units, sign=True):>10}"
                f" {_deep(row.grown_mm, units, sign=True):>9} {_deep(row.u95_mm, units):>6}"
            )
    if whole.faults is not None:
        lines.append("")
        for text in fault_change_lines([asdict(row) for row in whole.faults]):
            lines += _wrapped(text)
    return "\n".join(lines)


def fault_change_lines(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """What became of small faults, one line for each outcome, from the rows of `compare.json`."""
    if not rows:
        return ["Small faults: none before, none after."]
    said = []
    for change, words in _FAULTS.items():
        own = [row for row in rows if row["change"] == change]
        if own:
            kinds = Counter(str(row["kind"]) for row in own)
            said.append(f"{words}: {counted(kinds)} ({_which(own)}).")
    return said


def _which(rows: Sequence[Mapping[str, Any]]) -> str:
    """Their numbers: those of the later list, and of the earlier one where it has no later one."""
    for key, word in (("after", "after"), ("before", "before")):
        numbers = [row[key] for row in rows if row[key] is not None]
        if len(numbers) == len(rows):
            return f"{numbered(numbers)} {word}"
    mixed = [
        numbered([row["after"]]) if row["after"] is not None else f"f{row['before']} before" for row in rows
    ]
    return ", ".join(mixed)


def _build_lines(word: str, build: Build, units: Units) -> list[str]:
    if not build.patches:
        return [f"{word}: nothing that stands out of the uncertainty"]
    w, square = units.word, "cm²" if units == MM else "sq in"
    lines = [
        Phrase.of(
            word + ": {ml:.3g} ml (within {u95:.2g}) on {cm2:area_3}",
            ml=build.volume_ml,
            u95=build.u95_volume_ml,
            cm2=build.area_cm2,
        ).say(units),
        f"   greatest {w}    u95    x {w}    y {w} {'area ' + square:>10}   volume ml   feather edge {w}",
    ]
    for patch in build.patches[:12]:
        area = f"{patch.area_cm2:.3g}" if units == MM else units.area(patch.area_cm2).split()[0]
        lines.append(
            f"   {_deep(patch.max_mm, units):>11} {_deep(patch.u95_mm, units):>6} {_place(patch.x_mm, units):>7}"
            f" {_place(patch.y_mm, units):>7} {area:>10} {patch.volume_ml:>11.3g} {_place(patch.edge_mm, units):>17}"
        )
    if len(build.patches) > 12:
        lines.append(f"   and {len(build.patches) - 12} smaller ones")
    return lines


def _deep(mm: float, units: Units, *, sign: bool = False) -> str:
    return units.bare(units.depth(mm, sign=sign))


def _place(mm: float, units: Units) -> str:
    return units.bare(units.length(mm))


def _id(number: int | None) -> str:
    return "-" if number is None else str(number)


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent)
