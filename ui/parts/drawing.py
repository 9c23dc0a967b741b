"""Drawing on a photo: the panel's corners, the region to judge, the parts to leave out. Numbers do as well."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import streamlit as st

import surfscan
from surfscan.ui import running, session
from surfscan.ui.picture import show_picture

__all__ = ["corner_drawing", "read_points", "region_drawing"]

_ORDER = "lower-left, lower-right, upper-right, upper-left"
_JUDGE, _LEAVE = "the region to judge", "a part to leave out"


def read_points(text: str, *, exactly: int | None = None) -> list[list[float]]:
    """Points typed as "x, y; x, y; ...".

    Raises
    ------
    RefusedError
        When it is no row of pairs.
    """
    numbers = re.findall(r"[-+]?\d+(?:\.\d+)?", text)
    rest = re.sub(r"[-+]?\d+(?:\.\d+)?", "", text)
    points = [[float(a), float(b)] for a, b in zip(numbers[::2], numbers[1::2], strict=False)]
    wanted = f"{exactly} points" if exactly else "at least 3 points"
    wrong = len(points) != exactly if exactly else len(points) < 3
    if len(numbers) % 2 or wrong or re.search(r"[^\s,;\[\]()]", rest):
        raise surfscan.RefusedError(
            "These are no points",
            found=text[:60] or "nothing",
            allowed=f"{wanted}, as x, y; x, y; ...",
            cure="type two numbers for each corner, with semicolons between the corners",
        )
    return points


def _typed(points: Any) -> str:
    return "; ".join(f"{x:g}, {y:g}" for x, y in points or [])


def corner_drawing(k: int, row: dict[str, Any], look: Any) -> None:
    """The panel's four corners on photo `k`, tapped or typed."""
    scale, size = look.scale, (look.picture.shape[1], look.picture.shape[0])
    kept = row.get("corners_px")
    shapes = [{"points": (np.array(kept) * scale).tolist(), "kind": "region"}] if kept else []
    drawn = show_picture(
        f"corners-{k}-{row['file']}-{session.round_of_form()}",
        running.as_url(look.picture),
        size,
        alt=f"Photo {k + 1}",
        shapes=shapes,
        draw=4,
        draw_label=f"Tap the panel's corners: {_ORDER}. Drag one to mend it.",
    ).drawn
    if drawn:
        row["corners_px"] = [[round(x / scale, 1), round(y / scale, 1)] for x, y in drawn]
        session.forget_result()
        st.rerun()
    typed = st.text_input(
        "Or type them: column, row; ... in pixels of the photo, in that order",
        _typed(kept),
        key=f"corners-typed-{k}-{_typed(kept)}-{session.round_of_form()}",
    )
    if typed != _typed(kept):
        row["corners_px"] = read_points(typed, exactly=4) if typed.strip() else None
        session.forget_result()
        st.rerun()


def region_drawing(found: list[Any]) -> None:
    """The region to judge and the parts to leave out, drawn on the first photo whose place is known."""
    panel = session.job()["panel"]
    what = st.segmented_control(
        "Draw", [_JUDGE, _LEAVE], default=_LEAVE, key=f"draw-what-{session.round_of_form()}", required=True
    )
    look = next((one for one in found if one is not None and one.station is not None), None)
    if look is None:
        st.caption(
            "As soon as a photo shows where the panel is, you can draw on it here. Numbers can be typed below."
        )
    else:
        drawn = _draw_on(look, panel, what == _LEAVE)
        if drawn:
            points = look.to_panel(np.array(drawn) / look.scale)
            _keep(panel, np.round(points, 1).tolist(), what == _LEAVE)
            st.rerun()
    columns = st.columns(2)
    if columns[0].button("Judge the whole rectangle", disabled=not panel.get("region_mm"), width="stretch"):
        panel.pop("region_mm", None)
        session.renew_form()
        st.rerun()
    if columns[1].button("Leave nothing out", disabled=not panel.get("leave_out_mm"), width="stretch"):
        panel.pop("leave_out_mm", None)
        session.renew_form()
        st.rerun()
    typed = st.text_input(
        f"Or type {what or _LEAVE}, mm from the panel's middle (x to the right, y up)",
        key=f"region-typed-{what}-{session.round_of_form()}",
        placeholder="-100, -50; 100, -50; 100, 50; -100, 50",
    )
    if typed.strip() and st.button("Use these points"):
        _keep(panel, read_points(typed), what == _LEAVE)
        st.rerun()


def _draw_on(look: Any, panel: dict[str, Any], leave: bool) -> Any:
    def on_picture(points_mm: Any) -> Any:
        return (look.to_photo(np.array(points_mm, float)) * look.scale).tolist()

    shapes = [{"points": (look.outline_px * look.scale).tolist(), "kind": "outline"}]
    if panel.get("region_mm"):
        shapes.append({"points": on_picture(panel["region_mm"]), "kind": "region"})
    shapes += [{"points": on_picture(part), "kind": "leave"} for part in panel.get("leave_out_mm") or []]
    return show_picture(
        f"region-{look.sha256[:12]}-{session.round_of_form()}",
        running.as_url(look.picture),
        (look.picture.shape[1], look.picture.shape[0]),
        alt="The photo, with the panel's rectangle dashed",
        shapes=shapes,
        draw=0,
        draw_label=f"Tap round {_LEAVE if leave else _JUDGE}, corner by corner, then Done.",
    ).drawn


def _keep(panel: dict[str, Any], points: list[list[float]], leave: bool) -> None:
    if not np.isfinite(points).all():
        raise surfscan.RefusedError(
            "A corner lies off the panel",
            cure="tap on the panel only",
            found="a place beside it",
            allowed="places on the panel",
        )
    if leave:
        panel["leave_out_mm"] = [*(panel.get("leave_out_mm") or []), points]
    else:
        panel["region_mm"] = points
    session.renew_form()
