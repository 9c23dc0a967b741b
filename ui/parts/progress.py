"""Progress kept by choice: by first name or number, where only this computer can open the page."""

from __future__ import annotations

import os

import streamlit as st

from surfscan.core.errors import SurfscanError
from surfscan.results.progress import check_apprentice, keep_answer, list_progress
from surfscan.teach.exercises import KINDS
from surfscan.ui import looks
from surfscan.ui.parts.place import only_here

__all__ = ["ask_progress", "keep"]

_WHO, _WHERE = "apprentice", "apprentice-record"
_TITLES = {"find-the-low": "Find the low", **KINDS}


def ask_progress() -> None:
    """Who answers, and in which record that is kept; and how they do. Only on the trainer's own machine."""
    if not only_here():
        st.caption(
            "Progress can be kept where the page is opened on the trainer's computer only, without --lan."
        )
        return
    with st.expander("Keep progress (by choice, on this computer only)"):
        left, right = st.columns(2)
        who = left.text_input("First name or number", max_chars=24, key=_WHO)
        where = right.text_input(
            "File of the record", os.environ.get("SURFSCAN_RECORD", ""), max_chars=500, key=_WHERE
        )
        if not (who.strip() and where.strip()):
            st.caption(
                "Nothing is kept until both are given. surfscan teach --forget NAME takes it out again."
            )
            return
        try:
            rows = list_progress(where.strip(), check_apprentice(who))
        except SurfscanError as error:
            looks.refusal(error)
            return
        for row in rows:
            title = _TITLES.get(row.kind, row.kind)
            st.markdown(f"{title}: {row.answers} answered, {row.points:.0f} points each")
        if not rows:
            st.caption("No answer is kept yet.")


def keep(kind: str, seed: int, number: int, points: int) -> None:
    """Keep an answer, where it was asked for."""
    who, where = (str(st.session_state.get(key) or "").strip() for key in (_WHO, _WHERE))
    if who and where and only_here():
        try:
            keep_answer(where, who, kind=kind, seed=seed, number=number, points=points)
        except SurfscanError as error:
            looks.refusal(error)
