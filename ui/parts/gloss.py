"""How the panel will look in clear coat, from all round it, beside the same panel made fair."""

from __future__ import annotations

import streamlit as st

import surfscan
from surfscan.core.units import units_named
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.sheet import draw_gloss_pair
from surfscan.gloss.viewing import walk_round
from surfscan.ui import running, session

__all__ = ["show_gloss"]

_LIGHTS = {"stripes": "Striped light", "strip": "Strip light", "grid": "Grid"}
_ROUND = 8


def show_gloss(result: surfscan.CheckResult, digest: str) -> None:
    """The section: a light, a place to stand, the exaggeration, and the two pictures."""
    st.header("In gloss")
    left, middle, right = st.columns(3)
    with left:
        light = st.segmented_control(
            "Light",
            list(_LIGHTS),
            default="stripes",
            format_func=lambda k: _LIGHTS[k],
            key=session.kept("g-light"),
            required=True,
        )
    with middle:
        place = st.slider(
            "Walk round, degrees", 0, 360 - 360 // _ROUND, 0, 360 // _ROUND, key=session.kept("g-place")
        )
    with right:
        times = st.select_slider(
            "Faults made larger",
            [1, 2, 5, 10],
            1,
            format_func=lambda n: "true size" if n == 1 else f"{n} times",
            key=session.kept("g-times"),
        )
    light = light or "stripes"
    view = walk_round(views=_ROUND)[int(place) * _ROUND // 360]
    preview = running.cached_object(
        f"{digest}-gloss-{light}-{place}-{times}",
        lambda: preview_gloss(result.height, lights=(light,), views=(view,), exaggeration=float(times)),
    )
    pair = draw_gloss_pair(preview.pictures[0], exaggeration=float(times))
    st.image(pair, caption="The panel as it is, and the same panel made fair", width="stretch")
    st.caption(preview.told.say(units_named(session.units())))
