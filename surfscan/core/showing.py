"""How results show themselves: a few lines at a prompt, picture and table in a notebook."""

from __future__ import annotations

from importlib import import_module
from typing import Any

__all__ = ["in_notebook", "in_short"]


def in_short(result: Any) -> str:
    """A result in a few lines: verdict, spots, coverage."""
    spots = [f"  {s.id} {s.kind} {s.peak_mm:+.3f} mm at {s.x_mm:.0f}, {s.y_mm:.0f}" for s in result.spots[:6]]
    more = [f"  and {len(result.spots) - 6} more"] if len(result.spots) > 6 else []
    rows, columns = result.height.grid.shape
    head = (
        f"<{type(result).__name__} {result.panel.get('name') or 'panel'!r} ({result.panel.get('stage', '')}):"
        f" {result.verdict}, {100 * result.coverage:.0f} % measured, map {rows} x {columns}"
        f" at {result.height.grid.step_mm:g} mm>"
    )
    return "\n".join([head, *spots, *more])


def in_notebook(result: Any) -> str:
    """The result as HTML. Drawing is the report's, below this room: it is found by name when a notebook asks."""
    return str(import_module("surfscan.report.notebook").result_html(result))
