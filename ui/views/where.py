"""Where: a station, the set-up of last time, a new one, or no scale."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import looks, session, shots
from surfscan.ui.parts import steps
from surfscan.ui.parts.bring_photos import kit_form, kit_refused, new_station_form, new_station_refused
from surfscan.ui.parts.screen_shot import screen_size, use_screen
from surfscan.ui.parts.sheet_form import setup_form, setup_words
from surfscan.ui.parts.stations import StationChoice, open_stations, stations
from surfscan.ui.sets import SETS

__all__ = ["show"]


def show() -> None:
    """The choices, most used first."""
    steps.head("Where", "Where do you check?")
    known = stations()
    for station in known:
        st.button(
            looks.escape(f"{station.name}: {station.told}"),
            key=f"station-{station.name}",
            on_click=_station,
            args=(station,),
            type="primary",
            width="stretch",
        )
    for name, told in open_stations():
        with st.expander(looks.escape(f"{name}: {told}; with a set-up photo"), expanded=kit_refused(name)):
            kit_form(then="What", station=name)
    _screens()
    if not known:
        steps.sketch("3-board")
    last = session.last_setup()
    if last is not None:
        st.button(
            looks.escape(f"As last time: {setup_words(last)}"),
            key="where-last",
            on_click=_last,
            type="secondary" if known else "primary",
            width="stretch",
        )
        st.caption("Only if board and tags stand and lie as they did then.")
    if session.confirmed():
        steps.onward(f"Keep this set-up: {setup_words()}", "What", key="where-keep")
    with st.expander("A printed kit: nothing to measure, photos alone", expanded=kit_refused()):
        kit_form(then="What")
    st.button(
        "A television as the board: it shows what each photo needs",
        key="where-set",
        on_click=session.go_to,
        args=("Television",),
        width="stretch",
    )
    with st.expander("Make a station: a kit's board that stays where it is", expanded=new_station_refused()):
        new_station_form()
    with st.expander("A new set-up: measure it, or bring the sheet of an earlier job"):
        for name in ("2-tags", "3-board"):
            steps.sketch(name)
        setup_form()
        st.button(
            "It stands like this: next", key="where-form", on_click=_form, type="primary", width="stretch"
        )
    st.button("No scale: show me the highs and lows only", key="where-none", on_click=_none, width="stretch")
    st.caption(
        "Without tags and board in their known place there are no millimetres: a picture, and no depth."
    )


def _screens() -> None:
    """Screens that have joined and whose size is known: one tap, with the stripes of last time."""
    for seen in SETS.joined():
        scale = shots.measured(seen)
        if scale is None or not seen.awake or seen.taken(session.job_id()):
            continue
        st.button(
            f"Screen {seen.number}: {screen_size(seen, scale)}",
            key=f"where-set-{seen.number}",
            on_click=use_screen,
            args=(seen, scale),
            type="primary",
            width="stretch",
        )


def _station(station: StationChoice) -> None:
    session.use_setup(station.tables, "station")
    session.job()["panel"].pop("size_mm", None)  # judged is what lies between the frame's tags
    session.keep_extras(station.files)
    session.more()["station"] = station.name
    session.go_to("What")


def _last() -> None:
    last = session.last_setup()
    if last is not None:
        session.use_setup(last, "last")
    session.go_to("What")


def _form() -> None:
    session.confirm("form")
    session.go_to("What")


def _none() -> None:
    session.confirm("")
    session.go_to("What")
