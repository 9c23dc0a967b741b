"""What: the panel's name, its stage, and what it is made of."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import session
from surfscan.ui.parts import steps
from surfscan.ui.parts.sheet_form import limits_form, size_form, what_form

__all__ = ["show"]


def show() -> None:
    """The form, and the drawing of what makes a panel measurable at this stage."""
    steps.head("What", "What do you check?")
    what_form()
    with st.expander("Size and limits"):
        if session.confirmed():
            size_form()
        limits_form()
    steps.onward("Next: the photos", "Photos", key="what-next")
    steps.sketch("1-shine")
