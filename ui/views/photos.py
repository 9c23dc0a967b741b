"""Photos: one after the other, each judged at once, with its cure."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import running, session, shots
from surfscan.ui.parts import screen_shot, steps
from surfscan.ui.parts.checking import checked_sheet, not_confirmed, ready
from surfscan.ui.parts.drawing import region_drawing
from surfscan.ui.parts.photo_tiles import bring_photos, photo_tiles
from surfscan.ui.parts.sheet_form import sheet_editor

__all__ = ["show"]

_ASK = (
    ("5-first", "First photo: the stripes one way", "Take the first photo, or choose both"),
    ("6-second", "Second photo: the board turned by 90 degrees in its place", "Take the second photo"),
)


def show() -> None:
    """What is there, what is wanted next, and the button to the verdict."""
    steps.head("Photos", "The photos")
    if session.photos_gone():
        st.info("The photos were kept for 12 hours and are gone; what you typed is here. Bring them again.")
    if shots.active():
        screen_shot.show()
        if shots.shot().done:
            sheet, _ = checked_sheet()
            _button(ready(sheet, [True]))
        return
    sheet, text = checked_sheet()
    found = photo_tiles(sheet, text)
    number, wanted = len(session.photos()), _wanted()
    if number < wanted:
        drawing, title, label = _ASK[min(number, len(_ASK) - 1)]
        st.subheader(title)
        bring_photos(label)
        steps.sketch("4-aim" if number == 0 and session.confirmed() else drawing)
    not_confirmed()
    fine = ready(sheet, found) and number >= wanted
    _button(fine)
    if number >= wanted:
        if not fine:
            st.caption("Mend what is said above, then check.")
        with st.expander("More photos"):
            bring_photos("One more photo")
        with st.expander("Judge only a part, or leave parts out"):
            region_drawing(found)
        with st.expander("The sheet itself (panel.toml)"):
            sheet_editor()


def _button(fine: bool) -> None:
    if fine:
        running.start_ahead()
    st.button(
        "Check the panel", type="primary", disabled=not fine, width="stretch", key="check", on_click=_check
    )


def _wanted() -> int:
    """How many photos the set-up takes: two of stripes, one of dots, at least what the sheet lists."""
    board = session.job().get("board") or {}
    return 2 if board.get("pattern", "stripes") in ("stripes", "stepped") else 1


def _check() -> None:
    running.start_check()
    session.go_to("Result")
