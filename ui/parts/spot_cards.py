"""Spots as cards, worst first: in the order of their numbers, which are the same on every paper."""

from __future__ import annotations

import html
import math
from typing import Any

import streamlit as st

import surfscan
from surfscan.core.flags import describe as describe_flag
from surfscan.ui import looks, session

__all__ = ["spot_cards", "spot_marks", "spot_title"]

_AGAINST = {"rework": "over the limit", "close": "too close to call", "ready": "within the limit"}


def spot_title(spot: surfscan.Spot) -> str:
    """A spot in a few words."""
    least = "at least " if spot.peak_open else ""
    return f"Spot {spot.id}: {spot.kind}, {least}{looks.depth(abs(spot.peak_mm))}"


def spot_marks(result: surfscan.CheckResult, to_picture: Any) -> list[dict[str, Any]]:
    """Marks of all spots for a picture."""
    import numpy as np

    spots = [s for s in result.spots if math.isfinite(s.x_mm) and math.isfinite(s.y_mm)]
    if not spots:
        return []
    places = to_picture(np.array([[s.x_mm, s.y_mm] for s in spots]))
    chosen = session.chosen_spot()
    return [
        {
            "id": s.id,
            "kind": s.kind,
            "x": float(x),
            "y": float(y),
            "title": spot_title(s),
            "chosen": s.id == chosen,
        }
        for s, (x, y) in zip(spots, places, strict=True)
        if math.isfinite(x) and math.isfinite(y)
    ]


def spot_cards(result: surfscan.CheckResult, closer: str) -> None:
    """One card a spot; its button opens the view named `closer`."""
    if not result.spots:
        return
    st.subheader("Each spot, worst first")
    said = looks.words(result)
    for spot in result.spots:
        with st.container(border=True):
            word, half = ("deep", "depth") if spot.kind == "low" else ("tall", "height")
            figures = [
                f"<b>{said.size(spot)}</b> {word}",
                f"95 in 100: {said.interval(spot)}",
                f"{looks.length(spot.length_mm)} by {looks.length(spot.width_mm)} at half its {half}",
                looks.area(spot.area_cm2),
                f"at {looks.place(spot.x_mm, spot.y_mm)}",
            ]
            st.html(
                f'<div class="spot-head">{looks.mark(spot)}<div><strong>{spot.kind.capitalize()} {spot.id}</strong> '
                f'<span class="aside">{_AGAINST.get(spot.verdict, spot.verdict)}</span></div></div>'
                f'<ul class="figures">{"".join(f"<li>{f}</li>" for f in figures)}</ul>'
                f"<p>{html.escape(f'{said.action(spot)} {said.better_shot(spot)}'.rstrip())}</p>{_notes(spot)}"
            )
            st.button(
                f"Look closer at spot {spot.id}", key=f"closer-{spot.id}", width="stretch",
                on_click=session.go_to, args=(closer, spot.id),
            )  # fmt: skip


def _notes(spot: surfscan.Spot) -> str:
    said = []
    for name in spot.flags:
        flag = describe_flag(name)
        said.append(f"{flag.sentence}; {flag.cure}" if flag.cure else flag.sentence)
    return "".join(f'<p class="aside">Note: {html.escape(text)}.</p>' for text in said)
