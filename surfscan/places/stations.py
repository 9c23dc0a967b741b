"""Stations: places in the shop whose board stays put, surveyed once and kept on this computer.

The plain interface for programs and the page::

    stations()                        all of them, as records, by name
    load_station(name)                one; RefusedError when there is none
    new_station(name, photos, ...)    survey one and keep it
    forget_station(name)
    export_station(name, path), import_station(path)
    keep_proof(name, proof)           its certificate (`surfscan.checking.proof`)

Checks at a station: `surfscan.places.check`. A station with a *frame* has tags on a stand that stays with the board:
their places and the board's are known, and a job is the photos of the panel alone. Without one, tags lie on each panel,
and a job has a set-up photo among its photos; the station then knows board, lens and limits.
"""

from __future__ import annotations

import copy
import datetime
import re
import shutil
import tomllib
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from surfscan.core.errors import RefusedError, UsageError
from surfscan.job.lens_file import read_lens
from surfscan.job.proof_file import PROOF_DAYS, ProofFile, proof_text, read_proof
from surfscan.job.sheet_text import read_toml
from surfscan.job.sheet_writing import write_sheet
from surfscan.places.home import home
from surfscan.places.surveying import LENS, PROOF, SHEET, check_tables, survey_place, tables_like
from surfscan.report.output import write_file, write_files

__all__ = [
    "Station",
    "export_station",
    "forget_station",
    "import_station",
    "keep_proof",
    "load_station",
    "new_station",
    "stations",
]

META = "station.toml"
_FILES = (SHEET, META, PROOF, LENS)
MOST_BYTES = 200_000
LONGEST = 60


@dataclass(frozen=True, slots=True)
class Station:
    """A place that stays.

    Attributes
    ----------
    name : str
    folder : path
    made : date
        When it was surveyed.
    frame : bool
        Whether its tags stay with the board.
    tables : dict
        What a job sheet needs of it.
    proof : ProofFile or None
        The last proof.
    focal_px, u_focal_rel, size_px
        The focal length that the survey found, its relative standard uncertainty, and the photos' size, long side
        first; None where the lens is told otherwise.
    """

    name: str
    folder: Path
    made: datetime.date
    frame: bool
    tables: dict[str, Any]
    proof: ProofFile | None = None
    focal_px: float | None = None
    u_focal_rel: float | None = None
    size_px: tuple[int, int] | None = None

    @property
    def files(self) -> dict[str, Path]:
        """Files that its tables name."""
        return {name: self.folder / name for name in (PROOF, LENS) if (self.folder / name).is_file()}

    def job_parts(self) -> tuple[dict[str, Any], dict[str, Path]]:
        """Tables of a job's sheet here, and the files that they name: a lens, and a proof where the board stays."""
        tables, files = copy.deepcopy(self.tables), self.files
        if self.proof is not None and self.frame:
            tables["board"]["proof"] = PROOF
        named = {tables["board"].get("proof"), tables.get("camera", {}).get("lens_file")}
        return tables, {name: path for name, path in files.items() if name in named}

    def proved(self, today: datetime.date | None = None) -> str:
        """When it was proved last, in words."""
        if self.proof is None:
            return "never proved"
        days = self.proof.days(today or datetime.date.today())
        age = "today" if days == 0 else f"{days} day{'s' if days != 1 else ''} ago"
        if not self.proof.holds:
            return f"proved {age}, and failed: survey it again"
        return f"proved {age}" + (
            f", which is over {PROOF_DAYS} days: prove it again" if days > PROOF_DAYS else ""
        )


def stations() -> list[Station]:
    """All stations of this computer, by name; what can't be read is left out."""
    found = []
    for path in sorted((home() / "stations").glob(f"*/{META}")):
        if path.parent.name.startswith("."):  # left by a survey that was stopped
            continue
        try:
            found.append(_read(path.parent))
        except RefusedError:
            continue
    return sorted(found, key=lambda station: station.name.lower())


def load_station(name: str) -> Station:
    """A station by its name, in any case.

    Raises
    ------
    RefusedError
        When there is none, saying which there are.
    """
    folder = _folder(name)
    if not (folder / META).is_file():
        known = ", ".join(station.name for station in stations())
        raise RefusedError(
            f"There is no station {name!r}",
            found=f"stations: {known}" if known else "no stations yet",
            allowed="a station of this computer",
            cure=f"survey it: surfscan station new {name} PHOTO...",
        )
    return _read(folder)


def new_station(  # house: a keyword for each option of the command; all but two have a default
    name: str,
    photos: Sequence[Path] = (),
    *,
    frame: bool = False,
    like: Path | None = None,
    focal_35mm: float | None = None,
    lens_file: Path | None = None,
    replace_it: bool = False,
    today: datetime.date | None = None,
) -> Station:
    """Survey a station and keep it.

    Parameters
    ----------
    name : str
    photos : sequence of path
        A set-up photo, better with two or three more of the tags from other sides.
    frame : bool
        The tags in the photos are on a stand that stays with the board.
    like : path, optional
        A job folder or sheet to take tags, board, limits and lens from, in place of a kit.
    focal_35mm, lens_file
        The lens, where EXIF does not tell it.
    replace_it : bool
        Survey again a station that there is.
    today : date, optional

    Returns
    -------
    Station

    Raises
    ------
    UsageError
        A name that can't be used, or that is taken.
    RefusedError
        As checks of such photos do.
    """
    folder = _folder(name)
    _see_free(folder, name, "give --replace to survey it again, or another name", replace_it=replace_it)
    tables, files = tables_like(like)
    if lens_file is not None:
        read_lens(lens_file)
        files[LENS] = lens_file
        tables = {**(tables or {}), "camera": {"lens_file": LENS}}
    given = tables if tables and "tags" in tables else None
    meta: dict[str, Any] = {
        "name": name,
        "made": (today or datetime.date.today()).isoformat(),
        "frame": frame,
    }
    if photos:
        tables, more = survey_place(photos, given, tables or {}, files, frame=frame, focal_35mm=focal_35mm)
        meta.update(more)
    elif given is None:
        raise UsageError(
            "A station needs photos, or a sheet to be like",
            found="neither",
            allowed="a set-up photo of a kit, or --like JOB",
            cure=f"surfscan station new {name} SETUP.jpg",
        )
    else:
        meta["frame"] = "centre_mm" in given["board"] and bool(given["tags"].get("centres_mm"))
    assert tables is not None
    out = {SHEET: write_sheet(tables).encode(), META: write_sheet({"station": meta}).encode()}
    if LENS in files:
        out[LENS] = files[LENS].read_bytes()
    return _keep(folder, out)


