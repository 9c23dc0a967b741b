"""The sheet that a new job of the page starts with."""

from __future__ import annotations

from typing import Any

__all__ = ["empty_job"]


def empty_job() -> dict[str, Any]:
    """The sheet a new job starts from: a door skin, four tags, a board a metre away."""
    return {
        "panel": {"name": "", "stage": "primer", "size_mm": [640.0, 440.0]},
        "tags": {
            "dictionary": "4x4_50",
            "side_mm": 36.0,
            "centres_mm": {
                "0": [-293.0, -193.0],
                "1": [293.0, -193.0],
                "2": [293.0, 193.0],
                "3": [-293.0, 193.0],
            },
        },
        "camera": {},
        "board": {
            "pattern": "stripes",
            "period_mm": 30.0,
            "centre_mm": [0.0, 573.6, 819.2],
            "across": [1.0, 0.0, 0.0],
            "up": [0.0, -0.8191, 0.5736],
            "size_mm": [1500.0, 1300.0],
        },
        "photo": [],
        "limits": {},
    }
