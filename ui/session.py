"""Everything the page keeps: the session's own keys, and calls that are cached for all by the bytes' SHA-256.

A session holds its photos and its result in memory and nowhere else. What is shared between sessions is found only
by the digest of the very bytes it was made from, so nobody meets another's photos. Photos are on disk only while a
check reads them, in a folder of our own naming that is removed afterwards.
"""

from __future__ import annotations

import base64
import hashlib
import io
import tempfile
import threading
import zipfile
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st
from PIL import Image

import surfscan
from surfscan.job.sheet_writing import write_sheet
from surfscan.ui import limits
from surfscan.ui.desk import FOLDER, Desk, PhotoFile, Work, digest_of, without_folder

__all__ = [
    "PhotoFile",
    "Work",
    "digest_of",
    "job",
    "open_job",
    "photos",
    "set_photos",
    "start_check",
    "units",
    "work",
]

# --- keys of a session -------------------------------------------------------------------------------------------

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


# --- photos in, job in and out ------------------------------------------------------------------------------------


def take_photo(data: bytes, name: str, number: int) -> PhotoFile:
    """Check an upload and give it our own name.

    Raises
    ------
    RefusedError
        See `limits.check_photo`.
    """
    shown = limits.shown_name(name)
    limits.check_photo(data, shown)
    return PhotoFile(
        f"photo-{number}{limits.file_ending(data)}", shown, hashlib.sha256(data).hexdigest(), data
    )


def set_photos(taken: list[PhotoFile]) -> None:
    """Make these the session's photos, with one entry of the sheet each; directions are kept or guessed."""
    tables = job()
    before = {photo.sha256: row for photo, row in zip(photos(), tables["photo"], strict=False)}
    as_many = tables["photo"] if len(tables["photo"]) == len(taken) else [{} for _ in taken]
    rows: list[dict[str, Any]] = []
    for k, photo in enumerate(taken):
        # The same photo keeps its entry; one shot anew takes the place of the old, but not its tapped corners.
        row = dict(before.get(photo.sha256) or {n: v for n, v in as_many[k].items() if n != "corners_px"})
        row["file"] = photo.file
        if tables.get("board", {}).get("pattern", "stripes") == "stripes" and "lamp_mm" not in row:
            used = {other.get("varies") for other in rows}
            if row.get("varies") is None or row["varies"] in used:
                row["varies"] = "up" if "across" in used else "across" if "up" in used or k == 0 else "up"
        rows.append(row)
    if [p.sha256 for p in taken] != [p.sha256 for p in photos()]:
        forget_result()
    tables["photo"] = rows
    st.session_state[_PHOTOS] = taken


def turn_photo(k: int, way: str) -> None:
    """Say which way photo `k`'s stripes run; of a pair, the other takes the other way."""
    rows = job()["photo"]
    if len(rows) == 2:
        rows[1 - k]["varies"] = "up" if way == "across" else "across"
    rows[k]["varies"] = way
    forget_result()


def open_job(files: list[tuple[str, bytes]]) -> None:
    """Take a whole job folder: its sheet, and the photos that the sheet names.

    Raises
    ------
    RefusedError
        Without a sheet, with a sheet that can't be used, or a photo that is not there.
    """
    by_name = {limits.inner_name(name): data for name, data in files}
    text = by_name.get("panel.toml")
    if text is None:
        raise surfscan.RefusedError(
            "There is no panel.toml among the files",
            found=", ".join(sorted(limits.shown_name(n) for n in by_name)[:5]) or "nothing",
            allowed="the folder with panel.toml and its photos",
            cure="choose the whole job folder, or fill in the form",
        )
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        (Path(folder) / "panel.toml").write_bytes(text[:2_000_000])
        sheet = without_folder(lambda: surfscan.load_sheet(folder, need_photos=False), folder)
    limits.check_total([len(by_name.get(limits.inner_name(row.file), b"")) for row in sheet.photos])
    taken = []
    for k, row in enumerate(sheet.photos, 1):
        data = by_name.get(limits.inner_name(row.file))
        if data is None:
            raise surfscan.RefusedError(
                f"photo[{k}].file names a photo that is not there",
                found=f"no {limits.shown_name(row.file)} among the files",
                allowed="every photo that panel.toml names",
                cure="choose the whole job folder",
            )
        taken.append(take_photo(data, row.file, k))
    tables = tables_of(sheet)
    ours = {row.file: photo.file for row, photo in zip(sheet.photos, taken, strict=True)}
    more = _take_extras(tables, by_name, ours)
    for row, photo in zip(tables["photo"], taken, strict=True):
        row["file"] = photo.file
    start_over(tables)
    st.session_state[_PHOTOS], st.session_state[_EXTRAS] = taken, more


