"""Calls that take long: checks in the background, and what is cached for all by the SHA-256 of its bytes.

What is shared between sessions is found only by the digest of the very bytes it was made from, so nobody meets
another's photos.
"""

from __future__ import annotations

import base64
import io
import tempfile
import threading
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st
from PIL import Image

import surfscan
from surfscan.core.aside import start_aside
from surfscan.ui import job_files, session
from surfscan.ui.desk import FOLDER, Desk, PhotoFile, Work, digest_of, without_folder

__all__ = [
    "as_url",
    "cached",
    "cached_object",
    "drop_stale_result",
    "look",
    "result_files",
    "start_check",
    "warm_up",
]


@st.cache_resource(max_entries=48, show_spinner=False)
def _look(key: str, _photo: PhotoFile, _more: list[PhotoFile], text: str, row: int) -> Any:
    from surfscan.look.first_look import look_at_photo  # late, see `warm_up`

    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        for each in (_photo, *_more):
            (Path(folder) / each.file).write_bytes(each.data)
        sheet = None
        if text:
            (Path(folder) / "panel.toml").write_text(text, encoding="utf-8")
            sheet = surfscan.load_sheet(folder, need_photos=False)
        return without_folder(
            lambda: look_at_photo(Path(folder) / _photo.file, _photo.shown, sheet=sheet, row=row),
            folder,
        )


def look(photo: PhotoFile, text: str, row: int) -> Any:
    """First look at a photo, with the sheet's text where that can be used; cached by all their bytes.

    Raises
    ------
    RefusedError
        When the photo can't be used at all.
    """
    more = session.extras() if text else []
    key = digest_of(photo.data, photo.shown, text, *(each.data for each in more))
    return _look(key, photo, more, text, row)


@st.cache_resource(show_spinner=False)
def _desk() -> Desk:
    return Desk()


@st.cache_resource(show_spinner=False)
def warm_up() -> None:
    """Load what a check needs while the user fills in the form; the first picture does not wait for it."""

    desk = _desk()

    def load() -> None:
        start_aside("surfscan.job.decoders")
        desk.warm_up()
        for name in ("look.first_look", "report.panes", "report.export"):
            import_module(f"surfscan.{name}")

    threading.Thread(target=load, name="warm-up", daemon=True).start()


def start_check() -> Work:
    """Check the session's job; the work goes on in the background."""
    text, taken = job_files.sheet_text(), [*session.photos(), *session.extras()]
    started = _desk().check(_job_digest(), text, taken)
    session.keep_work(started)
    return started


def _job_digest() -> str:
    return digest_of(
        job_files.sheet_text(), *(file.sha256 for file in (*session.photos(), *session.extras()))
    )


def drop_stale_result() -> bool:
    """Drop a result whose job is no longer the session's; say whether there was one."""
    current = session.work()
    if current is None or current.digest == _job_digest():
        return False
    session.forget_result()
    return True


@st.cache_data(max_entries=24, show_spinner=False)
def result_files(digest: str, _result: surfscan.CheckResult) -> dict[str, bytes]:
    """The files that the command would write, by name; cached by the job's digest."""
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        written = surfscan.write_result(Path(folder), _result)
        return {path.name: path.read_bytes() for path in written}


@st.cache_data(max_entries=96, show_spinner=False)
def cached(key: str, _make: Callable[[], Any]) -> Any:
    """Whatever `_make` returns, kept under a key that starts with a digest."""
    return _make()


@st.cache_resource(max_entries=48, show_spinner=False)
def cached_object(key: str, _make: Callable[[], Any]) -> Any:
    """The same for objects that hold functions; nobody changes them."""
    return _make()


def as_url(picture: np.ndarray[Any, Any], *, quality: int = 85) -> str:
    """A picture as a data address, for the picture part."""
    coded = io.BytesIO()
    Image.fromarray(picture).save(coded, "JPEG", quality=quality)
    return "data:image/jpeg;base64," + base64.b64encode(coded.getvalue()).decode()
