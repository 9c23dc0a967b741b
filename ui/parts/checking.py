"""From the form to a check: whether the sheet can be used, whether all is ready, and what is not confirmed."""

from __future__ import annotations

from typing import Any

import streamlit as st

import surfscan
from surfscan.ui import job_files, looks, session
from surfscan.ui.parts.lengths import refused

__all__ = ["checked_sheet", "not_confirmed", "ready"]


def checked_sheet() -> tuple[Any, str]:
    """The form's sheet where it can be used, and its text; what is wrong with it is said here."""
    text = job_files.sheet_text()
    if not session.photos() or refused():
        return None, text
    try:
        return job_files.checked_sheet(text), text
    except surfscan.SurfscanError as error:
        looks.refusal(error)
        return None, text


def ready(sheet: Any, found: list[Any]) -> bool:
    """Whether the check can be started."""
    current = session.work()
    busy = current is not None and not current.done
    return sheet is not None and bool(found) and all(found) and not busy


def not_confirmed() -> None:
    """Say that there will be no millimetres, and how there would be."""
    if session.confirmed() or not session.photos():
        return
    st.info(
        "Nobody has said where board and tags stand, so this is a look without a scale: where the highs and lows are, "
        "and no depth."
    )
    left, right = st.columns(2)
    left.button(
        "Say where they stand", key="say-where", on_click=session.go_to, args=("Where",), width="stretch"
    )
    right.button(
        "They stand as the form says",
        key="say-form",
        on_click=session.confirm,
        args=("form",),
        width="stretch",
    )
