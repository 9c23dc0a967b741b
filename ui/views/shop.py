"""The shop: photos as they arrive, a whole car, and what the record's sum tells."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import session
from surfscan.ui.parts import arrivals, car, shop_figures

__all__ = ["show"]

_PARTS = {"Arrivals": arrivals.show, "A car": car.show, "What we learn": shop_figures.show}


def show() -> None:
    """The part that was chosen."""
    st.title("The shop")
    chosen = st.segmented_control(
        "Part",
        list(_PARTS),
        default="Arrivals",
        key=session.kept("shop-part"),
        label_visibility="collapsed",
        required=True,
    )
    _PARTS[chosen or "Arrivals"]()
