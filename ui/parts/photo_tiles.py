"""Photos: brought in, looked at at once, and said to be good or what cures them."""

from __future__ import annotations

import html
from typing import Any

import streamlit as st
from PIL import Image

import surfscan
from surfscan.ui import job_files, limits, looks, running, session
from surfscan.ui.parts.drawing import corner_drawing

__all__ = ["bring_photos", "photo_tiles"]

_TYPES = ["image", ".heic", ".heif", ".tif", ".tiff"]
_TROUBLE = "photo-trouble"
_WAYS = {"across": "across the board", "up": "up the board"}


def _key() -> str:
    return f"photos-{session.round_of_form()}"


def bring_photos() -> None:
    """The file button; on a phone it offers the camera."""
    st.file_uploader(
        "Take the photos now, or choose them",
        type=_TYPES,
        accept_multiple_files=True,
        key=_key(),
        on_change=_take,
        max_upload_size=limits.MOST_FILE_MB,
    )
    st.caption(
        "Stripes: one photo with the board upright, one with it turned by 90 degrees in its own place."
    )
    for error in st.session_state.get(_TROUBLE, []):
        looks.refusal(error)


def _take() -> None:
    uploads = st.session_state.get(_key()) or []
    trouble: list[surfscan.SurfscanError] = []
    taken: list[session.PhotoFile] = []
    try:
        limits.check_total([upload.size for upload in uploads])
        for upload in uploads:
            try:
                taken.append(job_files.take_photo(upload.getvalue(), upload.name, len(taken) + 1))
            except surfscan.SurfscanError as error:
                trouble.append(error)
    except surfscan.SurfscanError as error:
        trouble.append(error)
    st.session_state[_TROUBLE] = trouble
    job_files.set_photos(taken)


def photo_tiles(sheet: surfscan.Sheet | None, text: str) -> list[Any]:
    """One tile a photo: picture, what was found at once, the way its stripes run.

    Parameters
    ----------
    sheet : Sheet or None
        The form's sheet where it can be used.
    text : str
        Its text.

    Returns
    -------
    list of FirstLook or None
        None for a photo that can't be used.
    """
    rows = session.job()["photo"]
    found: list[Any] = []
    for k, photo in enumerate(session.photos()):
        with st.container(border=True):
            st.markdown(f"**Photo {k + 1}** · {looks.escape(photo.shown)}")
            try:
                look = running.look(photo, text if sheet is not None else "", k)
            except surfscan.SurfscanError as error:
                looks.refusal(error)
                found.append(None)
                continue
            found.append(look)
            left, right = st.columns([1, 1.2])
            with right:
                _say_checks(look)
                _way(k, rows[k])
            with left:
                if session.job().get("tags") is None:
                    corner_drawing(k, rows[k], look)
                else:
                    st.image(
                        _small(look),
                        width="stretch",
                        alt=f"Photo {k + 1}, {look.size_px[0]} x {look.size_px[1]}",
                    )
    return found


def _small(look: Any) -> Image.Image:
    picture = Image.fromarray(look.picture)
    picture.thumbnail((640, 640))
    return picture


def _say_checks(look: Any) -> None:
    head = "Good." if look.good else "Look at this first:"
    poor = [c for c in look.checks if not c.good]
    items = "".join(
        f'<li class="{"" if c.good else "poor"}">{html.escape(c.sentence)}'
        + (f'<span class="cure">{html.escape(c.cure[:1].upper() + c.cure[1:])}.</span>' if c.cure else "")
        + "</li>"
        for c in [*poor, *(c for c in look.checks if c.good)]
    )
    st.html(f'<p><strong>{head}</strong></p><ul class="checks">{items}</ul>')


def _way(k: int, row: dict[str, Any]) -> None:
    if row.get("varies") is None:
        return
    chosen = st.segmented_control(
        "Dark and light change",
        list(_WAYS),
        default=row["varies"],
        format_func=lambda way: _WAYS[way],
        key=f"way-{k}-{row['file']}-{row['varies']}-{session.round_of_form()}",
        required=True,
    )
    if chosen and chosen != row["varies"]:
        job_files.turn_photo(k, chosen)
        st.rerun()
