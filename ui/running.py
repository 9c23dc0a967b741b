"""Calls that take long: checks in the background, and what is cached for all by the SHA-256 of its bytes.

What is shared between sessions is found only by the digest of the very bytes it was made from, so nobody meets
another's photos.
"""

from __future__ import annotations

import base64
import io
import json
import tempfile
import threading
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st
from PIL import Image
from streamlit.runtime import exists, get_instance

import surfscan
from surfscan.core.aside import start_aside
from surfscan.ui import job_files, session
from surfscan.ui.desk import FOLDER, Desk, PhotoFile, Work, digest_of, without_folder

__all__ = [
    "as_url",
    "cached",
    "cached_object",
    "drop_stale_result",
    "has_photo",
    "look",
    "open_result",
    "read_result",
    "result_files",
    "start_ahead",
    "start_check",
    "take_result",
    "warm_up",
    "written_files",
]

AHEAD_PHOTOS, AHEAD_BYTES = 3, 60_000_000
"""Photos of a check that may begin before it is asked for: those of two directions, with one spare."""


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
    session.job().update(job_files.stations_lens())
    started = _started(job_files.used_tables())
    session.keep_work(started)
    session.keep_setup()
    return started


def start_ahead() -> None:
    """Begin the check that the button will ask for, where it is short and nobody else's waits: it is found then."""
    photos = session.photos()
    short = 0 < len(photos) <= AHEAD_PHOTOS and sum(len(photo.data) for photo in photos) <= AHEAD_BYTES
    if short and session.confirmed() and session.work() is None and _desk().idle:
        _started({**job_files.used_tables(), **job_files.stations_lens()})


def _started(tables: dict[str, Any]) -> Work:
    text, taken = job_files.sheet_text(tables), [*session.photos(), *session.extras()]
    return _desk().check(_job_digest(tables), text, taken, session.station())


def _job_digest(given: dict[str, Any] | None = None) -> str:
    """What was measured, by its bytes, and the panel's name behind a point: a name alone changes no figure."""
    tables = job_files.used_tables() if given is None else given
    name = str(tables["panel"].get("name") or "")
    text = job_files.sheet_text({**tables, "panel": {**tables["panel"], "name": ""}})
    files = (file.sha256 for file in (*session.photos(), *session.extras()))
    return f"{digest_of(text, session.station(), *files)}.{digest_of(name)[:12]}"


def drop_stale_result() -> bool:
    """Drop a result whose job is no longer the session's, say whether there was one; a corrected name goes into it."""
    current = session.work()
    if current is None:
        return False
    name = session.shown_name()
    if current.files is not None or current.digest == _job_digest():
        if current.files is None or current.result is None or current.result.panel.get("name", "") == name:
            return False
    elif current.digest.partition(".")[0] != _job_digest().partition(".")[0]:
        session.forget_result()
        return True
    if current.result is not None:
        session.rename_result(_named(current, name))
    return False


def _named(current: Work, name: str) -> Work:
    """The same check under another name of the panel."""
    found = current.result
    assert found is not None  # for the type checker
    named = replace(found, panel={**found.panel, "name": name})
    digest = f"{current.digest.partition('.')[0]}.{digest_of(name)[:12]}"
    files = None
    if current.files is not None:  # a result that was brought: its document says the name too
        document = json.loads(current.files["result.json"])
        document["panel"]["name"] = name
        text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
        files = {**current.files, "result.json": text.encode()}
    return Work(digest, current.stage, 1.0, named, files=files)


def has_photo(result: Any) -> bool:
    """Whether a result still has the photo it was made from: one read back has not."""
    return getattr(result, "overlay_photo", None) is not None


def open_result(files: list[tuple[str, bytes]]) -> None:
    """Take up somebody's result folder, as a job of its own.

    Raises
    ------
    RefusedError
        When it is damaged.
    """
    by_name = {name.rpartition("/")[2]: data for name, data in files}
    if "height.npz" not in by_name:
        raise surfscan.RefusedError(
            "The result lacks its maps",
            found="result.json without height.npz",
            allowed="both, as a check writes them",
            cure="choose the whole folder of the result, or the zip that was saved under Papers",
        )
    take_result(read_result(by_name), by_name)


def read_result(by_name: dict[str, bytes]) -> surfscan.CheckResult:
    """A result from the bytes of its files, by name; RefusedError when they are damaged."""
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        for name in ("result.json", "height.npz"):
            (Path(folder) / name).write_bytes(by_name[name])
        return without_folder(lambda: surfscan.load_result(folder), folder)


def take_result(found: Any, files: dict[str, bytes]) -> None:
    """A result read back is the session's result now; its job has no photos here."""
    tables = session.empty_job()
    for name in ("name", "stage", "size_mm"):
        if found.panel.get(name) is not None:
            tables["panel"][name] = found.panel[name]
    session.start_over(tables)
    digest = digest_of(files.get("result.json", b""), files.get("height.npz", b""))
    name = digest_of(str(found.panel.get("name") or ""))[:12]
    session.keep_work(Work(f"{digest}.{name}", "done", 1.0, found, files=files))


@st.cache_data(max_entries=24, show_spinner=False)
def _written(digest: str, _result: surfscan.CheckResult) -> dict[str, bytes]:
    return written_files(_result)


def written_files(_result: surfscan.CheckResult) -> dict[str, bytes]:
    """What the command would write of a result, by name."""
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        written = surfscan.write_result(Path(folder), _result)
        return {path.name: path.read_bytes() for path in written}


def result_files(digest: str, result: surfscan.CheckResult) -> dict[str, bytes]:
    """The files that the command would write, by name; of a result that was brought, what was brought."""
    current = session.work()
    if current is not None and current.digest == digest and current.files is not None:
        return current.files
    return _written(digest, result)


@st.cache_data(max_entries=96, show_spinner=False)
def cached(key: str, _make: Callable[[], Any]) -> Any:
    """Whatever `_make` returns, kept under a key that starts with a digest."""
    return _make()


@st.cache_resource(max_entries=48, show_spinner=False)
def cached_object(key: str, _make: Callable[[], Any]) -> Any:
    """The same for objects that hold functions; nobody changes them."""
    return _make()


def as_url(picture: np.ndarray[Any, Any], *, quality: int = 85, key: str = "") -> str:
    """A picture as an address for the picture part: one of this server's, so that it is sent once and not at each tap.

    Parameters
    ----------
    picture : ndarray
    quality : int
        Of the JPEG.
    key : str
        Starting with a digest: the picture is coded once for it.
    """
    data = (
        cached(f"{key}-jpeg-{quality}", lambda: _coded(picture, quality)) if key else _coded(picture, quality)
    )
    if not exists():
        return "data:image/jpeg;base64," + base64.b64encode(data).decode()
    return str(get_instance().media_file_mgr.add(data, "image/jpeg", f"picture-{digest_of(data)[:16]}"))


def _coded(picture: np.ndarray[Any, Any], quality: int) -> bytes:
    made = io.BytesIO()
    Image.fromarray(picture).save(made, "JPEG", quality=quality)
    return made.getvalue()
