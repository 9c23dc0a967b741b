"""Several views of one large panel, joined into one result."""

from __future__ import annotations

import streamlit as st

import surfscan
from surfscan.ui import running, session
from surfscan.ui.parts.choose_result import bring_result, choices

__all__ = ["show"]


def show() -> None:
    """Choose the views, and join them."""
    st.title("Several views of one panel")
    st.markdown(
        "A bonnet too large for one photo is checked in parts whose sheets give all tags in one frame; the parts are "
        "joined here and judged as one."
    )
    found = choices()
    bring_result()
    titles = {key: told for key, (told, _) in found.items()}
    chosen = st.multiselect(
        "The views",
        list(found),
        format_func=titles.__getitem__,
        key=session.kept("views"),
        placeholder="choose two or more",
    )
    name = st.text_input("Name of the whole panel", max_chars=200, key=session.kept("views-name"))
    if st.button("Join them", type="primary", disabled=len(chosen) < 2, width="stretch", key="join"):
        with st.spinner("Joining the views"):
            whole = surfscan.join([found[key][1]() for key in chosen], name=name)
        running.take_result(whole, running.written_files(whole))
        session.go_to("Result")
        st.rerun()
