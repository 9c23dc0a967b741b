"""The sheet's text: read with its size looked at first, and what is wrong with it told by line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from surfscan.core.errors import RefusedError

__all__ = ["read_toml"]

_SHEET_BYTES = 1_000_000
_DEEPEST = 1000  # of a line: a long list of numbers after a line break has dots too


def read_toml(folder: Path, name: str = "panel.toml") -> dict[str, Any]:
    """A folder's sheet as tables, a job's by default (RefusedError when it is not there, too long or no TOML)."""
    path = folder / name
    try:
        return _read(path)
    except RefusedError as error:
        if name == "panel.toml":
            raise
        told = {k: getattr(error, k) for k in ("what", "found", "allowed", "cure")}
        told = {
            k: text.replace("panel.toml", name).replace("job folder", "folder") for k, text in told.items()
        }
        raise RefusedError(told.pop("what"), **told) from None


def _read(path: Path) -> dict[str, Any]:
    folder = path.parent
    cure = "give the folder that holds panel.toml and the photos"
    if not folder.exists():
        raise RefusedError(
            f"The job folder {folder} does not exist",
            found="nothing there",
            allowed="a folder with panel.toml and its photos",
            cure=cure,
        )
    if not folder.is_dir():
        raise RefusedError(
            f"{folder} is no folder",
            found="a file",
            allowed="a folder with panel.toml and its photos",
            cure=cure,
        )
    if not path.is_file():
        raise RefusedError(
            f"The job folder {folder} has no panel.toml",
            found="a folder without it",
            allowed="a folder with panel.toml and its photos",
            cure=cure,
        )
    try:
        size = path.stat().st_size  # looked at before anything is read
        data = path.read_bytes() if size <= _SHEET_BYTES else b""
    except OSError as error:
        raise RefusedError(
            f"{path} cannot be read",
            found=error.strerror or str(error),
            allowed="a folder and a sheet that this computer may read",
            cure="check their rights, and that the drive is there",
        ) from None
    if size > _SHEET_BYTES:
        raise RefusedError(
            "panel.toml is too long", found=f"{size} bytes", allowed="up to 1 MB", cure="keep only its keys"
        )
    deep = max((line.split(b"=", 1)[0].count(b".") for line in data.splitlines()), default=0)
    if deep > _DEEPEST:  # each dot is a table in a table, and they cost more than their letters
        raise RefusedError(
            "panel.toml has a key of too many parts",
            found=f"{deep} dots before the =",
            allowed=f"up to {_DEEPEST}",
            cure="write tables in brackets, as in README.md",
        )
    if not data.strip():
        raise RefusedError(
            "panel.toml is empty",
            found="nothing in it",
            allowed="[panel], [tags], [camera], [board] and [[photo]]",
            cure="see README.md",
        )
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise RefusedError(
            "panel.toml is no UTF-8 text", found="other bytes", allowed="UTF-8", cure="save it as UTF-8"
        ) from None
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:  # ValueError: 4,300 digits
        raise _no_toml(data, error) from None


def _no_toml(data: bytes, error: Exception) -> RefusedError:
    """What is wrong with the text; a decimal comma by name: the parser takes it for the end of the value."""
    place = re.search(r"at line (\d+)", str(error))
    lines = data.decode("utf-8-sig").splitlines()
    line = lines[int(place[1]) - 1].strip() if place and int(place[1]) <= len(lines) else ""
    comma = re.fullmatch(r"(\w+)\s*=\s*(-?\d+),(\d+)\s*(#.*)?", line)
    if comma:
        return RefusedError(
            f"panel.toml, line {place[1] if place else '?'}: a decimal comma",
            found=line[:60],
            allowed="a decimal point",
            cure=f"write {comma[1]} = {comma[2]}.{comma[3]}",
        )
    return RefusedError(
        f"panel.toml, line {place[1]}, can't be read" if place else "panel.toml can't be read",
        found=line[:60] or str(error),
        allowed="key = value, text in quotes, lists in brackets with commas between",
        cure="check quotes, brackets and commas there and in the line before",
    )
