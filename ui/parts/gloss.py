"""How the panel will look in clear coat, from all round it, beside the same panel made fair."""

from __future__ import annotations

import streamlit as st

import surfscan
from surfscan.core.units import units_named
from surfscan.gloss.moving import move_light
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.sheet import draw_gloss_pair
from surfscan.gloss.viewing import Viewpoint, walk_round
from surfscan.ui import running, session
from surfscan.ui.light import show_roll

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
    if st.toggle("Carry a strip light over it", key=session.kept("g-move")):
        _carried(result, f"{digest}-moving-{place}-{times}", view, float(times))


def _carried(result: surfscan.CheckResult, key: str, view: Viewpoint, times: float) -> None:
    """The panel as it is and made fair, under a light that a finger moves."""
    moving = running.cached_object(key, lambda: move_light(result.height, view=view, exaggeration=times))
    count, height, width, _ = moving.frames.shape
    roll = running.as_url(moving.frames.reshape(count * height, width, 3), quality=80, key=key)
    show_roll(
        "carried-light",
        roll,
        (width, height),
        count,
        alt="A strip light mirrored in the panel, and in the panel made fair",
    )
    st.caption(
        "Draw a finger up and down over the picture, or move it slowly: the panel as it is above, made fair below. "
        "Where the light's edge bends or closes, the panel is not fair."
    )
