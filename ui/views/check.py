"""All on one page: a job from its panel over the photos to the verdict, for a desk or an odd set-up."""

from __future__ import annotations

from typing import Any

import streamlit as st

from surfscan.ui import running, session
from surfscan.ui.parts.bring_job import open_job_form
from surfscan.ui.parts.checking import checked_sheet, not_confirmed, ready
from surfscan.ui.parts.drawing import region_drawing
from surfscan.ui.parts.photo_tiles import bring_photos, photo_tiles
from surfscan.ui.parts.sheet_form import panel_form, setup_form, setup_words, sheet_editor
from surfscan.ui.views.result import show_outcome

__all__ = ["show"]


def show() -> None:
    """The whole scroll; a result that is there stands first."""
    st.title("All on one page")
    stale = running.drop_stale_result()
    show_outcome()
    with st.expander("Open a job folder, or try the example"):
        open_job_form()
        st.button("Start a new job", on_click=session.start_over, width="stretch", key="new-job")
    st.header("1 · The panel")
    panel_form()
    st.header("2 · The set-up")
    st.caption(setup_words())
    with st.expander("Set-up"):
        setup_form()
    st.header("3 · The photos")
    bring_photos()
    st.caption(
        "Stripes: one photo with the board upright, one with it turned by 90 degrees in its own place."
    )
    sheet, text = checked_sheet()
    found = photo_tiles(sheet, text)
    if session.photos():
        with st.expander("Judge only a part, or leave parts out"):
            region_drawing(found)
        with st.expander("The sheet itself (panel.toml)"):
            sheet_editor()
    st.header("4 · The result")
    if stale or running.drop_stale_result():
        st.info("The job has changed since it was checked. Check it again.")
    not_confirmed()
    _check_button(sheet, found)


def _check_button(sheet: Any, found: list[Any]) -> None:
    current = session.work()
    busy = current is not None and not current.done
    fine = ready(sheet, found)
    if st.button("Check the panel", type="primary", disabled=not fine, width="stretch", key="check"):
        running.start_check()
        st.rerun()
    if not session.photos():
        st.caption("Bring the photos first: two for stripes.")
    elif not fine and not busy:
        st.caption("Mend what is said above, then check.")
    elif current is not None and current.done:
        st.caption("The result stands at the top of this page.")
