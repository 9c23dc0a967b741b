"""Where the shop's record and a watch's results are: told when the page is started, or typed on this computer only."""

from __future__ import annotations

import os

import streamlit as st

__all__ = ["ask_place", "only_here"]


def only_here() -> bool:
    """Whether only this computer can open the page: not where phones are let in, nor where nobody said."""
    return st.get_option("server.address") in ("127.0.0.1", "localhost", "::1")


def ask_place(label: str, *, variable: str, key: str, option: str) -> str:
    """A place that the page was started with, else one that is typed; "" where there is none.

    Parameters
    ----------
    label : str
    variable : str
        Of the environment, where `surfscan page` leaves it.
    key : str
        Of the widget.
    option : str
        Of `surfscan page`, for who has to be told.
    """
    told = os.environ.get(variable, "")
    if told:
        return told
    if not only_here():
        st.info(f"To see this from a phone, start the page with it: surfscan page --lan {option}.")
        return ""
    typed: str = st.text_input(label, max_chars=500, key=key, help=f"Or start the page with {option}.")
    return typed.strip()
