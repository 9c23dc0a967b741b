"""Photos and jobs as they come in and go out: names of our own, job folders, sheets as text.

Photos are on disk only while they are read, in a folder of our own naming that is removed afterwards.
"""

from __future__ import annotations

import hashlib
import io
import re
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import surfscan
from surfscan.job.photos import photo_size
from surfscan.job.sheet_writing import write_sheet
from surfscan.ui import limits, session
from surfscan.ui.desk import FOLDER, PhotoFile, without_folder

__all__ = [
    "checked_sheet",
    "demo_files",
    "free_number",
    "is_result",
    "job_zip",
    "make_station",
    "number_of",
    "open_job",
    "open_kit_photos",
    "pack_job",
    "set_photos",
    "sheet_text",
    "stations_lens",
    "tables_of",
    "take_photo",
    "turn_photo",
    "unpacked",
    "used_tables",
]


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


def number_of(photo: PhotoFile) -> int:
    """The number in our own name of a photo; 0 without one."""
    stem = photo.file.partition(".")[0].rpartition("-")[2]
    return int(stem) if stem.isdigit() else 0


def free_number(taken: list[PhotoFile]) -> int:
    """A number that no photo's name has."""
    return 1 + max(map(number_of, taken), default=0)


def set_photos(taken: list[PhotoFile]) -> None:
    """Make these the session's photos, with one entry of the sheet each; directions are kept or guessed."""
    tables = session.job()
    old = list(zip(session.photos(), tables["photo"], strict=False))
    before = {photo.sha256: row for photo, row in old}
    same_name = {photo.file.partition(".")[0]: row for photo, row in old}
    rows: list[dict[str, Any]] = []
    for k, photo in enumerate(taken):
        # The same photo keeps its entry; one shot anew takes the place of the old, but not its tapped corners.
        again = same_name.get(photo.file.partition(".")[0], {})
        row = dict(before.get(photo.sha256) or {n: v for n, v in again.items() if n != "corners_px"})
        row["file"] = photo.file
        if tables.get("board", {}).get("pattern", "stripes") == "stripes" and "lamp_mm" not in row:
            used = {other.get("varies") for other in rows}
            if row.get("varies") is None or row["varies"] in used:
                row["varies"] = "up" if "across" in used else "across" if "up" in used or k == 0 else "up"
        rows.append(row)
    if [p.sha256 for p in taken] != [p.sha256 for p in session.photos()]:
        session.forget_result()
    tables["photo"] = rows
    session.keep_photos(taken)


def turn_photo(k: int, way: str) -> None:
    """Say which way photo `k`'s stripes run; of a pair, the other takes the other way."""
    rows = session.job()["photo"]
    if len(rows) == 2:
        rows[1 - k]["varies"] = "up" if way == "across" else "across"
    rows[k]["varies"] = way
    session.forget_result()


def unpacked(files: list[tuple[str, bytes]]) -> list[tuple[str, bytes]]:
    """The files themselves, of one zip that was brought alone too.

    Raises
    ------
    RefusedError
        When the zip is damaged, or holds more than a job may have.
    """
    if len(files) != 1 or not files[0][1].startswith(b"PK\x03\x04"):
        return files
    shown = limits.shown_name(files[0][0])
    try:
        with zipfile.ZipFile(io.BytesIO(files[0][1])) as parts:
            rows = [row for row in parts.infolist() if not row.is_dir()]
            limits.check_packed(shown, [row.file_size for row in rows])
            found = []
            for row in rows:
                with parts.open(row) as part:
                    found.append((row.filename, part.read(row.file_size + 1)))
            return found
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        raise surfscan.RefusedError(
            f"{shown} can't be unpacked",
            found=str(error) or type(error).__name__,
            allowed="a zip that was saved under Papers",
            cure="copy it again, or unpack it and choose its folder",
        ) from None


def is_result(files: list[tuple[str, bytes]]) -> bool:
    """Whether files are a result's and not a job's."""
    names = {limits.inner_name(name) for name, _ in files}
    return "result.json" in names and "panel.toml" not in names


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
    session.start_over(tables)
    session.confirm("sheet")
    session.keep_photos(taken, more)


