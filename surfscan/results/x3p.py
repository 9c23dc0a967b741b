"""x3p archives (ISO 25178-72) read by their own sums: XML head, binary or listed heights, checksums of both.

Writers differ: an archive inside a folder, another dash in the revision, data inside main.xml. Those are read. What
is not there is named by the part of the standard that asks for it.
"""

from __future__ import annotations

import hashlib
import xml.etree.ElementTree as ElementTree
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import NoReturn

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array

__all__ = ["LEAST_STEP_M", "MOST_BYTES", "MOST_CELLS", "MOST_STEP_M", "X3p", "read_x3p"]

MOST_CELLS = 40_000_000
"""Larger maps are refused: the judgement would need more memory than a shop's computer has."""

MOST_BYTES = 1_000_000_000
MOST_XML = 100_000_000
TYPES = {"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}
"""Data types of ISO 25178-72, little-endian."""

LEAST_STEP_M, MOST_STEP_M = 1e-9, 10.0
"""Spacings of cells that an instrument can have."""


@dataclass(frozen=True, slots=True)
class X3p:
    """A surface as stored.

    Attributes
    ----------
    heights_m : ndarray (rows, columns)
        Row 0 is the least y; NaN where not valid.
    step_m : (float, float)
        Along x and y.
    doubts : tuple of str
        What could not be checked, in sentences.
    """

    heights_m: Array
    step_m: tuple[float, float]
    doubts: tuple[str, ...]


def read_x3p(path: Path) -> X3p:
    """Read an archive and hold its data against its checksums.

    Raises
    ------
    RefusedError
        Damaged, changed after it was written, too large, or without a part that the standard asks for.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return _read(path.name, archive)
    except RefusedError:
        raise
    except (
        zipfile.BadZipFile,
        ValueError,
        NotImplementedError,
        RuntimeError,
        EOFError,
        OSError,
        KeyError,
    ) as error:
        _refuse(
            path.name,
            f"the archive is damaged: {str(error).splitlines()[0][:150] if str(error) else 'no zip'}",
        )
    except Exception as error:  # zlib and its like have errors of their own
        _refuse(path.name, f"the archive is damaged: {type(error).__name__}")


def _read(name: str, archive: zipfile.ZipFile) -> X3p:
    size = sum(item.file_size for item in archive.infolist())
    if size > MOST_BYTES:
        raise RefusedError(
            f"{name} is too large",
            found=f"{size / 1e9:.1f} GB",
            allowed="1 GB unpacked",
            cure="export the map again",
        )
    twice = _doubled([item.filename for item in archive.infolist()])
    if twice:
        _refuse(name, f"{twice} is in the archive twice")
    mains = [n for n in archive.namelist() if PurePosixPath(n).name == "main.xml" and "__MACOSX" not in n]
    if len(mains) != 1:
        _refuse(
            name,
            f"{len(mains)} documents main.xml"
            if mains
            else "no main.xml, the document of the standard's clause 5",
        )
    folder = mains[0][: -len("main.xml")]
    if archive.getinfo(mains[0]).file_size > MOST_XML:
        _refuse(name, f"a main.xml of {archive.getinfo(mains[0]).file_size / 1e6:.0f} MB")
    text = archive.read(mains[0])
    if b"<!DOCTYPE" in text[:4096].upper() or b"<!ENTITY" in text.upper():
        _refuse(name, "a main.xml with a document type of its own")
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as error:
        _refuse(name, f"a main.xml that is no XML: {error}")
    doubts = _check_main(name, archive, folder, text)
    kind = _text(root, "Record1/FeatureType")
    if kind != "SUR":
        _refuse(
            name,
            f"feature type {kind or 'missing'} (Record1/FeatureType)",
            "SUR, one surface on an even grid",
        )
    step = _step(name, root, "CX"), _step(name, root, "CY")
    shape = _count(name, root, "SizeY"), _count(name, root, "SizeX")
    if _text(root, "Record3/MatrixDimension/SizeZ") not in ("1", ""):
        _refuse(name, "several layers (Record3/MatrixDimension/SizeZ)", "one layer")
    if shape[0] * shape[1] > MOST_CELLS:
        raise RefusedError(
            f"{name} has an unusable size",
            found=f"{shape[1]} x {shape[0]} cells",
            allowed=f"2 x 2 to {MOST_CELLS:,} cells",
            cure="thin the map out in the program that made it",
        )
    values, doubt = _values(name, archive, folder, root, shape)
    scale = _number(name, root, "Record1/Axes/CZ/Increment", 1.0)
    offset = _number(name, root, "Record1/Axes/CZ/Offset", 0.0)
    if scale == 0:
        _refuse(name, "an increment of 0 along z (Record1/Axes/CZ/Increment)", "a scale that is not 0")
    return X3p(values * scale + offset, step, (*doubts, *doubt))


def _check_main(name: str, archive: zipfile.ZipFile, folder: str, text: bytes) -> tuple[str, ...]:
    try:
        raw = archive.read(folder + "md5checksum.hex")[:4096].decode("ascii", "replace").split()
    except KeyError:
        return ("The file has no checksum of its document (md5checksum.hex).",)
    if not raw or len(raw[0]) != 32:
        return ("The checksum of its document (md5checksum.hex) can't be read.",)
    said = raw[1].lstrip("*") if len(raw) > 1 else "main.xml"
    if PurePosixPath(said).name != "main.xml":
        try:
            text = archive.read(folder + said)
        except KeyError:
            return (f"Its checksum is of {said[:60]}, which is not in the archive.",)
    if hashlib.md5(text, usedforsecurity=False).hexdigest() != raw[0].lower():
        _refuse(name, f"{said[:60]} does not fit its checksum: it was changed after the file was written")
    return ()


def _values(
    name: str, archive: zipfile.ZipFile, folder: str, root: ElementTree.Element, shape: tuple[int, int]
) -> tuple[Array, tuple[str, ...]]:
    link = _text(root, "Record3/DataLink/PointDataLink")
    cells = shape[0] * shape[1]
    if not link:
        data = root.findall(".//Record3/DataList/Datum")
        if not data:
            _refuse(name, "no heights: neither Record3/DataLink/PointDataLink nor Record3/DataList")
        if len(data) != cells:
            _refuse(
                name, f"{len(data)} heights in Record3/DataList", f"{cells}, as Record3/MatrixDimension says"
            )
        return np.array([_datum(name, one.text) for one in data]).reshape(shape), ()
    kind = _text(root, "Record1/Axes/CZ/DataType")
    if kind not in TYPES:
        _refuse(name, f"data type {kind or 'missing'} (Record1/Axes/CZ/DataType)", "I, L, F or D")
    try:
        raw = archive.read(folder + link.lstrip("/"))
    except KeyError:
        _refuse(name, f"no {link[:80]} in the archive, which Record3/DataLink/PointDataLink names")
    if len(raw) < cells * np.dtype(TYPES[kind]).itemsize:
        _refuse(
            name,
            f"{len(raw)} bytes of heights",
            f"{cells * np.dtype(TYPES[kind]).itemsize}, for {cells} cells",
        )
    doubts: tuple[str, ...] = ()
    told = _text(root, "Record3/DataLink/MD5ChecksumPointData").lower()
    if len(told) != 32:
        doubts = ("Its heights have no checksum (Record3/DataLink/MD5ChecksumPointData).",)
    elif hashlib.md5(raw, usedforsecurity=False).hexdigest() != told:
        _refuse(name, "heights that do not fit their checksum: they were changed after the file was written")
    values = np.frombuffer(raw, TYPES[kind], cells).astype(float).reshape(shape)
    mask = _text(root, "Record3/DataLink/ValidPointsLink")
    if mask:
        try:
            bits = np.unpackbits(np.frombuffer(archive.read(folder + mask), np.uint8), bitorder="little")
        except KeyError:
            _refuse(name, f"no {mask[:80]} in the archive, which Record3/DataLink/ValidPointsLink names")
        if bits.size >= cells:
            values = np.where(bits[:cells].reshape(shape) > 0, values, np.nan)
    return values, doubts


def _datum(name: str, text: str | None) -> float:
    word = (text or "").split(";")[-1].strip()
    try:
        return float(word) if word else float("nan")
    except ValueError:
        _refuse(name, f"{word[:40]!r} among the heights of Record3/DataList", "numbers")


def _step(name: str, root: ElementTree.Element, axis: str) -> float:
    if _text(root, f"Record1/Axes/{axis}/AxisType") == "A":
        _refuse(name, f"an uneven axis (Record1/Axes/{axis}/AxisType)", "I, an axis with an increment")
    step = _number(name, root, f"Record1/Axes/{axis}/Increment", None)
    if not LEAST_STEP_M <= step <= MOST_STEP_M:
        _refuse(
            name,
            f"cells {step:g} m apart (Record1/Axes/{axis}/Increment)",
            f"{LEAST_STEP_M:g} to {MOST_STEP_M:g} m",
        )
    return step


def _count(name: str, root: ElementTree.Element, key: str) -> int:
    text = _text(root, f"Record3/MatrixDimension/{key}")
    if not (text.isascii() and text.isdigit() and len(text) < 10) or int(text) < 2:
        _refuse(
            name, f"{text[:20] or 'nothing'} as Record3/MatrixDimension/{key}", "a whole number of 2 and more"
        )
    return int(text)


def _number(name: str, root: ElementTree.Element, key: str, default: float | None) -> float:
    text = _text(root, key)
    if not text and default is not None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        _refuse(name, f"{text[:40] or 'nothing'} as {key}", "a number")
    return value


def _text(root: ElementTree.Element, key: str) -> str:
    found = root.find(key)
    return (found.text or "").strip() if found is not None else ""


def _doubled(names: list[str]) -> str:
    seen: set[str] = set()
    for one in names:
        if one in seen:
            return one[:80]
        seen.add(one)
    return ""


def _refuse(
    name: str, found: str, allowed: str = "one surface on an even grid, as x3p (ISO 25178-72)"
) -> NoReturn:
    raise RefusedError(
        f"{name} can't be read as a surface", found=found, allowed=allowed, cure="export the map again"
    )
