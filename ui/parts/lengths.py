"""A length asked for in the session's units, or with a unit of its own, and kept in millimetres."""

from __future__ import annotations

import re

import streamlit as st

from surfscan.core.units import Units, parse_length, units_named
from surfscan.ui import session

__all__ = ["ask_length", "ask_number", "clear_refused", "parse_number", "refused", "unit_word"]

_REFUSED = "refused-lengths"


def unit_word() -> str:
    """ "mm" or "in"."""
    return units_named(session.units()).word


def clear_refused() -> None:
    """Forget what was refused: each field of a run tells anew."""
    st.session_state[_REFUSED] = []


def refused() -> list[str]:
    """Labels of the fields of this run whose text is no length, or none that is allowed."""
    kept: list[str] = st.session_state.get(_REFUSED, [])
    return kept


def ask_length(
    label: str,
    mm: float,
    key: str,
    *,
    least: float = 0.0,
    most: float = 10_000.0,
    fine: bool = False,
) -> float:
    """Ask for a length: "640", "25in", "1/8 in", "12,5 mm"; a plain number is in the session's units.

    Text that can't be used stays in its field, with the reason below it, and the value is the last one that could.

    Parameters
    ----------
    label : str
    mm : float
        The value now, mm.
    key : str
        Of the field; a job's own fields have the form's round in it, so that another job begins anew.
    least, most : float
        Allowed, mm.
    fine : bool
        A depth, in thousandths of a millimetre or ten-thousandths of an inch.

    Returns
    -------
    float
        mm; exactly `mm` when nothing was changed.
    """
    units = units_named(session.units())
    digits = (4 if units.name == "inch" else 3) if fine else (3 if units.name == "inch" else 1)
    # The value a field began with belongs to its key: what was typed is kept, and what it became is not put over it.
    # In other units it begins anew, from the last value that could be used.
    begun_at, good_at, in_units = (session.kept(f"{key}-{what}") for what in ("begun", "good", "units"))
    key = f"{key}-{units.name}"
    if st.session_state.get(in_units) == units.name:
        session.kept(key)
    else:
        st.session_state.pop(key, None)
    if key not in st.session_state or begun_at not in st.session_state:  # first shown, or shown again
        mm = st.session_state.get(good_at, mm)
        shown = _number(units.per_mm * mm, digits)
        st.session_state[begun_at], st.session_state[good_at] = (mm, shown), mm
        st.session_state[in_units] = units.name
    begun = st.session_state[begun_at]
    typed = st.text_input(f"{label}, {units.word}", value=begun[1], key=key)
    if typed.strip() == begun[1]:
        st.session_state[good_at] = begun[0]
        return float(begun[0])
    good = float(st.session_state[good_at])
    try:
        value = parse_length(typed, units.name)
    except ValueError as error:
        return _keep(label, str(error), good)
    low, high = min(least, mm), max(most, mm)
    if not low - 1e-9 <= value <= high + 1e-9:
        allowed = f"{_said(least, units)} to {_said(most, units)}"
        return _keep(label, f"{typed.strip()!r} is out of range; allowed: {allowed}", good)
    st.session_state[good_at] = round(value, 6)
    return round(value, 6)


def ask_number(label: str, value: float, key: str, *, least: float, most: float) -> float:
    """Ask for a number that is no length, with a decimal point or comma: "26", "26,5"; a refused one is said so.

    Parameters
    ----------
    label : str
    value : float
        The value now.
    key : str
    least, most : float
        Allowed.
    """
    begun_at, good_at = session.kept(f"{key}-begun"), session.kept(f"{key}-good")
    session.kept(key)
    if key not in st.session_state or begun_at not in st.session_state:
        st.session_state[begun_at] = st.session_state[good_at] = st.session_state.get(good_at, value)
    typed = st.text_input(label, value=_number(st.session_state[begun_at], 3), key=key).strip()
    good = float(st.session_state[good_at])
    try:
        found = parse_number(typed)
    except ValueError as error:
        return _refuse(label, str(error), good, _number(good, 4))
    if not least <= found <= most:
        why = f"{typed!r} is out of range; allowed: {_number(least, 3)} to {_number(most, 3)}"
        return _refuse(label, why, good, _number(good, 4))
    st.session_state[good_at] = found
    return found


def parse_number(text: str) -> float:
    """A number as people type it: one decimal point or comma, and no thousands.

    Raises
    ------
    ValueError
        For anything else, with what was found.
    """
    if not re.fullmatch(r"[-+]?\d+(?:[.,]\d+)?", text):
        raise ValueError(f"{text!r} is no number; type it like 26 or 26.5")
    return float(text.replace(",", "."))


def _refuse(label: str, why: str, value: float, said: str) -> float:
    st.session_state[_REFUSED] = [*refused(), label]
    st.error(f"{why[:1].upper()}{why[1:]}. The value is still {said}.")
    return value


def _keep(label: str, why: str, mm: float) -> float:
    return _refuse(label, why, mm, _said(mm, units_named(session.units())))


def _said(mm: float, units: Units) -> str:
    return f"{_number(units.per_mm * mm, 4)} {units.word}"


def _number(value: float, digits: int) -> str:
    """As few digits as show it, never a comma."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text
