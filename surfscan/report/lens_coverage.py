"""Where on the picture the calibration board was seen, what is missing, and what to shoot next."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Array
from surfscan.report.marks import hatch, write

__all__ = ["draw_coverage"]

_WIDTH, _HEAD, _FOOT = 960, 56, 84
_PAPER, _INK, _FAINT = (250, 250, 247), (24, 24, 24), (206, 206, 202)
_SMALL, _LARGE = (42, 98, 168), (204, 98, 24)  # of a small and of a large error


def draw_coverage(
    places_px: Array,
    errors_px: Array,
    zones: Array,
    *,
    size_px: tuple[int, int],
    fewest: int,
    title: str,
    advice: str,
) -> NDArray[np.uint8]:
    """Draw the corners seen, blue where they fit and orange where they are off by over three times the median.

    Parameters
    ----------
    places_px : ndarray (N, 2)
    errors_px : ndarray (N,)
    zones : ndarray (rows, columns), int
        Corners in each part; parts under `fewest` are hatched.
    size_px : (width, height)
        Of the photos.
    fewest : int
    title, advice : str
        Written above and below.

    Returns
    -------
    ndarray (H, W, 3), uint8
        RGB.
    """
    scale = (_WIDTH - 40) / max(size_px)
    width, height = round(size_px[0] * scale), round(size_px[1] * scale)
    picture = np.full((height + _HEAD + _FOOT, max(width + 40, 640), 3), _PAPER, np.uint8)
    left, top = (picture.shape[1] - width) // 2, _HEAD
    rows, columns = zones.shape
    across, down = np.linspace(0, width, columns + 1).round(), np.linspace(0, height, rows + 1).round()
    bare = np.zeros(picture.shape[:2], bool)
    for r in range(rows):
        for c in range(columns):
            if zones[r, c] < fewest:
                bare[
                    top + int(down[r]) : top + int(down[r + 1]),
                    left + int(across[c]) : left + int(across[c + 1]),
                ] = True
    hatch(picture, bare, 20)
    for x in across:
        cv2.line(picture, (left + int(x), top), (left + int(x), top + height), _FAINT, 1)
    for y in down:
        cv2.line(picture, (left, top + int(y)), (left + width, top + int(y)), _FAINT, 1)
    cv2.rectangle(picture, (left, top), (left + width, top + height), _INK, 2)
    usual = float(np.median(errors_px)) if errors_px.size else 0.0
    for (column, row), error in zip(places_px, errors_px, strict=True):
        at = round(16 * (left + (column + 0.5) * scale)), round(16 * (top + (row + 0.5) * scale))
        large = error > 3 * usual
        cv2.circle(picture, at, 16 * (5 if large else 3), _LARGE if large else _SMALL, -1, cv2.LINE_AA, 4)
    write(picture, [((20, 28), title, 22, _INK, "lm")])
    words = advice.split(" ")
    half = " ".join(words[: len(words) // 2 + 1]), " ".join(words[len(words) // 2 + 1 :])
    lines = [advice] if len(advice) < 90 else [line for line in half if line]
    write(picture, [((20, top + height + 22 + 24 * k), line, 18, _INK, "lm") for k, line in enumerate(lines)])
    key = "Dots: corners of the board (orange: poorly fitted). Hatched: too few corners."
    write(picture, [((20, top + height + _FOOT - 14), key, 14, _INK, "lm")])
    return picture
