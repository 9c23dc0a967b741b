"""What a job is known by: one digest over its sheet, its photos, its station and the program's version."""

from __future__ import annotations

import hashlib
import json
import os
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from surfscan.fleet.bundles import Packed
from surfscan.job.file_kinds import photos_among
from surfscan.version import VERSION

__all__ = ["SHEET", "identity_of", "named_files", "sheet_names"]

SHEET = "panel.toml"
_LONGEST_NAME = 4096
_LARGEST = 2_000_000_000  # bytes; a photo over half of this is refused, so more of it need not be read


def identity_of(folder: Path | str, *, packed: Packed | None = None, panel: str = "") -> str:
    """The identity of a job: what changes it changes the result, and nothing else does.

    Parameters
    ----------
    folder : path
        The job folder. A sheet that will be refused has an identity too.
    packed : Packed, optional
        The station, or the kits, of photos without a sheet; then every photo in the folder counts.
    panel : str
        The panel's name, where there is no sheet that says it.

    Returns
    -------
    str
        SHA-256 in hexadecimal, over the digests of the sheet, of every file that the sheet names and that is there,
        and of the station, and over the program's version. The folder's place is not in it.

    Raises
    ------
    OSError
        When a file can't be read.
    """
    folder = Path(folder)
    names = named_files(folder) if packed is None else photos_among(os.listdir(folder))
    whole = {
        "program": VERSION,
        "sheet": _digest(folder / SHEET) if packed is None else packed.typed(panel),
        "files": {name: _digest(folder / name) for name in names},
        "station": None if packed is None else packed.digest,
    }
    return hashlib.sha256(json.dumps(whole, sort_keys=True).encode()).hexdigest()


def named_files(folder: Path) -> list[str]:
    """The files that a sheet names and that are there: photos, references, a lens file; sorted."""
    found = []
    for name in sorted(sheet_names(folder)):
        with suppress(OSError, ValueError):  # a text that can be no name
            if (folder / name).is_file():
                found.append(name)
    return found


def sheet_names(folder: Path) -> set[str]:
    """Every text in a sheet that may be the name of a file in its folder."""
    try:
        sheet = tomllib.loads((folder / SHEET).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):  # no file, no text, no TOML: the check will say so
        return set()
    return {
        name
        for name in _texts(sheet)
        if 0 < len(name) <= _LONGEST_NAME and not Path(name).is_absolute() and ".." not in Path(name).parts
    }


def _texts(part: Any) -> Iterator[str]:
    if isinstance(part, str):
        yield part
    elif isinstance(part, dict):
        for inner in part.values():
            yield from _texts(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from _texts(inner)


def _digest(path: Path) -> str:
    size = path.stat().st_size
    if size > _LARGEST:
        return f"{size} bytes"
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
