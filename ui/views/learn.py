"""Learn the shot: the guide's six drawings, one below the other, and the way to try it out."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import session
from surfscan.ui.parts import steps

__all__ = ["show"]


def show() -> None:
    """The drawings with their words."""
    from surfscan.guide.drawings import DRAWINGS

    st.title("Learn the shot")
    st.button(
        "Try it: a dent and its stripes, and exercises",
        key="to-teach",
        on_click=session.go_to,
        args=("Teach",),
        type="primary",
        width="stretch",
    )
    for number, (name, title, what, _) in enumerate(DRAWINGS, 1):
        st.subheader(f"{number}. {title}")
        st.markdown(what)
        steps.sketch(name)
    steps.onward("Check a panel", "Where", key="learn-check")
