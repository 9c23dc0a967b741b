"""A picture that can be tapped, drawn on, and compared with another by a slider. Ours, and the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

__all__ = ["show_picture"]

_HERE = Path(__file__).parent
_COMPONENT = st.components.v2.component(
    "surfscan_picture",
    html='<div class="frame"></div>',
    css=(_HERE / "picture.css").read_text(encoding="utf-8"),
    js=(_HERE / "picture.js").read_text(encoding="utf-8"),
)


def show_picture(  # house: a part of the page: each is an attribute of the picture, most have a default
    key: str,
    base: str,
    size: tuple[int, int],
    *,
    alt: str,
    top: str = "",
    names: tuple[str, str] = ("photo", "map"),
    marks: list[dict[str, Any]] | None = None,
    shapes: list[dict[str, Any]] | None = None,
    draw: int | None = None,
    draw_label: str = "",
    tappable: bool = False,
) -> Any:
    """Show a picture.

    Parameters
    ----------
    key : str
    base, top : str
        Data addresses; with `top`, a slider uncovers it over `base`.
    size : (width, height)
        In the pixels that all places count in.
    alt : str
        The picture in words.
    names : (str, str)
        What the slider goes from and to.
    marks : list of dict
        Buttons: ``id``, ``kind``, ``x``, ``y``, ``title``, ``chosen``.
    shapes : list of dict
        ``points`` and ``kind``: outline, region, leave or line.
    draw : int, optional
        Number of points to set by tapping; 0 is a polygon of any number. None draws nothing.
    draw_label : str
        What is to be tapped.
    tappable : bool
        Whether a tap anywhere is told.

    Returns
    -------
    object
        Its attributes ``spot`` (id), ``tap`` ([x, y]) and ``drawn`` ([[x, y], ...]) are None but in the run
        right after the tap.
    """
    data = {
        "base": base,
        "top": top,
        "size": list(size),
        "alt": alt,
        "names": list(names),
        "marks": marks or [],
        "shapes": shapes or [],
        "draw": draw,
        "drawLabel": draw_label,
        "tappable": tappable,
    }
    nothing = lambda: None  # noqa: E731
    return _COMPONENT(
        key=key, data=data, on_spot_change=nothing, on_tap_change=nothing, on_drawn_change=nothing
    )
