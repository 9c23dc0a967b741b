"""Marks on a picture: triangles, numbered discs, solid and dashed outlines, hatching, text.

A low is a triangle pointing down with a solid outline; a high points up with a dashed one. Every mark has a
light halo, so that it reads on a dark photo, on a light map and in black and white.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from surfscan.report.colours import HIGH_INK, LOW_INK

__all__ = [
    "dash",
    "diamond",
    "disc",
    "font",
    "hatch",
    "ink_of",
    "outline",
    "picture_scale",
    "place_discs",
    "triangle",
    "wrap",
    "write",
]

_HALO = (255, 255, 255)
_LEAST_SIDE = 400
_FARTHEST = 1e5  # pixels
_SHIFT = 4  # OpenCV's fixed-point bits for subpixel drawing


@lru_cache(maxsize=32)
def font(size: int) -> Any:
    """Return the one type family in a size in pixels."""
    return ImageFont.load_default(size=size)


def ink_of(kind: str) -> tuple[int, int, int]:
    """Return the ink of a "low" or a "high"."""
    return LOW_INK if kind == "low" else HIGH_INK


def write(canvas: NDArray[np.uint8], texts: Sequence[tuple[tuple[float, float], str, int, Any, str]]) -> None:
    """Write texts onto the picture in place: ((x, y), text, size, colour, Pillow anchor) each."""
    # Only the touched boxes go through Pillow; the whole picture would be copied twice.
    for (x, y), text, size, colour, anchor in texts:
        face = font(size)
        left, top, right, bottom = (round(v) for v in face.getbbox(text, anchor=anchor))
        x0, y0 = max(round(x) + left - 2, 0), max(round(y) + top - 2, 0)
        x1, y1 = min(round(x) + right + 2, canvas.shape[1]), min(round(y) + bottom + 2, canvas.shape[0])
        if x1 <= x0 or y1 <= y0:
            continue
        patch = Image.fromarray(canvas[y0:y1, x0:x1])
        ImageDraw.Draw(patch).text(
            (round(x) - x0, round(y) - y0), text, fill=colour, font=face, anchor=anchor
        )
        canvas[y0:y1, x0:x1] = np.asarray(patch)


def wrap(text: str, size: int, width: float) -> list[str]:
    """Break a sentence into lines no wider than `width` pixels."""
    lines: list[str] = []
    for word in text.split():
        if lines and font(size).getlength(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _fixed(points: NDArray[Any]) -> NDArray[np.int32]:
    """OpenCV's fixed-point places; those far off any picture are held, as larger numbers end the process."""
    held = np.clip(np.nan_to_num(np.asarray(points, float)), -_FARTHEST, _FARTHEST)
    return np.rint(held * (1 << _SHIFT)).astype(np.int32)


def triangle(canvas: NDArray[np.uint8], place: tuple[float, float], size: float, kind: str) -> None:
    """Fill a triangle centred at `place`, pointing down for a low and up for a high."""
    down = 1.0 if kind == "low" else -1.0
    shape = np.array([(0.0, 0.62 * down), (-0.58, -0.38 * down), (0.58, -0.38 * down)])
    for grow, colour in ((1.45, _HALO), (1.0, ink_of(kind))):
        points = _fixed(np.asarray(place) + shape * size * grow)
        cv2.fillPoly(canvas, [points], colour, cv2.LINE_AA, _SHIFT)


def diamond(canvas: NDArray[np.uint8], place: tuple[float, float], size: float, dashed: bool) -> None:
    """Draw a diamond round a small fault; dashed for one that could not be named."""
    ring = np.asarray(place) + size * np.array([(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)])
    pieces = dash(ring, 0.5 * size, 0.5 * size) if dashed else [ring]
    for thick, colour in ((max(3, round(0.3 * size)), _HALO), (max(1, round(0.12 * size)), (20, 20, 20))):
        for piece in pieces:
            cv2.polylines(
                canvas, [_fixed(piece).reshape(-1, 1, 2)], not dashed, colour, thick, cv2.LINE_AA, _SHIFT
            )


def picture_scale(wide: int, tall: int, most: int) -> float:
    """Scale of a photo `wide` x `tall` for drawing: at most `most` columns, and so large that numbers can be read."""
    return max(min(1.0, most / wide), min(_LEAST_SIDE / wide, _LEAST_SIDE / tall))