def open_kit_photos(files: list[tuple[str, bytes]], station: str = "") -> None:
    """Make photos of a printed kit, or of a station that has its set-up photo in each job, into the session's job.

    Raises
    ------
    RefusedError, UsageError
        As `surfscan.places.arrange.arrange` does.
    """
    from surfscan.places.arrange import Panel, arrange, write_job  # late: most jobs do without
    from surfscan.places.check import station_job
    from surfscan.places.stations import load_station

    def arranged(paths: list[Path]) -> Any:
        return station_job(load_station(station), paths, Panel()) if station else arrange(paths, Panel())

    with _brought(files) as (scratch, paths):
        folder = scratch / "job"
        without_folder(lambda: write_job(arranged(paths), folder), str(scratch))
        job = [(path.name, path.read_bytes()) for path in folder.iterdir()]
    open_job(job)


def make_station(name: str, files: list[tuple[str, bytes]], *, frame: bool) -> None:
    """Survey a place whose board stays from photos of a kit, and keep it on this computer.

    Raises
    ------
    RefusedError, UsageError
        As `surfscan.places.stations.new_station` does.
    """
    from surfscan.places.stations import new_station

    with _brought(files) as (scratch, paths):
        without_folder(lambda: new_station(name, paths, frame=frame), str(scratch))


def stations_lens() -> dict[str, Any]:
    """At a station, tables of its lens for photos of the survey's number of pixels: EXIF tells it less well.

    Empty where there is none.
    """
    name, photos = session.station(), session.photos()
    if not name or not photos or session.confirmed() != "station":
        return {}
    from surfscan.places.check import parts_for
    from surfscan.places.stations import load_station

    try:
        width, height = photo_size(photos[0].data, photos[0].shown)
        tables, _ = parts_for(load_station(name), width * height)
    except surfscan.SurfscanError:  # told by the check, or a station that was forgotten meanwhile
        return {}
    return {key: tables.get(key, {}) for key in ("camera", "uncertainty")}


@contextmanager
def _brought(files: list[tuple[str, bytes]]) -> Iterator[tuple[Path, list[Path]]]:
    """Photos on disk for as long as they are read; what was brought twice counts once."""
    once = {hashlib.sha256(data).digest(): (name, data) for name, data in reversed(files)}
    files = list(reversed(once.values()))
    limits.check_total([len(data) for _, data in files])
    with tempfile.TemporaryDirectory(prefix=FOLDER) as scratch:
        paths: list[Path] = []
        for k, (name, data) in enumerate(files, 1):
            limits.check_photo(data, limits.shown_name(name))
            # Named as they came, so that a refusal says which; what they are is told by their first bytes.
            paths.append(Path(scratch) / str(k) / f"{_safe_stem(name)}{limits.file_ending(data)}")
            paths[-1].parent.mkdir()
            paths[-1].write_bytes(data)
        yield Path(scratch), paths


def _safe_stem(name: str) -> str:
    """A client's name as one that any disk takes."""
    return re.sub(r"[^A-Za-z0-9_-]", "_", Path(limits.inner_name(name)).stem)[:40] or "photo"


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


def tables_of(sheet: surfscan.Sheet) -> dict[str, Any]:
    """A checked sheet as plain tables, what is not given left out."""
    dumped = sheet.model_dump(mode="json", by_alias=True, exclude={"folder"}, exclude_unset=True)
    return {name: table for name, table in dumped.items() if table is not None}


def used_tables() -> dict[str, Any]:
    """The session's sheet as it is checked: of a set-up that nobody confirmed nothing is used that gives a scale."""
    tables = {name: table for name, table in session.job().items() if name != "tags_before"}
    if session.confirmed():
        return tables
    tables.pop("tags", None)
    rows = [{n: v for n, v in row.items() if n != "corners_px"} for row in tables["photo"]]
    return {**tables, "photo": rows}


def sheet_text(tables: dict[str, Any] | None = None) -> str:
    """The `panel.toml` that is checked, or of other tables."""
    asked = used_tables() if tables is None else tables
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
    return pack_job(used_tables(), [*session.photos(), *session.extras()])


def pack_job(tables: dict[str, Any], taken: list[PhotoFile]) -> bytes:
    """A job folder as a zip: the same job runs in a terminal."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as parts:  # photos don't shrink
        parts.writestr("job/panel.toml", sheet_text(tables))
        for photo in taken:
            parts.writestr(f"job/{photo.file}", photo.data)
    return packed.getvalue()


def packed_folder(folder: Path) -> bytes:
    """All files of a folder as a zip, under the folder's own name."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as parts:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                parts.write(path, path.relative_to(folder.parent).as_posix())
    return packed.getvalue()


def demo_files() -> list[tuple[str, bytes]]:
    """The bundled example."""
    source = resources.files("surfscan") / "data" / "demo"
    return [
        (item.name, item.read_bytes())
        for item in source.iterdir()
        if item.name == "panel.toml" or item.name.endswith(".jpg")
    ]
