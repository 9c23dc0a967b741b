"""The frame of a step: where one is, its drawing, and the way on and back."""

from __future__ import annotations

import base64
from html import escape

import streamlit as st

from surfscan.ui import looks, session

__all__ = ["STEPS", "head", "onward", "plainly", "sketch"]

STEPS = ("Where", "What", "Photos", "Result")


def head(name: str, question: str) -> None:
    """The step's number and its question."""
    at = STEPS.index(name) + 1
    panel = session.job()["panel"].get("name") or ""
    st.html(f'<p class="step">Step {at} of {len(STEPS)}</p>')
    st.title(question, anchor=False)
    if panel and name != "What":
        st.caption(looks.escape(panel))


def plainly(text: str) -> str:
    """A drawing's words for who fills in a form: the guide's are for who writes a sheet."""
    for key, word in (
        ('varies = "across"', "dark and light side by side"),
        ('varies = "up"', "dark and light above each other"),
        ("along the board's `across`", "from side to side"),
    ):
        text = text.replace(key, word).replace(escape(key), word)
    return text


@st.cache_data(max_entries=12, show_spinner=False)
def _address(name: str) -> tuple[str, str]:
    from surfscan.guide.drawings import DRAWINGS, draw  # late: the first screen does not wait for it

    told = next(f"{title}. {plainly(what)}" for n, title, what, _ in DRAWINGS if n == name)
    code = base64.b64encode(plainly(draw(name)).encode()).decode()
    return f"data:image/svg+xml;base64,{code}", told


def sketch(name: str) -> None:
    """One of the guide's drawings."""
    url, told = _address(name)
    st.html(f'<img class="drawn sketch" width="460" alt="{told.replace(chr(34), "")}" src="{url}">')


def onward(label: str, to: str, *, key: str, disabled: bool = False) -> None:
    """The button to the next step."""
    st.button(
        label, on_click=session.go_to, args=(to,), key=key, type="primary", width="stretch", disabled=disabled
    )
