"""Small good files of every kind that is read, and the same broken: bytes changed, parts cut, doubled or swapped."""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from fuzz_inputs import JOBS
from PIL import Image
from result_folders import bump, grid, make_folder, spot

from surfscan.checking.from_map import read_map
from surfscan.job.lens_file import LensFile, LensFit, LensSpread, lens_text, read_lens
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.results.grid_text import write_grid_text
from surfscan.results.stored import load_result
from surfscan.results.surfaces import write_sdf, write_x3p

__all__ = ["Kind", "broken", "make_kinds"]

TEXTS = (
    b"nan",
    b"inf",
    b"-1",
    b"0",
    b"1e308",
    b"1e-320",
    b"9" * 5000,
    b"",
    b"\xff",
    b"99999999999",
    b"\0",
    b"[",
    b"<",
)
CORNERS = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


@dataclass(frozen=True)
class Kind:
    """One kind of file: its name in a folder, good bytes of it, and its reader."""

    name: str
    good: bytes
    read: Callable[[Path], object]


def _picture(ending: str, deep: bool = False, grey: bool = False) -> bytes:
    y, x = np.mgrid[:72, :96]
    light = 127 + 100 * np.sin(x / 3.0) * np.cos(y / 9.0)
    pixels = (light * 257).astype(np.uint16) if deep else light.astype(np.uint8)
    return bytes(cv2.imencode(ending, pixels if grey else np.dstack([pixels] * 3))[1])


def _pillow(form: str) -> bytes:
    """A photo with EXIF, as phones write it."""
    made, exif = io.BytesIO(), Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8769)[0xA405] = 26
    if form == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    Image.fromarray(np.tile(np.arange(96, dtype=np.uint8)[None, :, None], (72, 1, 3))).save(
        made, form, exif=exif
    )
    return made.getvalue()


def _lens() -> bytes:
    bent = (0.01, -0.02, 0.0, 0.0, 0.001)
    lens = LensFile(
        schema=1,
        image_size_px=(4000, 3000),
        focal_px=3000.0,
        centre_px=(1999.5, 1499.5),
        distortion=bent,
        sd=LensSpread(focal_px=1.0, centre_px=(1.0, 1.0), distortion=tuple(abs(v) for v in bent)),
        fit=LensFit(rms_px=0.2, photos=12, corners=900),
    )
    return lens_text(lens).encode()


def make_kinds(folder: Path) -> list[Kind]:
    """Every kind, made in a folder that is then free for the broken ones."""
    x, y = grid(8.0)
    xx, yy = np.meshgrid(x, y)
    height = bump(xx, yy, peak=-0.3) + 0.001 * np.sin(xx) * np.cos(yy)
    write_x3p(folder / "m.x3p", height, step_mm=8.0)
    write_sdf(folder / "m.sdf", height, step_mm=8.0)
    write_grid_text(folder / "m.csv", height, x_mm=x, y_mm=y)
    result = make_folder(folder / "result", x, y, height, spots=[spot(1, "low", 0, 0, -0.3)])
    bare = "\n".join(" ".join(f"{v:.4f}" for v in row) for row in height[:9, :9]).encode()

    def read_result(path: Path) -> object:
        (result / path.name).write_bytes(path.read_bytes())
        try:
            return load_result(result, bound=False)
        finally:
            (result / path.name).write_bytes(good[path.name])

    good = {name: (result / name).read_bytes() for name in ("result.json", "height.npz")}
    pictures = [
        ("p.jpg", _picture(".jpg")),
        ("exif.jpg", _pillow("JPEG")),
        ("p.png", _picture(".png")),
        ("deep.png", _picture(".png", deep=True, grey=True)),
        ("p.tif", _picture(".tif")),
        ("deep.tif", _picture(".tif", deep=True)),
        ("exif.tif", _pillow("TIFF")),
        ("p.heic", _pillow("HEIF")),
    ]
    sheet = (JOBS / "flat/panel.toml").read_bytes()
    return [
        *(Kind(name, data, lambda path: read_photo(path, path.name)) for name, data in pictures),
        *(Kind(f"m.{end}", (folder / f"m.{end}").read_bytes(), read_map) for end in ("x3p", "sdf", "csv")),
        Kind("bare.txt", bare, lambda path: read_map(path, step_mm=2.0, unit="um")),
        *(Kind(name, data, read_result) for name, data in good.items()),
        Kind("lens.toml", _lens(), read_lens),
        Kind("panel.toml", sheet, lambda path: load_sheet(path.parent, need_photos=False)),
    ]


def _change(rng: random.Random, data: bytes) -> bytes:
    """One change: a byte, a number, a word, a part cut, doubled, moved, or the end."""
    at, more = rng.randrange(len(data) + 1), rng.choice((1, 2, 4, 30, 400))
    act = rng.randrange(8)
    if act == 0 and data:
        at = min(at, len(data) - 1)
        return data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
    if act == 1:
        number = struct.pack(rng.choice("<>") + "I", rng.choice(CORNERS))
        return data[:at] + number[: rng.choice((2, 4))] + data[at + 4 :]
    if act == 2:
        return data[:at] + rng.randbytes(more) + data[at + more :]
    if act == 3:
        return data[:at] + data[at + more :]
    if act == 4:
        return data[:at] + data[at : at + more] + data[at:]
    if act == 5:
        return data[:at]
    words = list(re.finditer(rb"[-+]?\d[\d.eE+-]*", data)) if len(data) < 200_000 else []
    if words:
        word = rng.choice(words)
        return data[: word.start()] + rng.choice(TEXTS) + data[word.end() :]
    return data + rng.randbytes(more)


def _in_archive(rng: random.Random, data: bytes) -> bytes:
    """A member changed, and all packed again, so that the archive itself is whole."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(made, "w") as new:
        chosen = rng.choice(old.namelist())
        for name in old.namelist():
            if name == chosen and rng.random() < 0.1:
                continue
            if name == "md5checksum.hex" and rng.random() < 0.7:
                continue  # else most changes end at the sum
            part = old.read(name)
            new.writestr(name, _change(rng, part) if name == chosen else part)
    return made.getvalue()


def _in_png(rng: random.Random, data: bytes) -> bytes:
    """A chunk changed, with a sum that fits."""
    chunks, at = [], 8
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + size]))
        at += size + 12
    k = rng.randrange(len(chunks))
    chunks[k] = chunks[k][0], _change(rng, chunks[k][1])
    return data[:8] + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )


def broken(kind: Kind, seed: int) -> bytes:
    """The bytes of one broken file."""
    rng, data = random.Random(f"{kind.name} {seed}"), kind.good
    if rng.random() < 0.6:
        if data[:2] == b"PK":
            return _in_archive(rng, data)
        if data[:4] == b"\x89PNG":
            return _in_png(rng, data)
    for _ in range(rng.choice((1, 1, 2, 5))):
        data = _change(rng, data)
    return data
