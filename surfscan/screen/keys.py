"""The keys of the job sheet that belong to what a screen shows."""

from __future__ import annotations

from typing import Any

from surfscan.job.sheet_writing import write_sheet
from surfscan.screen.pattern import Screen, ScreenFrame

__all__ = ["keys_text", "sheet_keys"]


def sheet_keys(frames: tuple[ScreenFrame, ...], screen: Screen) -> dict[str, Any]:
    """The tables ``board`` and ``photo``; where the screen stands is for the user to measure.

    Parameters
    ----------
    frames : tuple of ScreenFrame
        As photographed, one photo each.
    screen : Screen

    Returns
    -------
    dict
    """
    width, height = screen.size_mm
    board = {
        "pattern": frames[0].pattern,
        "period_mm": frames[0].period_mm,
        "size_mm": [round(width, 2), round(height, 2)],
    }
    photos = []
    for frame in frames:
        row: dict[str, Any] = {"file": frame.file}
        if frame.varies:
            row["varies"] = frame.varies
        if frame.pattern == "stepped":
            row |= {"period_mm": frame.period_mm, "phase_deg": frame.phase_deg}
        photos.append(row)
    return {"board": board, "photo": photos}


def keys_text(frames: tuple[ScreenFrame, ...], screen: Screen) -> str:
    """The same as text to put into `panel.toml`, with what is still to be measured."""
    text = write_sheet(sheet_keys(frames, screen))
    measure = (
        "# Measure where the screen stood and put it here, mm from the panel's middle:\n"
        "# centre_mm = [x, y, z]   # the middle of the lit area\n"
        "# across = [1, 0, 0]      # the screen's direction to the right, seen from its front\n"
        "# up = [0, -0.82, 0.57]   # its direction up\n"
    )
    board, rest = text.split("\n\n", 1)
    return f"{board}\n{measure}\n{rest}"
