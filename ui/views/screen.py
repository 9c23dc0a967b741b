"""Stripes on a screen: the page for a television or tablet, and the keys that go with it into the job sheet."""

from __future__ import annotations

import streamlit as st

import surfscan
from surfscan.screen.make import make_screen
from surfscan.screen.page import CAUTION as SCREEN_CAUTION
from surfscan.ui import looks, session
from surfscan.ui.parts.lengths import ask_length, ask_number

__all__ = ["show"]

_PATTERNS = {
    "stepped": "Stepped stripes: finest, phone on a stand",
    "stripes": "Stripes, two photos",
    "dots": "Dots, one photo",
}


def show() -> None:
    """The screen's size, the pattern, the page to open on the screen, and the sheet's keys."""
    st.title("Stripes on a screen")
    st.warning(SCREEN_CAUTION)
    left, right = st.columns(2)
    with left:
        pattern = st.selectbox(
            "Pattern", list(_PATTERNS), format_func=lambda k: _PATTERNS[k], key=session.kept("s-pattern")
        )
        period = ask_length("Period", 48.0, "s-period", least=1, most=1000)
        periods = [period]
        if pattern == "stepped":
            periods.append(ask_length("Second period", 38.0, "s-second", least=1, most=1000))
    with right:
        diagonal = ask_number("Screen's diagonal, inches", 55.0, "s-diagonal", least=5, most=200)
        wide = st.number_input("Pixels across", 320, 20_000, 3840, 1, key=session.kept("s-wide"))
        tall = st.number_input("Pixels down", 200, 20_000, 2160, 1, key=session.kept("s-tall"))
    try:
        made = make_screen(pattern, periods, diagonal_in=diagonal, pixels=(int(wide), int(tall)))
    except surfscan.SurfscanError as error:
        looks.refusal(error)
        return
    st.markdown(
        f"**{made.count} picture{'s' if made.count > 1 else ''}**, shown one after the other. Open the file on the "
        "screen itself, make it full-screen, hold a bank card against the card it draws to see that the size is right, "
        "and step it by key."
    )
    st.download_button(
        "The page for the screen", made.page, "stripes.html", "text/html", key="s-page", type="primary"
    )
    st.subheader("For the job sheet")
    st.code(made.keys, language="toml", wrap_lines=True)
    st.download_button("These keys as a file", made.keys, "screen-keys.toml", "text/plain", key="s-keys")
    st.caption("To step it from a phone, run surfscan screen --lan on the computer that drives the screen.")
