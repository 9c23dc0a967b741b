"""What a result says of the videos it was made from, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["film_lines"]


def film_lines(details: Mapping[str, Any]) -> list[str]:
    """A sentence or two for each video: frames read, used and left out, and its rolling shutter."""
    return [_line(row) for row in details.get("videos", [])]


def _line(row: Mapping[str, Any]) -> str:
    left = ", ".join(f"{count} {why}" for why, count in row["left_out"].items())
    said = f"{row['file']}: {row['frames_used']} of {row['frames']} frames in {row['seconds']:.1f} s used"
    said += f" (left out: {left})." if left else "."
    if not row["readout_from_frames"]:
        return f"{said} How long its sensor takes to be read was not told: {row['readout_ms']:.0f} ms were taken."
    return (
        f"{said} Its sensor is read in {row['readout_ms']:.1f} ms (95 %: within {row['readout_u95_ms']:.1f} ms), "
        "which is allowed for row by row."
    )
