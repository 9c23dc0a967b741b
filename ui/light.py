"""Pictures that a finger moves through, such as a light carried over a panel; nothing is asked of the server for it."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

__all__ = ["show_roll"]

_HERE = Path(__file__).parent
_ROLL = """
.frame { max-width: 640px; }
.stage { touch-action: none; cursor: ns-resize; }
.stage img.roll { height: auto; inset: auto; top: 0; left: 0; }
"""
_COMPONENT = st.components.v2.component(
    "surfscan_light",
    html='<div class="frame"></div>',
    css=(_HERE / "picture.css").read_text(encoding="utf-8") + _ROLL,
    js=(_HERE / "light.js").read_text(encoding="utf-8"),
)


def show_roll(key: str, roll: str, size: tuple[int, int], count: int, *, alt: str) -> None:
    """Show one picture of a row.

    Parameters
    ----------
    key : str
    roll : str
        Address of all pictures below each other, the first on top.
    size : (width, height)
        Of one, in pixels.
    count : int
    alt : str
        The pictures in words.
    """
    _COMPONENT(key=key, data={"roll": roll, "size": list(size), "count": count, "alt": alt})
