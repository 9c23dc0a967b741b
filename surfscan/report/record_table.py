"""The record in the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from surfscan.core.units import MM, Units
from surfscan.results.record import Pass

__all__ = ["format_history"]

_WORD = {"ready": "ready", "rework": "rework", "close": "too close", "not_measured": "not measured"}


def format_history(rows: Sequence[Pass], units: Units = MM) -> str:
    """Return the list, one pass a line, at most 96 letters wide ("-" for what is not known)."""
    if not rows:
        return "No passes."
    lines = [
        f"pass  job           checked           panel                  stage       verdict       worst {units.word}"
    ]
    for row in rows:
        worst = units.bare(units.depth(row.worst_mm, sign=True))
        lines.append(
            f"{row.id:>4}  {row.job or '-':<12.12}  {row.started[:16].replace('T', ' '):<16}  {row.panel or '-':<21.21}"
            f"  {row.stage:<10.10}  {_WORD.get(row.verdict, row.verdict):<12}  {worst:>8}"
        )
    return "\n".join(lines)
