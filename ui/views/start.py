"""The first screen: what somebody comes for, and the last jobs."""

from __future__ import annotations

import html

import streamlit as st

from surfscan.judge.trade_table import words as trade_words
from surfscan.ui import looks, session
from surfscan.ui.parts.bring_job import open_job_form
from surfscan.ui.parts.place import only_here

__all__ = ["show"]

_OPEN = "start-open"


def show() -> None:
    """Three ways in, then what is open."""
    st.title("Is the panel fair?")
    st.button("Check a panel", on_click=_check, key="start-check", type="primary", width="stretch")
    st.button("Learn the shot", on_click=session.go_to, args=("Learn",), key="start-learn", width="stretch")
    if st.button("Open a job", key="start-open-button", width="stretch"):
        st.session_state[_OPEN] = not st.session_state.get(_OPEN, False)
    if st.session_state.get(_OPEN):
        with st.container(border=True):
            open_job_form(then="Result")
    _last_jobs()
    _on_a_phone()


def _check() -> None:
    """A new panel; a job that was only opened and never filled in is used."""
    if session.photos() or session.photos_gone() or session.job() != session.empty_job():
        session.start_over()
    session.go_to("Where")


def _last_jobs() -> None:
    names = trade_words("names")
    notes = [note for note in session.jobs() if note.name or note.photos]
    if not notes:
        return
    st.header("Your last jobs")
    for note in notes:
        word = looks.WORDS[note.verdict][0] if note.verdict in looks.WORDS else "not checked yet"
        stage = names.get(note.stage, note.stage)
        label = f"{note.name or 'No name yet'}: {stage}, {note.photos} photos, {word}"
        left, right = st.columns([5, 1], vertical_alignment="center")
        left.button(
            looks.escape(label), key=f"go-on-{note.id}", on_click=_go_on, args=(note.id,), width="stretch"
        )
        right.button(
            "Forget", key=f"forget-{note.id}", on_click=session.forget, args=(note.id,), width="stretch"
        )
    st.button("Forget all that is kept of this browser", key="forget-all", on_click=session.forget)
    st.caption(
        "Photos are kept for 12 hours, what was typed for 7 days, in this server's memory and only for this browser; "
        "all of it ends when the server stops. What you want to keep, save under Papers."
    )


def _go_on(number: str) -> None:
    session.open_kept(number)
    session.go_to("Result" if session.work() is not None else "Photos" if session.photos() else "Where")


def _on_a_phone() -> None:
    """The address as a picture for a phone's camera, where phones are let in."""
    with st.expander("Open this on a phone"):
        if only_here():
            st.caption(
                "Only this computer is let in now. Start the page with surfscan page --lan: its terminal then shows a "
                "picture for the phone's camera, with the code in it."
            )
            return
        url = str(st.context.url or "")
        if not url:
            return
        import segno

        place = f"{url.split('://')[0]}://{url.split('://')[-1].split('/')[0]}"
        address = segno.make(place, error="m").svg_data_uri(scale=6, border=4, light="white")
        st.html(f'<img class="drawn" width="220" alt="{html.escape(place)} as a QR code" src="{address}">')
        st.caption(looks.escape(f"{place}: the phone then asks for the code that the terminal shows."))
