"""Photos alone: of a printed kit, at a station that has its set-up photo in each job, or to make a station."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

import surfscan
from surfscan.ui import job_files, limits, looks, session

__all__ = ["kit_form", "new_station_form", "trouble"]

_TROUBLE, _MADE = "photos-alone-trouble", "stations-made"


def kit_form(*, then: str, station: str = "") -> None:
    """Ask for a job's photos; `then` is the view that goes on."""
    key = f"kit-{station}-{session.round_of_form()}"
    _photos(
        "All its photos, in any order: those of the panel, and one with the whole board and the panel's tags in it",
        key,
        lambda: _take(key, lambda files: job_files.open_kit_photos(files, station), then, station),
    )
    _told(key)


def new_station_form() -> None:
    """Ask for a name and the photos of a place whose board stays."""
    key = f"new-station-{st.session_state.get(_MADE, 0)}"
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


def trouble(start: str) -> bool:
    """Whether the photos of a form whose key begins so are refused: it stays open."""
    return str(st.session_state.get(_TROUBLE, ("",))[0]).startswith(start)


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
    kept = st.session_state.get(_TROUBLE)
    if kept is not None and kept[0] == key:
        looks.refusal(kept[1])


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
