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
    length_bar: tuple[float, str] | None = None,
) -> Any:
    """Show a picture.

    Parameters
    ----------
    key : str
    base, top : str
        Addresses; with `top`, a slider takes it off `base`, from right to left.
    size : (width, height)
        In the pixels that all places count in.
    alt : str
        The picture in words.
    names : (str, str)
        Of `base` and of `top`; `top` is on the slider's left, as on the picture.
    marks : list of dict
        Buttons: ``id``, ``kind``, ``x``, ``y``, ``title``, ``chosen``.
    shapes : list of dict
        ``points`` and ``kind``: outline, region, leave, line, fold or contour.
    draw : int, optional
        Number of points to set by tapping; 0 is a polygon of any number. None draws nothing.
    draw_label : str
        What is to be tapped.
    tappable : bool
        Whether a tap anywhere is told.
    length_bar : (float, str), optional
        A length scale: its length in the picture's pixels, and what it says.

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
        "lengthBar": {"px": length_bar[0], "label": length_bar[1]} if length_bar else None,
    }
    nothing = lambda: None  # noqa: E731
    return _COMPONENT(
        key=key, data=data, on_spot_change=nothing, on_tap_change=nothing, on_drawn_change=nothing
    )
