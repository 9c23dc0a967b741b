"""Photos: brought in, looked at at once, and said to be good or what cures them."""

from __future__ import annotations

import html
from typing import Any

import streamlit as st
from PIL import Image

import surfscan
from surfscan.ui import job_files, limits, looks, running, session
from surfscan.ui.parts.drawing import corner_drawing
from surfscan.ui.uploads import let_go

__all__ = ["bring_photos", "photo_tiles", "small_picture"]

_TROUBLE, _TAKEN = "photo-trouble", "photos-taken"
_WAYS = {"across": "across the board", "up": "up the board"}

_TURNED = "turned"
"""The last pair of photos that was turned unasked."""


def _key(what: str) -> str:
    return f"photos-{what}-{st.session_state.get(_TAKEN, 0)}-{session.round_of_form()}"


def bring_photos(label: str = "Take the photos now, or choose them") -> None:
    """The file button; on a phone it offers the camera. What it brings is added to what is there."""
    key = _key("more")
    st.file_uploader(
        label,
        type=limits.PHOTO_TYPES,
        accept_multiple_files=True,
        key=key,
        on_change=_take,
        args=(key, None),
        max_upload_size=limits.MOST_FILE_MB,
    )
    for error in st.session_state.get(_TROUBLE, []):
        looks.refusal(error)


def _take(key: str, instead: int | None) -> None:
    """Take up what was brought, and empty the button, so that the next photo is one more and not all there are."""
    brought = st.session_state.get(key) or []
    uploads = brought if isinstance(brought, list) else [brought]
    st.session_state[_TAKEN] = st.session_state.get(_TAKEN, 0) + 1
    trouble: list[surfscan.SurfscanError] = []
    kept = session.photos()
    taken = list(kept)
    try:
        limits.check_total([*(len(photo.data) for photo in kept), *(upload.size for upload in uploads)])
        for upload in uploads:
            number = job_files.free_number(taken) if instead is None else job_files.number_of(kept[instead])
            try:
                photo = job_files.take_photo(upload.getvalue(), upload.name, number)
            except surfscan.SurfscanError as error:
                trouble.append(error)
                continue
            if instead is not None:
                taken[instead] = photo
            elif photo.sha256 not in {other.sha256 for other in kept}:
                taken.append(photo)
    except surfscan.SurfscanError as error:
        trouble.append(error)
    let_go(uploads)
    st.session_state[_TROUBLE] = trouble
    job_files.set_photos(taken)


def _remove(k: int) -> None:
    job_files.set_photos([photo for j, photo in enumerate(session.photos()) if j != k])


def _change(k: int) -> None:
    """Take it again, or take it away."""
    with st.expander("Take this one again, or remove it"):
        key = _key(f"again-{k}")
        st.file_uploader(
            "Take it again",
            type=limits.PHOTO_TYPES,
            key=key,
            on_change=_take,
            args=(key, k),
            max_upload_size=limits.MOST_FILE_MB,
        )
        st.button("Remove it", key=f"remove-{k}", on_click=_remove, args=(k,), width="stretch")


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
                _change(k)
                continue
            found.append(look)
            left, right = st.columns([1, 1.2])
            with right:
                _say_checks(look)
                _way(k, rows[k])
            with left:
                if session.confirmed() and session.job().get("tags") is None:
                    corner_drawing(k, rows[k], look)
                else:
                    st.image(
                        small_picture(look),
                        width="stretch",
                        alt=f"Photo {k + 1}, {look.size_px[0]} x {look.size_px[1]}",
                    )
            _change(k)
    if _swapped(rows, found):
        st.rerun()
    return found


def _swapped(rows: list[dict[str, Any]], found: list[Any]) -> bool:
    """Turn a pair whose stripes both run the other way than guessed; once, so that nobody's own choice is undone."""
    pair = [photo.sha256 for photo in session.photos()]
    if (
        len(pair) != 2
        or st.session_state.get(_TURNED) == pair
        or any(row.get("varies") is None for row in rows)
    ):
        return False
    if any(look is None or look.runs_so is not False for look in found):
        return False
    st.session_state[_TURNED] = pair
    job_files.turn_photo(0, rows[1]["varies"])
    return True


def small_picture(look: Any) -> Image.Image:
    """The photo as a tile shows it."""
    picture = Image.fromarray(look.picture)
    picture.thumbnail((640, 640))
    return picture


def _say_checks(look: Any) -> None:
    head = "Good." if look.good else "Look at this first:"
    poor = [c for c in look.checks if not c.good]
    items = "".join(
        f'<li class="{"" if c.good else "poor"}">{html.escape(looks.in_words(c.sentence))}'
        + (f'<span class="cure">{html.escape(_cure(c.cure))}.</span>' if c.cure else "")
        + "</li>"
        for c in [*poor, *(c for c in look.checks if c.good)]
    )
    st.html(f'<p><strong>{head}</strong></p><ul class="checks">{items}</ul>')


def _cure(text: str) -> str:
    told = looks.in_words(text)
    return told[:1].upper() + told[1:]


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
