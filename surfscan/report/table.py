"""The result in the terminal: the verdict, the spots, what to do, and the cautions."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from surfscan.core.flags import describe
from surfscan.core.records import CheckResult, Spot

__all__ = ["CAUTIONS", "format_result"]

_WIDTH = 96

CAUTIONS = (
    "Sanding dust and isocyanate paints need extraction, a respirator and gloves, as the product's safety"
    " sheet says. Never grind a high thinner than the metal allows. A flat surface says nothing about"
    " structure, corrosion, or cameras and radar behind a cover. The figure is an aid; the inspector decides."
)

_MARK = {"low": "v low", "high": "^ high"}
_WORD = {"rework": "over", "close": "too close", "ready": "within", "": ""}


def format_result(result: CheckResult) -> str:
    """Return the whole text, lines of at most 96 letters (numbers in columns, NaN as "-").

    Parameters
    ----------
    result : CheckResult

    Returns
    -------
    str
        Without a newline at the end.
    """
    name, stage = result.panel.get("name") or "panel", result.panel.get("stage", "")
    lines = [f"{name} ({stage})", *_wrapped(result.sentence)]
    # A spot over its limit is its own reason; a doubtful photo or a part not seen is always told.
    files = tuple(str(photo.get("file")) for photo in result.photos)
    told = [reason for reason in result.reasons if reason != result.sentence]
    if result.verdict in ("ready", "rework"):
        told = [reason for reason in told if reason.startswith((*files, "A part"))]
    lines += [line for reason in told for line in _wrapped(reason, "  ")]
    if "relative" in result.details:
        return "\n".join([*lines, "", *_relative_lines(result.details["relative"]), "", *_wrapped(CAUTIONS)])
    limits = result.limits
    lines.append(
        f"Limits: low {limits['low_mm']:g} mm, high {limits['high_mm']:g} mm."
        f" {100 * result.coverage:.0f} % of the judged region was measured."
    )
    if result.spots:
        lines += ["", *_spot_lines(result.spots)]
    lines += [line for text in _gauge_sentences(result.details) for line in _wrapped(text)]
    lines += ["", *_wrapped(CAUTIONS)]
    return "\n".join(lines)


def _gauge_sentences(details: dict[str, Any]) -> list[str]:
    """Straightedge, fill plan, finish, what would sharpen the figures, and the rule; what is not there is left out."""
    said = []
    worst = details.get("straightedge", {}).get("worst", {})
    if worst.get("gap_mm") is not None and not math.isnan(worst["gap_mm"]):
        said.append(
            f"Straightedge of {details['straightedge']['length_mm']:g} mm: worst gap {worst['gap_mm']:.3f} mm"
            f" (+/- {worst['u95_mm']:.3f}) at {worst['x_mm']:.0f}, {worst['y_mm']:.0f}."
        )
    fill = details.get("fill", {})
    down = fill.get("highs_down_first", {})
    if fill.get("lows") and down.get("volume_ml") is not None:
        said.append(f"Fill: {down['volume_ml']:.1f} ml, {down['depth_mm']:.2f} mm at the deepest.")
    if fill.get("better") not in (None, "neither", "not_measured"):
        said.append(f"Fill plan: {fill['sentence']}")
    slope = details.get("slope", {})
    if slope.get("steepest_mrad") is not None and not math.isnan(slope["steepest_mrad"]):
        counts = "" if slope.get("counts") else ", for information"
        said.append(
            f"Finish: steepest slope {slope['steepest_mrad']:.2f} mrad in waves of {slope['band_mm'][0]:g} to"
            f" {slope['band_mm'][1]:g} mm (limit {slope['limit_mrad']:g}{counts})."
        )
    cures = [row.get("shrinks_most") for row in details.get("uncertainty", {}).get("spots", [])]
    if cures and cures[0]:
        said.append(f"To sharpen spot 1 most: {cures[0]}.")
    if details.get("rule"):
        said.append(details["rule"])
    return said


def _spot_lines(spots: tuple[Spot, ...]) -> list[str]:
    head = f"{'No.':>3}  {'kind':<6}  {'at x, y mm':>14}  {'peak mm':>8}  {'+/- mm':>7}  {'size mm':>11}"
    head += f"  {'area cm2':>8}  {'fill ml':>7}  limit"
    lines = [head]
    for spot in spots:
        place = f"{_number(spot.x_mm, 0)}, {_number(spot.y_mm, 0)}"
        size = f"{_number(spot.length_mm, 0)} x {_number(spot.width_mm, 0)}"
        peak = _number(spot.peak_mm, 3, "+")
        volume = _number(abs(spot.volume_ml), 2) if spot.kind == "low" else "-"
        lines.append(
            f"{spot.id:>3}  {_MARK.get(spot.kind, spot.kind):<6}  {place:>14}  {peak:>8}"
            f"  {_number(spot.u95_mm, 3):>7}  {size:>11}  {_number(spot.area_cm2, 1):>8}  {volume:>7}"
            f"  {_WORD.get(spot.verdict, spot.verdict)}"
        )
        if spot.action:
            lines += _wrapped(spot.action, "     ")
        if spot.flags:
            lines.append("     note: " + ", ".join(spot.flags))
    lines.append(
        "+/- holds the true peak 95 times in 100. x to the right, y up, from the middle of the panel."
    )
    for name in dict.fromkeys(name for spot in spots for name in spot.flags):  # each told once, in order
        lines += _wrapped(_flag_sentence(name), f"{name}: ")
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


def _flag_sentence(name: str) -> str:
    try:
        flag = describe(name)
    except KeyError:
        return name
    return f"{flag.sentence}; {flag.cure}" if flag.cure else flag.sentence


def _wrapped(text: str, indent: str = "") -> list[str]:
    rest = " " * len(indent)
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=rest) or [""]


def _number(value: float, digits: int, sign: str = "") -> str:
    if not math.isfinite(value):
        return "-"
    text = f"{value:{sign}.{digits}f}"
    return text.replace("-", "") if float(text) == 0 and not sign else text
