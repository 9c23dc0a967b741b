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
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.sheet import draw_gloss_pair
from surfscan.gloss.viewing import Viewpoint
from surfscan.papers.blocks import Picture
from surfscan.papers.content import Pictures
from surfscan.papers.seal import GLOSS, PHOTOS
from surfscan.report.figures import STRIP, draw_map, end_of_scale
from surfscan.report.legend import draw_legend, legend_rows
from surfscan.report.words import headline_line
from surfscan.results.stored import StoredResult

__all__ = ["gloss_picture", "open_picture", "paper_pictures"]

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


def gloss_picture(result: StoredResult) -> dict[str, bytes]:
    """The panel as it will look in gloss; sealed with the rest: another machine need not draw the same bytes."""
    height = result.height
    if result.verdict == "not_measured" or not np.isfinite(height.height_mm).any():
        return {}
    reach = 0.5 * float(np.hypot(np.ptp(height.grid.x_mm), np.ptp(height.grid.y_mm)))
    far = max(1500.0, 2 * reach)
    preview = preview_gloss(
        height, lights=("stripes",), views=(Viewpoint(0.0, 35.0, far),), wall_mm=far, width_px=440
    )
    pair = draw_gloss_pair(preview.pictures[0], exaggeration=preview.exaggeration)
    code = io.BytesIO()
    Image.fromarray(pair).save(code, "PNG")
    return {GLOSS: code.getvalue()}


def paper_pictures(
    result: StoredResult, folder: Path, units: Units, *, made: dict[str, bytes] | None = None
) -> Pictures:
    """A result's pictures, small enough for paper and in its units.

    Parameters
    ----------
    result : StoredResult
    folder : Path
        Where its pictures are.
    units : Units
    made : dict of name to bytes, optional
        The pictures made with the report, when they are not in the folder yet.

    Returns
    -------
    Pictures
        None for each that is not there.
    """
    small = "a diamond is a small fault, dashed where it can't be named; " * bool(
        result.details.get("faults")
    )
    overlay = _picture(
        _in_units(folder / "overlay.png", result, units),
        "The panel with its highs and lows: ▼ in a solid outline is a low, ▲ in a dashed one a high;"
        f" {small}hatched is not measured.",
        f"Photo of the panel with {len(result.spots)} numbered spots. {headline_line(result, units)}",
        most_mm=80.0,
    )
    panel_map = _picture(
        _map_in_units(folder / "map.png", result, units),
        f"Deviation from the fair form, seen from straight in front; x to the right and y up in {units.word}.",
        f"Height map of the panel with a scale in {units.word}.",
        most_mm=68.0,
    )
    in_gloss = _picture(
        folder / GLOSS if made is None else io.BytesIO(made.get(GLOSS, b"")),
        "In gloss: stripes mirrored in clear coat, seen from below at 35 degrees, faults at true size; the ring marks"
        " where the reflection is bent most.",
        "Two pictures of stripes mirrored in the panel: as it is, and made fair.",
        most_mm=36.0,
    )
    plain = _picture(
        folder / PHOTOS if made is None else io.BytesIO(made.get(PHOTOS, b"")),
        f"The photos without marks: {', '.join(str(row.get('file', '')) for row in result.photos)}.",
        "The photos as they were measured, side by side.",
        most_mm=34.0,
    )
    return Pictures(overlay, panel_map, in_gloss, plain)


def _in_units(path: Path, result: StoredResult, units: Units) -> Path | io.BytesIO:
    """The picture with its legend in the paper's units: nobody wrote down which ones the check was asked for."""
    picture = open_picture(path)
    if picture is None:
        return path
    rows = legend_rows(picture.shape[1])
    if picture.shape[0] <= rows:
        return path
    end_mm = end_of_scale(result.height, result.spots, result.limits)
    marked = bool(result.details.get("faults"))
    legend = draw_legend(picture.shape[1], result.limits, end_mm, units, small=marked)
    return _as_png(np.vstack([picture[:-rows], legend]))


def _map_in_units(path: Path, result: StoredResult, units: Units) -> Path | io.BytesIO:
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
            small=result.details.get("faults", ()),
        )
    )


def _as_png(picture: np.ndarray[Any, Any]) -> io.BytesIO:
    code = io.BytesIO()
    Image.fromarray(picture).save(code, "PNG", compress_level=1)
    code.seek(0)
    return code


def _picture(path: Path | io.BytesIO, caption: str, words: str, *, most_mm: float) -> Picture | None:
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
