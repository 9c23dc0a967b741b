"""The result in the terminal: the verdict, the spots, what to do, and the cautions."""

from __future__ import annotations

import textwrap
from typing import Any, Protocol

from surfscan.core.records import Spot
from surfscan.core.units import MM, Units
from surfscan.report.films import film_lines
from surfscan.report.sweeps import unseen_lines
from surfscan.report.words import (
    Told,
    action_text,
    against_word,
    better_shot_text,
    flag_text,
    gauge_lines,
    headline_line,
    limits_line,
    not_looked_line,
    reason_lines,
    work_lines,
)

__all__ = ["CAUTIONS", "format_result"]

_WIDTH = 96

CAUTIONS = (
    "Sanding dust and isocyanate paints need extraction, a respirator and gloves, as the product's safety"
    " sheet says. Never grind a high thinner than the metal allows. A flat surface says nothing about"
    " structure, corrosion, or cameras and radar behind a cover. The figure is an aid; the inspector decides."
)

_PLAIN = str.maketrans({"±": "+/-", "×": "x", "²": "2"})  # any terminal shows these
_MARK = {"low": "v low", "high": "^ high"}


class Shown(Told, Protocol):
    """What the table reads: a result in memory, or one read back."""

    @property
    def coverage(self) -> float: ...
    @property
    def spots(self) -> tuple[Spot, ...]: ...


def format_result(result: Shown, units: Units = MM, *, why: bool = False) -> str:
    """Return the whole text, lines of at most 96 letters (numbers in columns, NaN as "-").

    Parameters
    ----------
    result : CheckResult or StoredResult
    units : Units
    why : bool
        The inspector's reasons too: figures with their uncertainty, and the rule.

    Returns
    -------
    str
        Without a newline at the end.
    """
    name, stage = result.panel.get("name") or "panel", result.panel.get("stage", "")
    head = headline_line(result, units)
    lines = [f"{name} ({stage})", *_wrapped(head)]
    told = [text for text in reason_lines(result, units, audience="tech") if text != head]
    lines += [line for text in told for line in _wrapped(text, "  ")]
    end = _end(result, units, why)
    if "relative" in result.details:
        return "\n".join([*lines, "", *_relative_lines(result.details["relative"]), *end])
    lines += _wrapped(
        f"{limits_line(result.limits, units)} {100 * result.coverage:.0f} % of the judged region was measured."
    )
    more = [*film_lines(result.details), *unseen_lines(result.details, units)]
    lines += [line for text in more for line in _wrapped(text)]
    if result.spots:
        lines += ["", *_spot_lines(result.spots, result.details, units)]
    order = work_lines(result.details, units)
    if order:
        lines += ["", "Work order:"]
        lines += [line for k, text in enumerate(order, 1) for line in _wrapped(text, f"{k:>3}  ")]
    gauges = gauge_lines(result.details, units)
    lines += ["", *(line for text in gauges for line in _wrapped(text.translate(_PLAIN)))] if gauges else []
    cures = [row.get("shrinks_most") for row in result.details.get("uncertainty", {}).get("spots", [])]
    if cures and cures[0]:
        lines += _wrapped(f"To sharpen spot 1 most: {cures[0]}.")
    return "\n".join([*lines, *end])


def _end(result: Shown, units: Units, why: bool) -> list[str]:
    """What was not looked for, the reasons where they are asked for, and the cautions."""
    lines = _wrapped(not_looked_line(result))
    told = reason_lines(result, units, audience="inspector") if why else []
    if told:
        lines += ["", "Why:", *(line for text in told for line in _wrapped(text))]
    return [*lines, "", *_wrapped(CAUTIONS)]


def _spot_lines(spots: tuple[Spot, ...], details: dict[str, Any], units: Units) -> list[str]:
    word = units.word
    head = f"{'No.':>3}  {'kind':<6}  {f'at x, y {word}':>14}  {f'peak {word}':>10}  {f'+/- {word}':>7}"
    lines = [f"{head}  {f'size {word}':>11}  {'area':>9}  {'fill':>8}  limit"]
    for spot in spots:
        place = f"{units.bare(units.length(spot.x_mm))}, {units.bare(units.length(spot.y_mm))}"
        size = " x ".join(units.bare(units.length(mm)) for mm in (spot.length_mm, spot.width_mm))
        peak = units.bare(units.depth(spot.peak_mm, sign=True))
        if spot.peak_open:  # at least this much: a low lies below it, a high above
            peak = ("<= " if spot.kind == "low" else ">= ") + peak
        within = "open" if spot.peak_open else units.bare(units.depth(spot.u95_mm))
        volume = units.volume(abs(spot.volume_ml)) if spot.kind == "low" else "-"
        lines.append(
            f"{spot.id:>3}  {_MARK.get(spot.kind, spot.kind):<6}  {place:>14}  {peak:>10}  {within:>7}"
            f"  {size:>11}  {units.area(spot.area_cm2).translate(_PLAIN):>9}  {volume:>8}  {against_word(spot)}"
        )
        if spot.action:
            said = f"{action_text(spot, units)} {better_shot_text(details, spot)}"
            lines += _wrapped(said.rstrip(), "     ")
        if spot.flags:
            lines.append("     note: " + ", ".join(spot.flags))
    lines.append(
        "+/- holds the true peak 95 times in 100. x to the right, y up, from the middle of the panel."
    )
    bent = details.get("curved")
    if bent:
        lines += _wrapped(
            f"The panel bends by {bent['bend_deg']:.0f} degrees: places are distances along its surface, heights stand "
            "on it."
        )
    if any(spot.peak_open for spot in spots):
        lines += _wrapped(
            "open: the rim of what was seen cuts the spot, so it is at least this much, and may be more."
        )
    for name in dict.fromkeys(name for spot in spots for name in spot.flags):  # each told once, in order
        lines += _wrapped(flag_text(name), f"{name}: ")
    return lines


def _relative_lines(look: dict[str, Any]) -> list[str]:
    """Highs and lows in shares of the deepest; places in the photo, sizes in stripes, no millimetre."""
    if not look["spots"]:
        return []
    head = f"{'No.':>3}  {'kind':<6}  {'of the deepest':>14}  {'at column, row':>16}  {'size, stripes':>13}"
    lines = [head]
    for spot in look["spots"]:
        place = f"{spot['column_px']:.0f}, {spot['row_px']:.0f}"
        size = f"{spot['length_stripes']:.1f} x {spot['width_stripes']:.1f}"
        share = f"{spot['relative_depth']:+.2f}"
        lines.append(
            f"{spot['id']:>3}  {_MARK[spot['kind']]:<6}  {share:>14}  {place:>16}  {size:>13}"
            + ("  at the edge" if spot["at_edge"] else "")
        )
    lines.append("- is low. Columns count from the left, rows from the top of the first photo, in pixels.")
    return lines


def _wrapped(text: str, indent: str = "") -> list[str]:
    rest = " " * len(indent)
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=rest, break_on_hyphens=False
    ) or [""]
