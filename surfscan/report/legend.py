"""The scale and the legend under a picture, in units."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.units import Units
from surfscan.report.colours import FAIR, colour_of
from surfscan.report.marks import diamond, font, hatch, outline, triangle, write

__all__ = ["INK", "NO_MATTER", "PAPER", "WIDTH", "Pixels", "draw_legend", "legend_rows"]

Pixels = NDArray[np.uint8]
WIDTH = 1600  # enough for any screen; more costs time and shows nothing new
INK, PAPER = (24, 24, 24), (247, 247, 244)
NO_MATTER = (176, 176, 172)  # tags and what the sheet leaves out


def legend_rows(wide: int) -> int:
    """Rows of the legend under a picture so many pixels wide."""
    return round(190 * max(wide / WIDTH, 0.3))


def draw_legend(
    wide: int, limits: Mapping[str, float], end_mm: float, units: Units, *, small: bool = False
) -> Pixels:
    """Draw the scale and what the marks mean, to stand under a picture so many pixels wide.

    Parameters
    ----------
    wide : int
    limits : mapping
        ``low_mm`` and ``high_mm``.
    end_mm : float
        Where the colours end.
    units : Units
    small : bool
        Whether small faults are marked.

    Returns
    -------
    ndarray (`legend_rows`, wide, 3), uint8
    """
    unit = max(wide / WIDTH, 0.3)
    size, pad = round(28 * unit), round(24 * unit)
    tall = legend_rows(wide)
    page = np.full((tall, wide, 3), PAPER, np.uint8)
    left, right = round(70 * unit), wide - round(70 * unit)
    y0, y1 = pad, pad + round(34 * unit)
    level = np.linspace(-end_mm, end_mm, right - left)
    low_mm, high_mm = limits["low_mm"], limits["high_mm"]
    page[y0:y1, left:right] = colour_of(level, low_mm=low_mm, high_mm=high_mm, end_mm=end_mm)[None]
    cv2.rectangle(page, (left, y0), (right, y1), INK, max(1, round(2 * unit)))
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = []
    middle = (left + right) / 2
    end, low, high = (units.given(mm) for mm in (end_mm, low_mm, high_mm))
    ticks = [(-end_mm, f"-{units.bare(end)}", False), (0.0, "0", False), (end_mm, f"+{end}", False)]
    ticks += [(-low_mm, f"limit -{units.bare(low)}", True), (high_mm, f"limit +{units.bare(high)}", True)]
    for value, text, limit in ticks:
        x = middle + value / end_mm * (right - left) / 2
        cv2.line(
            page,
            (round(x), y0 - (8 if limit else 0)),
            (round(x), y1 + round(8 * unit)),
            INK,
            3 if limit else 2,
        )
        anchor = {-1: "ra", 0: "ma", 1: "la"}[int(np.sign(value)) if limit else 0]
        if limit and abs(x - middle) > (right - left) * 0.3:
            anchor = "ma"
        if limit:  # keep clear of the zero in the middle
            x += np.sign(value) * 14 * unit if abs(x - middle) < 40 * unit else 0
        texts.append(((x, y1 + 12 * unit), text, size, INK, anchor))
    y = y1 + round(88 * unit)
    entries = ["low", "high", *["small fault"] * small, "fair", "not measured", "not judged"]
    lengths = [70 * unit + font(size).getlength(name) for name in entries]
    gap = (right - left - sum(lengths)) / (len(entries) - 1)
    for k, name in enumerate(entries):
        x = left + sum(lengths[:k]) + k * gap
        box = np.array([(x, y - 16 * unit), (x + 54 * unit, y - 16 * unit)])
        box = np.vstack([box, box[::-1] + np.array([0, 32 * unit])])
        corner = np.rint(box).astype(int)
        area = (slice(corner[0, 1], corner[2, 1]), slice(corner[0, 0], corner[1, 0]))
        if name in ("low", "high"):
            outline(page, [box], name, max(2, round(4 * unit)))
            triangle(page, (x + 27 * unit, y), 24 * unit, name)
        elif name == "small fault":
            diamond(page, (x + 27 * unit, y), 18 * unit, False)
        else:
            page[area] = NO_MATTER if name == "not judged" else FAIR
            if name == "not measured":
                where = np.zeros(page.shape[:2], bool)
                where[area] = True
                hatch(page, where, max(6, round(16 * unit)))
            cv2.rectangle(page, tuple(corner[0]), tuple(corner[2]), (90, 90, 90), 1)
        texts.append(((x + 70 * unit, y), name, size, INK, "lm"))
    write(page, texts)
    return page
