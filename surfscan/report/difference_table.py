"""A comparison in the terminal."""

from __future__ import annotations

import math
import textwrap

from surfscan.change.build import Build
from surfscan.change.buildup import Buildup
from surfscan.change.comparison import Comparison

__all__ = ["format_comparison"]

_WIDTH = 96


def format_comparison(found: Comparison | Buildup) -> str:
    """Return the whole text, lines of at most 96 letters ("-" for what is not known)."""
    whole = found.whole if isinstance(found, Buildup) else found
    name = whole.after.panel.get("name") or "panel"
    first, last = (str(r.panel.get("stage", "")) for r in (whole.before, whole.after))
    lines = [f"{name}: {first} to {last}", *_wrapped(whole.sentence)]
    lines += [line for reason in whole.reasons if reason != whole.sentence for line in _wrapped(reason, "  ")]
    lines += ["", *_build_lines("added", whole.build), *_build_lines("taken off", whole.cut)]
    if isinstance(found, Buildup) and len(found.steps) > 1:
        lines += ["", "step by step:  stages                     added mm   u95   taken off mm   u95"]
        for k, step in enumerate(found.steps, 1):
            stages = f"{step.before.panel.get('stage', '')} to {step.after.panel.get('stage', '')}"
            lines.append(
                f"{k:>12}.  {stages:<25} {_mm(step.build.max_mm):>9} {_mm(step.build.u95_mm):>5}"
                f" {_mm(step.cut.max_mm):>13} {_mm(step.cut.u95_mm):>6}"
            )
    if whole.spots:
        lines += [
            "",
            "spots   before  after  change          x mm    y mm   before mm   after mm   grew mm    u95",
        ]
        for row in whole.spots:
            mark = "v low" if row.kind == "low" else "^ high"
            lines.append(
                f"{mark:<7} {_id(row.before):>6} {_id(row.after):>6}  {row.change.replace('_', ' '):<13}"
                f" {row.x_mm:>6.0f} {row.y_mm:>7.0f} {_mm(row.before_mm, True):>11} {_mm(row.after_mm, True):>10}"
                f" {_mm(row.grown_mm, True):>9} {_mm(row.u95_mm):>6}"
            )
    return "\n".join(lines)


def _build_lines(word: str, build: Build) -> list[str]:
    if not build.patches:
        return [f"{word}: nothing that stands out of the uncertainty"]
    lines = [
        f"{word}: {build.volume_ml:.3g} ml (within {build.u95_volume_ml:.2g}) on {build.area_cm2:.3g} cm²",
        "   greatest mm    u95    x mm    y mm   area cm²   volume ml   feather edge mm",
    ]
    for patch in build.patches[:12]:
        edge = "-" if math.isnan(patch.edge_mm) else f"{patch.edge_mm:.0f}"
        lines.append(
            f"   {_mm(patch.max_mm):>11} {_mm(patch.u95_mm):>6} {patch.x_mm:>7.0f} {patch.y_mm:>7.0f}"
            f" {patch.area_cm2:>10.3g} {patch.volume_ml:>11.3g} {edge:>17}"
        )
    if len(build.patches) > 12:
        lines.append(f"   and {len(build.patches) - 12} smaller ones")
    return lines


def _mm(value: float, signed: bool = False) -> str:
    if not math.isfinite(value):
        return "-"
    return f"{value:+.3f}" if signed else f"{value:.3f}"


def _id(number: int | None) -> str:
    return "-" if number is None else str(number)


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent)
