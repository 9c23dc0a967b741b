"""The record in the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from surfscan.results.record import Pass

__all__ = ["format_history"]

_WORD = {"ready": "ready", "rework": "rework", "close": "too close", "not_measured": "not measured"}


def format_history(rows: Sequence[Pass]) -> str:
    """Return the list, one pass a line, at most 96 letters wide ("-" for what is not known)."""
    if not rows:
        return "No passes."
    lines = [
        "pass  job           checked           panel                  stage       verdict       worst mm"
    ]
    for row in rows:
        worst = "-" if row.worst_mm is None else f"{row.worst_mm:+.3f}"
        lines.append(
            f"{row.id:>4}  {row.job or '-':<12.12}  {row.started[:16].replace('T', ' '):<16}  {row.panel or '-':<21.21}"
            f"  {row.stage:<10.10}  {_WORD.get(row.verdict, row.verdict):<12}  {worst:>8}"
        )
    return "\n".join(lines)
