"""Plan a shot: what the phone and the board will see, where they must go, and what to print."""

from __future__ import annotations

import math
import tempfile

import streamlit as st

import surfscan
from surfscan.core.units import units_named
from surfscan.plan.backward import Placement, place_shot
from surfscan.plan.forward import plan_shot
from surfscan.plan.pictures import draw_plan
from surfscan.plan.printing import write_print
from surfscan.plan.records import Plan
from surfscan.plan.shot import Shot, finish_named
from surfscan.plan.words import plan_text
from surfscan.ui import looks, session
from surfscan.ui.parts.lengths import ask_length

__all__ = ["show"]

_SURFACES = {
    "gloss": "Gloss or clear coat",
    "wet-primer": "Wet primer",
    "satin": "Satin",
    "dry-primer": "Dry sanded primer",
}


def show() -> None:
    """The form, the answer, its pictures, and the pages to print."""
    st.title("Plan a shot")
    left, right = st.columns(2)
    with left:
        shot = _ask()
    with right:
        if shot is None:
            return
        placement = _search(shot)
        plan = placement.plan if placement else _forward(shot)
        _answer(plan, placement)
    _print(plan.shot)


def _ask() -> Shot | None:
    width = ask_length("Panel, width", 640.0, "p-width", least=20)
    height = ask_length("Panel, height", 440.0, "p-height", least=20)
    crown = ask_length("Crown radius (0: flat)", 0.0, "p-crown", most=100_000)
    surface = st.selectbox("Surface", list(_SURFACES), format_func=lambda k: _SURFACES[k], key=session.kept("p-surface"))
    focal = st.number_input("Focal length, 35 mm equivalent", 5.0, 2000.0, 26.0, 1.0, key=session.kept("p-focal"))
    board_w = ask_length("Board, width", 1500.0, "p-board-w", least=20)
    board_h = ask_length("Board, height", 1300.0, "p-board-h", least=20)
    period = ask_length("Stripe period", 30.0, "p-period", least=0.5, most=1000)
    board = ask_length("Board from the panel's middle", 900.0, "p-board", least=50)
    camera = ask_length("Phone from the panel's middle", 1100.0, "p-camera", least=50)
    angle = st.slider("Degrees off the panel's normal", 5, 85, 35, key=session.kept("p-angle"))
    try:
        return Shot(
            panel_mm=(width, height),
            crown_mm=crown or math.inf,
            focal_35mm=focal,
            board_mm=(board_w, board_h),
            period_mm=period,
            board_distance_mm=board,
            camera_distance_mm=camera,
            angle_deg=float(angle),
            surface=finish_named(surface),
        )
    except surfscan.UsageError as error:
        looks.refusal(error)
        return None


def _search(shot: Shot) -> Placement | None:
    with st.expander("Find where the board and the phone must go"):
        depth = ask_length("A low this deep must be seen", 0.05, "p-depth", least=0.0001, most=50, fine=True)
        width = ask_length("and this wide, from foot to foot", 60.0, "p-low-width", least=1)
        if st.button("Find a place", key="p-find"):
            st.session_state["p-asked"] = (shot, depth, width)
    asked = st.session_state.get("p-asked")
    if asked != (shot, depth, width):
        return None
    return _place(repr(shot), depth, width, shot)


@st.cache_data(max_entries=20, show_spinner="Looking for a place")
def _place(key: str, depth: float, width: float, _shot: Shot) -> Placement:
    return place_shot(_shot, depth_mm=depth, width_mm=width)


@st.cache_data(max_entries=50, show_spinner=False)
def _forward_cached(key: str, _shot: Shot) -> Plan:
    return plan_shot(_shot)


def _forward(shot: Shot) -> Plan:
    return _forward_cached(repr(shot), shot)


def _answer(plan: Plan, placement: Placement | None) -> None:
    units = units_named(session.units())
    if placement:
        st.markdown(f"**{placement.told.say(units)}**")
    works = placement.reached if placement else plan.works
    st.subheader("This shot works." if works else "This shot will not work as it is.")
    middle = 0.3 * min(plan.shot.panel_mm)
    small = plan.smallest_at(middle)
    if math.isfinite(small):
        st.markdown(
            f"A low {looks.length(middle)} wide shows from {looks.depth(small)} deep, up to "
            f"{looks.depth(plan.deepest_at(middle))}, where the reflection folds over."
        )
    for problem in plan.problems:
        cure = problem.remedy.say(units)
        st.markdown(f"{problem.told.say(units)} {cure[:1].upper()}{cure[1:]}.")
    if plan.changes:
        st.markdown("**What would help most**")
        st.markdown("\n".join(f"- {change.told.say(units)}" for change in plan.changes))
    pictures = draw_plan(plan, dpi=110, units=units)
    st.image(pictures["set-up.png"], caption="The set-up to scale")
    st.image(pictures["curve.png"], caption="Which lows show: between the two lines")
    with st.expander("All figures"):
        st.code(plan_text(plan, units=units), language=None, wrap_lines=True)


def _print(shot: Shot) -> None:
    st.subheader("Print at true size")
    paper = st.segmented_control("Paper", ["a4", "letter", "a3"], default="a4", key=session.kept("p-paper"), required=True)
    what = st.segmented_control(
        "What", ["tags", "stripes", "gauge"], default="tags", key=session.kept("p-what"), required=True
    )
    if st.button("Make the pages", key="p-make"):
        with tempfile.TemporaryDirectory() as folder:
            file = write_print(
                what,
                folder,
                paper=paper,
                size_mm=shot.board_mm,
                period_mm=shot.period_mm,
                side_mm=shot.tag_side_mm,
            )[0]
            data, name = file.read_bytes(), file.name
        st.download_button(f"{name}: print at 100 %", data, name, "application/pdf", key="p-pdf")
