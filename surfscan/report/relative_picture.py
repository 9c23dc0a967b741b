"""Pictures of a look without a scale: highs and lows in shares of the deepest, and no millimetre on them."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.colour import to_srgb
from surfscan.core.records import CheckResult
from surfscan.report.colours import colour_of, strength_of
from surfscan.report.legend import Pixels
from surfscan.report.marks import disc, hatch, outline, picture_scale, place_discs, triangle, wrap, write

__all__ = ["draw_relative_map", "draw_relative_overlay"]

_WIDTH = 1600
_INK, _PAPER, _STRIP, _NO_MATTER = (24, 24, 24), (247, 247, 244), (38, 40, 44), (176, 176, 172)
_STEP = {"low_mm": 0.15, "high_mm": 0.15}  # where the colours begin, as a share of the deepest


def draw_relative_overlay(result: CheckResult) -> Pixels:
    """Draw the highs and lows on the first photo.

    Parameters
    ----------
    result : CheckResult
        With ``maps["relative"]``, ``column_px`` and ``row_px`` as `surfscan.checking.relative` makes them.

    Returns
    -------
    ndarray (H, W, 3), uint8
    """
    photo = result.overlay_photo
    scale = picture_scale(photo.shape[1], photo.shape[0], _WIDTH)
    canvas = _grey(photo, scale)
    tall, wide = canvas.shape[:2]
    value, seen = _on_photo(result, (tall, wide), scale)
    strength = strength_of(value, **_STEP) * seen
    painted = strength > 0
    colours = colour_of(value[painted], **_STEP, end_mm=1.0)
    share = 0.72 * strength[painted][:, None]
    canvas[painted] = np.rint(canvas[painted] * (1 - share) + colours * share).astype(np.uint8)
    edges, _ = cv2.findContours(seen.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    cv2.polylines(canvas, edges, True, (255, 255, 255), 2, cv2.LINE_AA)
    places = [
        ((row["column_px"] + 0.5) * scale - 0.5, (row["row_px"] + 0.5) * scale - 0.5) for row in _rows(result)
    ]
    _mark(canvas, value, places, result)
    return _framed(canvas, result)


def draw_relative_map(result: CheckResult) -> Pixels:
    """Draw the picture of highs and lows by itself; parameters and return value as `draw_relative_overlay`."""
    relative = result.maps["relative"]
    zoom = _WIDTH / relative.shape[1]
    size = _WIDTH, max(round(relative.shape[0] * zoom), 2)
    seen = cv2.resize(np.isfinite(relative).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    value = cv2.resize(np.nan_to_num(relative).astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    canvas: Pixels = colour_of(value, **_STEP, end_mm=1.0)
    outside = (
        cv2.resize((result.height.flags & 1).astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    )
    hatch(canvas, ~seen & ~outside, 16)
    canvas[outside] = _NO_MATTER
    column, row = result.maps["column_px"], result.maps["row_px"]
    places = []
    for spot in _rows(result):
        cell = np.argmin(np.hypot(column - spot["column_px"], row - spot["row_px"]))
        r, c = np.unravel_index(int(cell), relative.shape)
        places.append(((c + 0.5) * zoom - 0.5, (r + 0.5) * zoom - 0.5))
    _mark(canvas, value, places, result)
    return _framed(canvas, result)


def _rows(result: CheckResult) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = result.details["relative"]["spots"]
    return rows


def _grey(photo: NDArray[Any], scale: float) -> Pixels:
    size = max(round(photo.shape[1] * scale), 1), max(round(photo.shape[0] * scale), 1)
    small = cv2.resize(np.asarray(photo, np.float32), size, interpolation=cv2.INTER_AREA)
    bright = float(np.percentile(small, 99.0))
    level = np.clip(small * (0.8 / bright if bright > 0 else 1.0), 0, 1)
    curve = to_srgb(level)
    grey = np.rint(255 * curve).astype(np.uint8)
    picture: Pixels = cv2.merge([grey, grey, grey])
    return picture


def _on_photo(
    result: CheckResult, shape: tuple[int, int], scale: float
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """The map at the picture's pixels: every cell's quadrilateral is filled, so any perspective will do."""
    relative = result.maps["relative"]
    h, w = relative.shape
    column, row = ((result.maps[name] + 0.5) * scale - 0.5 for name in ("column_px", "row_px"))
    # A homography took the cells to the photo, but for the lens's distortion: a few pixels, which a picture bears.
    r, c = (np.unique(np.linspace(0, n - 1, 12).round().astype(int)) for n in (h, w))
    rr, cc = (v.ravel() for v in np.meshgrid(r, c, indexing="ij"))
    there = np.stack([column[rr, cc], row[rr, cc]], -1)
    good = np.isfinite(there).all(1)
    cells = np.stack([cc, rr], -1).astype(float)
    matrix, _ = cv2.findHomography(there[good], cells[good], 0)
    y, x = np.mgrid[: shape[0], : shape[1]]
    flat = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    at = matrix @ flat
    at = (at[:2] / at[2]).reshape(2, *shape).astype(np.float32)
    border = cv2.BORDER_CONSTANT
    seen = np.isfinite(relative)
    value = cv2.remap(
        np.nan_to_num(relative).astype(np.float32), at[0], at[1], cv2.INTER_LINEAR, borderMode=border
    )
    inside = cv2.remap(seen.astype(np.uint8), at[0], at[1], cv2.INTER_NEAREST, borderMode=border) > 0
    return np.asarray(value, np.float32), np.asarray(inside)


def _mark(
    canvas: Pixels, value: NDArray[Any], places: list[tuple[float, float]], result: CheckResult
) -> None:
    rows = _rows(result)
    if not rows:
        return
    tall, wide = canvas.shape[:2]
    unit = wide / _WIDTH
    peaks = np.array([np.clip(place, 0, (wide - 1, tall - 1)) for place in places])
    for spot, peak in zip(rows, peaks, strict=True):
        sign = -1.0 if spot["kind"] == "low" else 1.0
        labels = cv2.connectedComponents(
            (sign * value >= 0.5 * abs(spot["relative_depth"])).astype(np.uint8)
        )[1]
        part = int(labels[round(float(peak[1])), round(float(peak[0]))])
        if part:
            lines, _ = cv2.findContours(
                (labels == part).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
            )
            outline(
                canvas,
                [line[:, 0].astype(float) for line in lines if len(line) >= 8],
                spot["kind"],
                max(2, round(4 * unit)),
            )
    size = unit * (1.0 if len(rows) <= 20 else 0.7)
    radius, arrow = 36 * size, 30 * size
    discs = place_discs(peaks, radius, arrow * 0.9, (0, 0, wide - 1, tall - 1))
    for peak, at, spot in zip(peaks, discs, rows, strict=True):
        ends = [(round(float(p[0])), round(float(p[1]))) for p in (peak, at)]
        cv2.line(canvas, ends[0], ends[1], (255, 255, 255), max(3, round(7 * size)), cv2.LINE_AA)
        cv2.line(canvas, ends[0], ends[1], _INK, max(1, round(3 * size)), cv2.LINE_AA)
        triangle(canvas, (peak[0], peak[1]), arrow, spot["kind"])
    for at, spot in zip(discs, rows, strict=True):
        disc(canvas, (at[0], at[1]), radius, str(spot["id"]), spot["kind"])


def _framed(canvas: Pixels, result: CheckResult) -> Pixels:
    """The sentence above, the scale in shares of the deepest below."""
    wide = canvas.shape[1]
    unit = max(wide / _WIDTH, 0.3)
    big, small, pad = round(52 * unit), round(38 * unit), round(20 * unit)
    lines = wrap(result.sentence, small, wide - 2 * pad)
    top = np.full((2 * pad + big + round(1.25 * small * len(lines)) + pad // 2, wide, 3), _STRIP, np.uint8)
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = [
        ((pad, pad), "NO SCALE: ONLY HIGH AND LOW", big, (255, 255, 255), "la")
    ]
    for k, line in enumerate(lines):
        y = pad + big + pad // 2 + round(1.25 * small * k)
        texts.append(((pad, y), line, small, (255, 255, 255), "la"))
    write(top, texts)
    page = np.full((round(120 * unit), wide, 3), _PAPER, np.uint8)
    left, right = round(70 * unit), wide - round(70 * unit)
    y0, y1 = pad, pad + round(34 * unit)
    level = np.linspace(-1, 1, right - left)
    page[y0:y1, left:right] = colour_of(level, **_STEP, end_mm=1.0)[None]
    cv2.rectangle(page, (left, y0), (right, y1), _INK, max(1, round(2 * unit)))
    middle = (left + right) / 2
    under: list[tuple[tuple[float, float], str, int, Any, str]] = [
        ((left, y1 + 12 * unit), "low: as low as the deepest", round(28 * unit), _INK, "la"),
        ((middle, y1 + 12 * unit), "fair", round(28 * unit), _INK, "ma"),
        ((right, y1 + 12 * unit), "high: as high as the deepest is low", round(28 * unit), _INK, "ra"),
    ]
    write(page, under)
    return np.vstack([top, canvas, page])
