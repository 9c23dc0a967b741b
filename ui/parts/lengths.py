"""A length asked for in the session's units and kept in millimetres."""

from __future__ import annotations

import streamlit as st

from surfscan.ui import session

__all__ = ["ask_length", "unit_word"]

_INCH = 25.4  # exact, by definition


def unit_word() -> str:
    """ "mm" or "in"."""
    return "mm" if session.units() == "mm" else "in"


def ask_length(
    label: str,
    mm: float,
    key: str,
    *,
    least: float = 0.0,
    most: float = 10_000.0,
    fine: bool = False,
) -> float:
    """Ask for a length.

    Parameters
    ----------
    label : str
    mm : float
        The value now, mm.
    key : str
    least, most : float
        Allowed, mm.
    fine : bool
        A depth, in hundredths of a millimetre or tenths of a thousandth of an inch.

    Returns
    -------
    float
        mm; exactly `mm` when nothing was changed.
    """
    inch = session.units() == "inch"
    factor = _INCH if inch else 1.0
    digits = (4 if inch else 3) if fine else (3 if inch else 1)
    step = (0.0005 if inch else 0.01) if fine else (0.125 if inch else 1.0)
    shown = round(mm / factor, digits)
    low, high = min(least / factor, shown), max(most / factor, shown)
    value = st.number_input(
        f"{label}, {unit_word()}",
        min_value=low,
        max_value=high,
        value=shown,
        step=step,
        format=f"%.{digits}f" if inch or fine else "%g",
        key=f"{key}-{session.units()}-{session.round_of_form()}",
    )
    return mm if value == shown else round(value * factor, 6)