def disc(canvas: NDArray[np.uint8], place: tuple[float, float], radius: float, text: str, kind: str) -> None:
    """Draw a white disc with a ring in the ink of its kind and a number in it."""
    centre = tuple(int(v) for v in _fixed(np.asarray(place)))
    ring = max(2, round(radius * 0.14))
    for grow, colour in (
        (radius + 2, _HALO),
        (radius, ink_of(kind)),
        (max(radius - ring, 1), (255, 255, 255)),
    ):
        cv2.circle(canvas, centre, round(grow * (1 << _SHIFT)), colour, -1, cv2.LINE_AA, _SHIFT)
    size = max(1, round(radius * (1.25 if len(text) < 3 else 0.9)))
    write(canvas, [(place, text, size, (20, 20, 20), "mm")])


def dash(line: NDArray[Any], on: float, off: float) -> list[NDArray[Any]]:
    """Cut a closed line (N, 2) into dashes of length `on` with gaps of `off`, pixels."""
    ring = np.vstack([line, line[:1]]).astype(float)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    count = max(3, round(along[-1] / (on + off)))
    period, share = along[-1] / count, on / (on + off)
    pieces = []
    for k in range(count):
        start, stop = k * period, (k + share) * period
        inner = along[(along > start) & (along < stop)]
        at = np.concatenate([[start], inner, [stop]])
        pieces.append(np.stack([np.interp(at, along, ring[:, 0]), np.interp(at, along, ring[:, 1])], axis=1))
    return pieces


def outline(canvas: NDArray[np.uint8], lines: Sequence[NDArray[Any]], kind: str, thickness: int) -> None:
    """Draw closed lines: solid for a low, dashed for a high."""
    solid = kind == "low"
    for line in lines:
        pieces = [line] if solid else dash(line, 5.0 * thickness, 3.5 * thickness)
        fixed = [_fixed(piece).reshape(-1, 1, 2) for piece in pieces]
        cv2.polylines(canvas, fixed, solid, _HALO, thickness + 3, cv2.LINE_AA, _SHIFT)
        cv2.polylines(canvas, fixed, solid, ink_of(kind), thickness, cv2.LINE_AA, _SHIFT)


def hatch(canvas: NDArray[np.uint8], where: NDArray[np.bool_], pitch: int) -> None:
    """Hatch the masked pixels with dark and light diagonals, in place."""
    if not where.any():
        return
    rows, cols = (np.flatnonzero(where.any(axis=k)) for k in (1, 0))
    box = (slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1))
    part, inside = canvas[box], where[box]
    phase = (np.arange(part.shape[0])[:, None] + np.arange(part.shape[1])[None]) % pitch
    third = pitch // 4
    part[inside & (phase < third)] = (70, 70, 70)
    part[inside & (phase >= third) & (phase < 2 * third)] = (235, 235, 235)


def place_discs(
    peaks: NDArray[Any], radius: float, gap: float, bounds: tuple[float, float, float, float]
) -> NDArray[Any]:
    """Choose a place for each numbered disc: near its peak, clear of other peaks and discs, in the picture.

    Parameters
    ----------
    peaks : ndarray (N, 2)
        Column and row of each mark.
    radius, gap : float
        Of the discs, and the distance from mark to disc, pixels.
    bounds : tuple
        Left, top, right, bottom of the picture.

    Returns
    -------
    ndarray (N, 2)
    """
    left, top, right, bottom = bounds
    out = np.zeros((len(peaks), 2))
    turns = np.deg2rad([-45, -135, 45, 135, -90, 0, 180, 90])
    for k, peak in enumerate(peaks):
        best, cost = peak, np.inf
        for reach in (radius + gap, 2 * radius + gap, 3.4 * radius + gap):
            for turn in turns:
                spot = peak + reach * np.array([np.cos(turn), np.sin(turn)])
                spot = np.clip(spot, (left + radius, top + radius), (right - radius, bottom - radius))
                others = np.vstack([peaks, out[:k]])
                needed = np.concatenate([np.full(len(peaks), radius + gap * 0.8), np.full(k, 2.1 * radius)])
                overlap = np.clip(needed - np.hypot(*(others - spot).T), 0, None).sum()
                this = overlap * 10 + reach
                if this < cost:
                    best, cost = spot, this
        out[k] = best
    return out
