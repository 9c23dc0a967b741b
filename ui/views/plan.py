"""Plan a shot: what the phone and the board will see, where they must go, and what to print."""

from __future__ import annotations

import math
import tempfile

import streamlit as st

import surfscan
from surfscan.core.units import units_named
from surfscan.job.sheet_writing import board_facing_panel
from surfscan.plan.backward import Placement, place_shot
from surfscan.plan.forward import plan_shot
from surfscan.plan.pictures import draw_plan
from surfscan.plan.printing import write_print
from surfscan.plan.records import Plan
from surfscan.plan.shot import Shot, finish_named
from surfscan.plan.sweep import SweepPlan, plan_sweep, sweep_text
from surfscan.plan.sweep_picture import sweep_page
from surfscan.plan.words import plan_text
from surfscan.plan.writers import page_to_png
from surfscan.ui import looks, session
from surfscan.ui.parts.lengths import ask_length, ask_number

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
    st.button(
        "Use this set-up for the job", key="p-use", on_click=_hand_over, args=(plan.shot,), width="stretch"
    )
    st.caption("Its numbers are then under Where, to be held against what really stands there.")
    _sweep(plan)
    _print(plan.shot)


def _hand_over(shot: Shot) -> None:
    """The planned places into the job's form; nobody has confirmed them yet."""
    angle, far = math.radians(shot.angle_deg), shot.board_distance_mm
    centre = (0.0, far * math.sin(angle), far * math.cos(angle))
    across, up = board_facing_panel(centre)
    board = {
        "pattern": "stripes", "period_mm": shot.period_mm, "centre_mm": [round(v, 1) for v in centre],
        "across": [round(v, 6) for v in across], "up": [round(v, 6) for v in up], "size_mm": list(shot.board_mm),
    }  # fmt: skip
    tables = {**session.job(), "board": board, "size_mm": list(shot.panel_mm)}
    if shot.focal_35mm is not None:
        tables["camera"] = {"focal_35mm": shot.focal_35mm}
    session.use_setup(tables, "")
    session.go_to("Where")


def _key(name: str) -> str:
    """Another job's set-up begins anew."""
    return f"p-{name}-{session.job_id()}" if session.confirmed() else f"p-{name}"


def _ask() -> Shot | None:
    job = session.job() if session.confirmed() else session.empty_job()
    camera, planned = job.get("camera") or {}, job.get("board") or {}
    if planned.get("centre_mm") is None or planned.get("size_mm") is None:
        planned = session.empty_job()["board"]
    size: list[float] = job["panel"].get("size_mm") or [640.0, 440.0]
    x, y, z = (float(v) for v in planned["centre_mm"])
    if session.confirmed():
        st.caption("It begins with the set-up of the open job.")
    width = ask_length("Panel, width", size[0], _key("width"), least=20)
    height = ask_length("Panel, height", size[1], _key("height"), least=20)
    crown = ask_length("Crown radius (0: flat)", 0.0, "p-crown", most=100_000)
    surface = st.selectbox(
        "Surface", list(_SURFACES), format_func=lambda k: _SURFACES[k], key=session.kept("p-surface")
    )
    focal = ask_number(
        "Focal length, 35 mm equivalent", camera.get("focal_35mm") or 26.0, _key("focal"), least=5, most=2000
    )
    board_w = ask_length("Board, width", planned["size_mm"][0], _key("board-w"), least=20)
    board_h = ask_length("Board, height", planned["size_mm"][1], _key("board-h"), least=20)
    period = ask_length(
        "Stripe period", planned.get("period_mm") or 30.0, _key("period"), least=0.5, most=1000
    )
    far = math.hypot(x, y, z) if session.confirmed() else 900.0
    board = ask_length("Board from the panel's middle", far, _key("board"), least=50)
    camera = ask_length("Phone from the panel's middle", 1100.0, "p-camera", least=50)
    lean = round(math.degrees(math.atan2(math.hypot(x, y), z)))
    angle = st.slider(
        "Degrees off the panel's normal", 5, 85, min(max(lean, 5), 85), key=session.kept(_key("angle"))
    )
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


def _sweep(plan: Plan) -> None:
    """From where several photos show a panel in a board that is too small for one."""
    small = any(problem.name == "board" for problem in plan.problems)
    with st.expander("Several photos, for a board that does not show in all of the panel", expanded=small):
        st.markdown("Board and panel stay, the phone moves: every photo shows another part of the panel.")
        if not st.toggle("Where to take them from", key=session.kept("p-sweep")):
            return
        sweep, units = _sweep_cached(repr(plan.shot), plan.shot), units_named(session.units())
        if sweep.photos:
            st.image(page_to_png(sweep_page(sweep, units), dpi=110), caption="The places to scale")
        st.code("\n".join(sweep_text(sweep, units)), language=None, wrap_lines=True)


@st.cache_data(max_entries=20, show_spinner="Looking for places")
def _sweep_cached(key: str, _shot: Shot) -> SweepPlan:
    return plan_sweep(_shot)


def _print(shot: Shot) -> None:
    st.subheader("Print at true size")
    paper = st.segmented_control(
        "Paper", ["a4", "letter", "a3"], default="a4", key=session.kept("p-paper"), required=True
    )
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
