"""A job or a result brought back: its folder, its files, or the zip that the page handed out."""

from __future__ import annotations

import streamlit as st

import surfscan
from surfscan.ui import job_files, looks, running, session

__all__ = ["open_job_form"]

_TROUBLE, _THEN = "job-trouble", "job-then"


def open_job_form(*, then: str = "") -> None:
    """Ask for it; `then` is the view that shows it."""
    st.session_state[_THEN] = then
    st.file_uploader(
        "A job folder: panel.toml with its photos, or a result's folder",
        accept_multiple_files="directory",
        key=f"folder-{session.round_of_form()}",
        on_change=_take,
        args=("folder-",),
    )
    st.file_uploader(
        "Or its files, or the zip that was saved here",
        accept_multiple_files=True,
        key=f"files-{session.round_of_form()}",
        on_change=_take,
        args=("files-",),
    )
    st.button("Try the example", on_click=_take_demo, width="stretch", key="demo")
    trouble = st.session_state.get(_TROUBLE)
    if trouble is not None:
        looks.refusal(trouble, of_sheet=True)


def _take(start: str) -> None:
    uploads = st.session_state.get(f"{start}{session.round_of_form()}") or []
    _open([(upload.name, upload.getvalue()) for upload in uploads])


def _take_demo() -> None:
    _open(job_files.demo_files())


def _open(files: list[tuple[str, bytes]]) -> None:
    st.session_state.pop(_TROUBLE, None)
    then = str(st.session_state.get(_THEN) or "")
    if not files:
        return
    try:
        files = job_files.unpacked(files)
        if job_files.is_result(files):
            running.open_result(files)
            session.go_to("Result")
            return
        job_files.open_job(files)
        if then:
            session.go_to("Photos")
    except surfscan.SurfscanError as error:
        st.session_state[_TROUBLE] = error
