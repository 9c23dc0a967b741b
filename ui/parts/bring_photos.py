"""Photos alone: of a printed kit, at a station that has its set-up photo in each job, or to make a station."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

import surfscan
from surfscan.ui import job_files, limits, looks, session

__all__ = ["kit_form", "kit_refused", "new_station_form", "new_station_refused"]

_TROUBLE, _MADE = "photos-alone-trouble", "stations-made"


def kit_form(*, then: str, station: str = "") -> None:
    """Ask for a job's photos; `then` is the view that goes on."""
    key = _kit_key(station)
    _photos(
        "All its photos, in any order: those of the panel, and one with the whole board and the panel's tags in it "
        "(or three of the panel from different sides that mirror the board's tags)",
        key,
        lambda: _take(key, lambda files: job_files.open_kit_photos(files, station), then, station),
    )
    _told(key)


def new_station_form() -> None:
    """Ask for a name and the photos of a place whose board stays."""
    key = _new_station_key()
    st.text_input("Its name", key=f"{key}-name", max_chars=40, placeholder="Bay 1")
    st.toggle("The panel's tags stay there too, on a frame or stand", key=f"{key}-frame")
    _photos(
        "A photo with the whole board and the tags in it, and two or three of the tags from other sides",
        key,
        None,
    )
    if st.button("Keep this station", key="keep-station", width="stretch"):
        _survey(key)
    _told(key)


def kit_refused(station: str = "") -> bool:
    """Whether the photos of this `kit_form` are refused: it stays open."""
    return _refusal(_kit_key(station)) is not None


def new_station_refused() -> bool:
    """The same of `new_station_form`."""
    return _refusal(_new_station_key()) is not None


def _kit_key(station: str) -> str:
    return f"kit-{station}-{session.round_of_form()}"


def _new_station_key() -> str:
    return f"new-station-{st.session_state.get(_MADE, 0)}"


def _refusal(key: str) -> surfscan.SurfscanError | None:
    of, error = st.session_state.get(_TROUBLE, ("", None))
    return error if of == key else None


def _photos(label: str, key: str, taken: Callable[[], None] | None) -> None:
    st.file_uploader(
        label,
        accept_multiple_files=True,
        type=limits.PHOTO_TYPES,
        key=key,
        on_change=taken,
        max_upload_size=limits.MOST_FILE_MB,
    )


def _told(key: str) -> None:
    error = _refusal(key)
    if error is not None:
        looks.refusal(error)


def _brought(key: str) -> list[tuple[str, bytes]]:
    return [(upload.name, upload.getvalue()) for upload in st.session_state.get(key) or []]


def _take(key: str, use: Callable[[list[tuple[str, bytes]]], None], then: str, station: str) -> None:
    files = _brought(key)
    st.session_state.pop(_TROUBLE, None)
    if not files:
        return
    try:
        with st.spinner("Looking for the tags …"):
            use(files)
    except surfscan.SurfscanError as error:
        st.session_state[_TROUBLE] = key, error
        return
    if station:
        session.more()["station"] = station
    session.go_to(then)


def _survey(key: str) -> None:
    name = str(st.session_state.get(f"{key}-name") or "").strip()
    st.session_state.pop(_TROUBLE, None)
    try:
        with st.spinner("Surveying the place …"):
            job_files.make_station(name, _brought(key), frame=bool(st.session_state.get(f"{key}-frame")))
    except surfscan.SurfscanError as error:
        st.session_state[_TROUBLE] = key, error
        return
    st.session_state[_MADE] = st.session_state.get(_MADE, 0) + 1  # an empty form for the next one
    st.rerun()
