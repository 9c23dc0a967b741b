"""Pictures of a result as they go on paper: opened with care, in the paper's units, small enough."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from surfscan.core.aside import run_aside
from surfscan.core.errors import RefusedError
from surfscan.core.records import Array
from surfscan.core.units import Units
from surfscan.papers.blocks import Picture
from surfscan.report.figures import STRIP, draw_map, end_of_scale
from surfscan.report.legend import draw_legend, legend_rows
from surfscan.results.stored import StoredResult

__all__ = ["in_units", "map_in_units", "open_picture", "paper_picture"]

_WIDE = 1500  # pixels of a picture on paper: 200 a printed inch over the text's width
_MOST_BYTES = 100_000_000


def open_picture(source: Path | io.BytesIO) -> Array | None:
    """Pixels (H, W, 3) uint8 of a picture; None where there is none, or none that can be read.

    A file may come from anywhere, so it is decoded in a process of its own.
    """
    try:
        if isinstance(source, io.BytesIO):
            data = source.getvalue()
        else:
            if source.stat().st_size > _MOST_BYTES:
                return None
            data = source.read_bytes()
        if not data:
            return None
        _, (pixels,) = run_aside("surfscan.job.decoders:picture", {"file": "picture"}, data)
    except (OSError, RefusedError, RuntimeError):  # the last: it is no picture
        return None
    return pixels


def in_units(path: Path, result: StoredResult, units: Units) -> Path | io.BytesIO:
    """The picture with its legend in the paper's units: nobody wrote down which ones the check was asked for."""
    picture = open_picture(path)
    if picture is None:
        return path
    rows = legend_rows(picture.shape[1])
    if picture.shape[0] <= rows:
        return path
    end_mm = end_of_scale(result.height, result.spots, result.limits)
    legend = draw_legend(picture.shape[1], result.limits, end_mm, units)
    return _as_png(np.vstack([picture[:-rows], legend]))


def map_in_units(path: Path, result: StoredResult, units: Units) -> Path | io.BytesIO:
    """The map drawn again, its axes and legend in the paper's units; nothing where the result has none."""
    if not path.is_file():
        return path
    return _as_png(
        draw_map(
            result.height,
            result.spots,
            limits=result.limits,
            verdict=result.verdict,
            sentence="",
            units=units,
        )
    )


def _as_png(picture: np.ndarray[Any, Any]) -> io.BytesIO:
    code = io.BytesIO()
    Image.fromarray(picture).save(code, "PNG", compress_level=1)
    code.seek(0)
    return code


def paper_picture(path: Path | io.BytesIO, caption: str, words: str, *, most_mm: float) -> Picture | None:
    """The picture small enough for paper, as JPEG; None when it is not there."""
    pixels = open_picture(path)
    if pixels is None:
        return None
    picture = _without_strip(pixels)
    if picture.width > _WIDE:
        picture = picture.resize(
            (_WIDE, round(picture.height * _WIDE / picture.width)), Image.Resampling.LANCZOS
        )
    code = io.BytesIO()
    picture.save(code, "JPEG", quality=86, optimize=True)
    return Picture(code.getvalue(), caption, words, picture.width, picture.height, most_mm=most_mm)


def _without_strip(pixels: Array) -> Image.Image:
    """Without the strip on top: the paper says the verdict itself, in its own units."""
    below = np.flatnonzero((pixels[:, 0] != STRIP).any(axis=-1))
    return Image.fromarray(pixels[int(below[0]) if below.size else 0 :])
