"""The first screen: what somebody comes for, and the last jobs."""

from __future__ import annotations

import streamlit as st

from surfscan.judge.trade_table import words as trade_words
from surfscan.ui import looks, session
from surfscan.ui.parts.bring_job import open_job_form

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
        right.button("Forget", key=f"forget-{note.id}", on_click=session.forget, args=(note.id,), width="stretch")
    st.button("Forget all that is kept of this browser", key="forget-all", on_click=session.forget)
    st.caption(
        "Photos are kept for 12 hours, what was typed for 7 days, in this server's memory and only for this browser; "
        "all of it ends when the server stops. What you want to keep, save under Papers."
    )


def _go_on(number: str) -> None:
    session.open_kept(number)
    session.go_to("Result" if session.work() is not None else "Photos" if session.photos() else "Where")