def _take_extras(tables: dict[str, Any], by_name: dict[str, bytes], ours: dict[str, str]) -> list[PhotoFile]:
    """The other files a sheet names, under names of our own, which the tables get."""
    more: list[PhotoFile] = []
    named = [
        (tables.get("board", {}), "setup_photo", "set-up"),
        (tables.get("camera", {}), "lens_file", "lens"),
    ]
    named += [(row, "reference", f"reference-{k}") for k, row in enumerate(tables["photo"], 1)]
    for table, key, name in named:
        theirs = table.get(key)
        if theirs is None:
            continue
        if theirs not in ours:
            data = by_name.get(limits.inner_name(theirs))
            if data is None:
                raise surfscan.RefusedError(
                    f"{key} names a file that is not there",
                    found=f"no {limits.shown_name(theirs)} among the files",
                    allowed="every file that panel.toml names",
                    cure="choose the whole job folder",
                )
            ending = limits.file_ending(data)
            if key == "lens_file":
                limits.check_lens(data)
                ending = ".toml"
            else:
                limits.check_photo(data, limits.shown_name(theirs))
            kept = PhotoFile(name + ending, limits.shown_name(theirs), hashlib.sha256(data).hexdigest(), data)
            ours[theirs] = kept.file
            more.append(kept)
        table[key] = ours[theirs]
    return more


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


def tables_of(sheet: surfscan.Sheet) -> dict[str, Any]:
    """A checked sheet as plain tables, what is not given left out."""
    dumped = sheet.model_dump(mode="json", by_alias=True, exclude={"folder"}, exclude_unset=True)
    return {name: table for name, table in dumped.items() if table is not None}


def sheet_text(tables: dict[str, Any] | None = None) -> str:
    """The session's `panel.toml`."""
    asked = job() if tables is None else tables
    return write_sheet({name: table for name, table in asked.items() if name != "tags_before"})


def checked_sheet(text: str) -> surfscan.Sheet:
    """Read a sheet's text as the command would.

    Raises
    ------
    RefusedError
        As `surfscan.load_sheet`.
    """
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        (Path(folder) / "panel.toml").write_text(text, encoding="utf-8")
        return without_folder(lambda: surfscan.load_sheet(folder, need_photos=False), folder)


def job_zip() -> bytes:
    """The session's job folder, packed."""
    return pack_job(job(), [*photos(), *extras()])


def pack_job(tables: dict[str, Any], taken: list[PhotoFile]) -> bytes:
    """A job folder as a zip: the same job runs in a terminal."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as parts:  # photos don't shrink
        parts.writestr("job/panel.toml", sheet_text(tables))
        for photo in taken:
            parts.writestr(f"job/{photo.file}", photo.data)
    return packed.getvalue()


def demo_files() -> list[tuple[str, bytes]]:
    """The bundled example."""
    from importlib import resources

    source = resources.files("surfscan") / "data" / "demo"
    return [
        (item.name, item.read_bytes())
        for item in source.iterdir()
        if item.name == "panel.toml" or item.name.endswith(".jpg")
    ]


# --- cached calls -------------------------------------------------------------------------------------------------


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
    more = extras() if text else []
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
        desk.warm_up()
        for name in ("look.first_look", "report.panes", "report.export"):
            import_module(f"surfscan.{name}")

    threading.Thread(target=load, name="warm-up", daemon=True).start()


def start_check() -> Work:
    """Check the session's job; the work goes on in the background."""
    text, taken = sheet_text(), [*photos(), *extras()]
    started = _desk().check(_job_digest(), text, taken)
    st.session_state[_WORK] = started
    st.session_state.pop(_SPOT, None)
    return started


def _job_digest() -> str:
    return digest_of(sheet_text(), *(file.sha256 for file in (*photos(), *extras())))


def drop_stale_result() -> bool:
    """Drop a result whose job is no longer the session's; say whether there was one."""
    current = work()
    if current is None or current.digest == _job_digest():
        return False
    forget_result()
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