def forget_station(name: str) -> None:
    """Take a station out for good.

    Raises
    ------
    RefusedError
        When there is none.
    """
    shutil.rmtree(load_station(name).folder)


def keep_proof(name: str, proof: ProofFile) -> Station:
    """Keep a station's certificate; later jobs name it as ``board.proof``."""
    station = load_station(name)
    write_file(station.folder / PROOF, proof_text(proof).encode())
    return _read(station.folder)


def export_station(name: str, path: Path) -> Path:
    """Write a station as one file, to be imported on another computer."""
    import io

    station = load_station(name)
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in _FILES:
            if (station.folder / file).is_file():
                archive.writestr(file, (station.folder / file).read_bytes())
    write_file(path, data.getvalue(), make_folder=True)
    return path


def import_station(path: Path, *, name: str | None = None, replace_it: bool = False) -> Station:
    """Take a station from a file that `export_station` wrote.

    Parameters
    ----------
    path : path
    name : str, optional
        Another name for it here.
    replace_it : bool

    Raises
    ------
    RefusedError
        A file that is none, or is damaged.
    UsageError
        A name that is taken.
    """
    import tempfile

    files = _unpacked(path)
    with tempfile.TemporaryDirectory() as there:
        for file, data in files.items():
            (Path(there) / file).write_bytes(data)
        station = _read(Path(there))
    folder = _folder(name or station.name)
    _see_free(folder, name or station.name, "give --name for it here, or --replace", replace_it=replace_it)
    if name is not None:
        meta = tomllib.loads(files[META].decode())["station"]
        files[META] = write_sheet({"station": {**meta, "name": name}}).encode()
    return _keep(folder, files)


def _see_free(folder: Path, name: str, cure: str, *, replace_it: bool) -> None:
    """Refuse a name that is taken."""
    if (folder / META).exists() and not replace_it:
        raise UsageError(
            f"There is a station {name!r} already",
            found=f"surveyed on {_read(folder).made.isoformat()}",
            allowed="a new name",
            cure=cure,
        )


def _keep(folder: Path, files: dict[str, bytes]) -> Station:
    """Write a station's files in place of what was there: whole beside it first, so that neither is lost half-way."""
    fresh, old = (folder.with_name(f".{folder.name}.{word}") for word in ("new", "old"))
    for left in (fresh, old):
        shutil.rmtree(left, ignore_errors=True)
    fresh.mkdir(parents=True)
    write_files(fresh, files)
    _read(fresh)
    if folder.exists():
        folder.rename(old)
    fresh.rename(folder)
    shutil.rmtree(old, ignore_errors=True)
    return _read(folder)


def _unpacked(path: Path) -> dict[str, bytes]:
    told = {"allowed": "a file as surfscan station export writes it", "cure": "export it again"}
    try:
        with zipfile.ZipFile(path) as archive:
            files = {}
            for info in archive.infolist():
                if info.filename not in _FILES or info.file_size > MOST_BYTES:
                    raise RefusedError(f"{path.name} is no station's file", found=info.filename[:60], **told)
                files[info.filename] = archive.read(info)
    except (OSError, zipfile.BadZipFile, RuntimeError, EOFError) as error:
        raise RefusedError(f"{path} can't be read as a station", found=str(error)[:80], **told) from None
    if SHEET not in files or META not in files:
        raise RefusedError(f"{path.name} is no station's file", found="parts are missing", **told)
    return files


def _folder(name: str) -> Path:
    """Where a station lies: its name in small letters, fit for any file system."""
    slug = re.sub(r"[^a-z0-9]+", "-", name.strip().lower()).strip("-")
    if not slug or len(name) > LONGEST or not name.isprintable():
        raise UsageError(
            "The station's name can't be used",
            found=repr(name[:LONGEST]),
            allowed=f"letters and digits, up to {LONGEST}",
            cure="call it by its place, such as bay-2",
        )
    return home() / "stations" / slug


def _read(folder: Path) -> Station:
    tables = read_toml(folder, SHEET)
    try:
        meta = tomllib.loads((folder / META).read_text(encoding="utf-8"))["station"]
        made = datetime.date.fromisoformat(str(meta["made"]))
        name, frame = str(meta["name"]), bool(meta["frame"])
        focal, u_focal = (float(meta[k]) if k in meta else None for k in ("focal_px", "u_focal_rel"))
        size = (int(meta["size_px"][0]), int(meta["size_px"][1])) if "size_px" in meta else None
    except (OSError, KeyError, TypeError, ValueError, IndexError) as error:
        raise RefusedError(
            f"The station in {folder} can't be read",
            found=str(error)[:80],
            allowed="what surfscan station new wrote",
            cure="forget it and survey it again",
        ) from None
    check_tables(tables)
    proof = read_proof(folder / PROOF) if (folder / PROOF).is_file() else None
    return Station(name, folder, made, frame, tables, proof, focal, u_focal, size)
