"""The bar on top: the views, the units, and a check that runs or is done, whichever view is open."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import looks, session
from surfscan.ui.pages import VIEWS, page_of

__all__ = ["show"]

_SEEN, _SHOW_IT = "seen-work", ("Result", "All on one page", "Look closer", "Papers")


def show(chosen: str) -> None:
    """Draw it."""
    found = session.result()
    with st.container(key="bar", horizontal=True, gap="small", vertical_alignment="center"):
        for view in VIEWS:
            if view.group != "bar" or (found is None and view.name in ("Result", "Look closer")):
                continue
            _link(view.name, chosen)
        with st.popover("More", key=f"more-{chosen}"):  # another view's menu is a closed one
            for view in VIEWS:
                if view.group == "more":
                    _link(view.name, chosen)
            st.segmented_control(
                "Units",
                ["mm", "inch"],
                key="units",
                default=st.session_state.get("units", "mm"),
                format_func=lambda unit: {"mm": "millimetres", "inch": "inches"}[unit],
                required=True,
            )
    work = session.work()
    if work is not None and chosen in _SHOW_IT and work.done:
        st.session_state[_SEEN] = work.digest
    elif work is not None and chosen not in ("Result", "All on one page"):
        _running()


def _link(name: str, chosen: str) -> None:
    st.page_link(
        page_of(name), label=f"**{name}**" if name == chosen else name, query_params={"job": session.job_id()}
    )


def _running() -> None:
    work = session.work()
    if work is None:
        return
    if not work.done:
        _progress()
        return
    result = work.result
    if st.session_state.get(_SEEN) == work.digest:
        return
    word = looks.WORDS[result.verdict][0] if result is not None else "Not measured"
    st.button(
        f"The check is done: {word}. See it", on_click=session.go_to, args=("Result",), key="see-result"
    )


@st.fragment(run_every=1.0)
def _progress() -> None:
    work = session.work()
    if work is None or work.done:
        st.rerun()
    st.progress(min(work.share, 1.0), text=f"Checking: {work.stage} …")
