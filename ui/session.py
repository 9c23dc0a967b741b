"""What a session of the page keeps: its sheet, photos, check, and what the user chose.

It is held in memory and nowhere else; what comes in and goes out as files is in `job_files`, what takes long in
`running`.
"""

from __future__ import annotations

from typing import Any

import streamlit as st

import surfscan
from surfscan.ui.desk import PhotoFile, Work

__all__ = [
    "choose_spot",
    "choose_view",
    "chosen_spot",
    "empty_job",
    "extras",
    "forget_result",
    "go_to",
    "job",
    "keep_photos",
    "keep_work",
    "photos",
    "renew_form",
    "replace_sheet",
    "result",
    "round_of_form",
    "start_over",
    "units",
    "work",
]

_JOB, _PHOTOS, _EXTRAS, _WORK, _SPOT, _ROUND = "job", "photos", "extras", "work", "spot", "round"
_UNITS, _VIEW = "units", "view"  # widgets' own keys


def empty_job() -> dict[str, Any]:
    """The sheet a new job starts from: a door skin, four tags, a board a metre away."""
    return {
        "panel": {"name": "", "stage": "primer", "size_mm": [640.0, 440.0]},
        "tags": {
            "dictionary": "4x4_50",
            "side_mm": 36.0,
            "centres_mm": {
                "0": [-293.0, -193.0],
                "1": [293.0, -193.0],
                "2": [293.0, 193.0],
                "3": [-293.0, 193.0],
            },
        },
        "camera": {},
        "board": {
            "pattern": "stripes",
            "period_mm": 30.0,
            "centre_mm": [0.0, 573.6, 819.2],
            "across": [1.0, 0.0, 0.0],
            "up": [0.0, -0.8191, 0.5736],
            "size_mm": [1500.0, 1300.0],
        },
        "photo": [],
        "limits": {},
    }


def job() -> dict[str, Any]:
    """The session's sheet, as tables; changed in place by the form."""
    if _JOB not in st.session_state:
        st.session_state[_JOB] = empty_job()
    tables: dict[str, Any] = st.session_state[_JOB]
    return tables


def round_of_form() -> int:
    """Counts the jobs opened; part of every form key, so that a new job shows its own values."""
    return int(st.session_state.get(_ROUND, 0))


def photos() -> list[PhotoFile]:
    """The session's photos, in the sheet's order."""
    kept: list[PhotoFile] = st.session_state.get(_PHOTOS, [])
    return kept


def extras() -> list[PhotoFile]:
    """Further files that an opened sheet names: set-up photo, reference photos, lens file."""
    kept: list[PhotoFile] = st.session_state.get(_EXTRAS, [])
    return kept


def units() -> Any:
    """ "mm" or "inch"."""
    return st.session_state.get(_UNITS) or "mm"


def choose_view(names: list[str]) -> str:
    """The bar on top: which view, and which units; the view is in the address, so that it can be linked."""
    if st.session_state.get(_VIEW) not in names:
        wanted = st.query_params.get("view", "")
        st.session_state[_VIEW] = next((n for n in names if _slug(n) == wanted), names[0])
    with st.container(horizontal=True, horizontal_alignment="distribute", gap="small"):
        chosen = st.segmented_control(
            "View", names, key=_VIEW, label_visibility="collapsed", required=True, wrap=True
        )
        st.segmented_control(
            "Units",
            ["mm", "inch"],
            key=_UNITS,
            default=st.session_state.get(_UNITS, "mm"),
            format_func=lambda unit: {"mm": "millimetres", "inch": "inches"}[unit],
            label_visibility="collapsed",
            required=True,
        )
    name: str = chosen or names[0]
    if st.query_params.get("view", _slug(names[0])) != _slug(name):
        st.query_params["view"] = _slug(name)
    return name


def go_to(name: str, spot: int | None = None) -> None:
    """Open another view, for a spot when one is given; to be called from a button's callback."""
    st.session_state[_VIEW] = name
    if spot is not None:
        choose_spot(spot)


def _slug(name: str) -> str:
    return name.lower().replace(" ", "-")


def work() -> Work | None:
    """The session's check, running or done."""
    kept: Work | None = st.session_state.get(_WORK)
    return kept


def result() -> surfscan.CheckResult | None:
    """The session's finished result, if there is one."""
    current = work()
    return None if current is None else current.result


def chosen_spot() -> int | None:
    """The spot that was tapped last, if the result still has it."""
    found, kept = result(), st.session_state.get(_SPOT)
    if found is None or kept not in {spot.id for spot in found.spots}:
        return None
    return int(kept)


def choose_spot(number: int | None) -> None:
    """Remember a tapped spot."""
    st.session_state[_SPOT] = number


def forget_result() -> None:
    """Drop the result: the job it came from has changed."""
    st.session_state.pop(_WORK, None)
    st.session_state.pop(_SPOT, None)


def keep_photos(taken: list[PhotoFile], more: list[PhotoFile] | None = None) -> None:
    """These are the session's photos now, and with `more` its further files."""
    st.session_state[_PHOTOS] = taken
    if more is not None:
        st.session_state[_EXTRAS] = more


def keep_work(started: Work) -> None:
    """This is the session's check now; no spot of it was tapped yet."""
    st.session_state[_WORK] = started
    st.session_state.pop(_SPOT, None)


def start_over(tables: dict[str, Any] | None = None) -> None:
    """A new job; the form shows its values."""
    forget_result()
    st.session_state[_JOB] = tables or empty_job()
    st.session_state[_PHOTOS], st.session_state[_EXTRAS] = [], []
    st.session_state[_ROUND] = round_of_form() + 1


def renew_form() -> None:
    """Make the form show the sheet's values anew; the result no longer belongs to them."""
    forget_result()
    st.session_state[_ROUND] = round_of_form() + 1


def replace_sheet(tables: dict[str, Any]) -> None:
    """Another sheet for the same photos."""
    st.session_state[_JOB] = tables
    renew_form()
