"""What a map needs to be read: a length scale, a colour scale with its figures, contour lines, and where it folds."""

from __future__ import annotations

import html
import math
from typing import Any

import cv2
import numpy as np
import streamlit as st

import surfscan
from surfscan.core.flags import bit
from surfscan.report.colours import colour_of, nice_above
from surfscan.ui import looks, session

__all__ = ["colour_scale", "contour_lines", "contour_step", "fold_outlines", "length_bar"]

_INCH = 25.4
_LINES = 6  # about as many contour lines as can be told apart on a phone
_INK = ((226, 226, 222), (34, 48, 66))  # of a map of a size, light to dark, as `report.panes` draws it


def length_bar(to_picture: Any, width_mm: float) -> tuple[float, str] | None:
    """A round length, a quarter of the panel or so, in the picture's pixels at the panel's middle, and its words."""
    by = _INCH if session.units() == "inch" else 1.0
    far = nice_above(width_mm / by / 4, steps=(1.0, 2.0, 5.0, 10.0))
    if far * by > width_mm / 2:
        far = nice_above(width_mm / by / 8, steps=(1.0, 2.0, 5.0, 10.0))
    ends = np.asarray(to_picture(np.array([[-far * by / 2, 0.0], [far * by / 2, 0.0]])), float)
    if not np.isfinite(ends).all():
        return None
    return float(np.hypot(*(ends[1] - ends[0]))), f"{far:g} {'in' if by > 1 else 'mm'}"


def colour_scale(kind: str, end: float, *, low: float = 0.0, high: float = 0.0, unit: str = "") -> None:
    """The colours as a strip with figures under it: depths in the session's units, or another map's own unit."""
    if kind == "deviation":
        values = np.linspace(-end, end, 61)
        colours = colour_of(values, low_mm=low, high_mm=high, end_mm=max(end, 1.01 * low, 1.01 * high))
        ticks = [looks.depth(-end), "0", f"+{looks.depth(end)}"]
    else:
        share = np.linspace(0, 1, 11)[:, None]
        colours = np.rint((1 - share) * _INK[0] + share * _INK[1]).astype(np.uint8)
        told = [f"{v:.2g} {unit}" if unit else looks.depth(v) for v in (end / 2, end)]
        ticks = ["0", *told]
    stops = ", ".join(f"#{bytes(c).hex()}" for c in colours.astype(np.uint8))
    words = "".join(f"<span>{html.escape(tick)}</span>" for tick in ticks)
    st.html(
        f'<div class="scale" role="img" aria-label="Scale: {html.escape(" to ".join(ticks))}">'
        f'<div class="ink" style="background: linear-gradient(90deg, {stops})"></div>'
        f'<div class="ticks">{words}</div></div>'
    )


def contour_step(height: surfscan.HeightMap) -> float:
    """A round step in the session's units, mm, that gives a handful of lines."""
    known = np.asarray(height.height_mm)[np.isfinite(height.height_mm)]
    by = _INCH if session.units() == "inch" else 1.0
    spread = float(np.ptp(known)) if known.size else 0.0
    return by * nice_above(max(spread / by / _LINES, 1e-4), steps=(1.0, 2.0, 5.0, 10.0))


def contour_lines(height: surfscan.HeightMap, to_picture: Any, step_mm: float) -> list[dict[str, Any]]:
    """Lines of equal height, each `step_mm`, as shapes for a picture; the fair surface itself has none."""
    from skimage.measure import approximate_polygon, find_contours

    z = np.asarray(height.height_mm, float)
    known = z[np.isfinite(z)]
    if not known.size:
        return []
    first, last = math.ceil(float(known.min()) / step_mm), math.floor(float(known.max()) / step_mm)
    rows, columns = np.arange(height.grid.shape[0]), np.arange(height.grid.shape[1])
    shapes = []
    for level in [k * step_mm for k in range(max(first, -60), min(last, 60) + 1) if k]:
        for line in find_contours(z, level):
            if len(line) < 5:  # a speck of noise
                continue
            kept = approximate_polygon(line, 0.4)
            x = np.interp(kept[:, 1], columns, height.grid.x_mm)
            y = np.interp(kept[:, 0], rows, height.grid.y_mm)
            points = np.asarray(to_picture(np.column_stack([x, y])), float)
            if np.isfinite(points).all():
                shapes.append({"points": np.round(points, 1).tolist(), "kind": "contour"})
    return shapes


def fold_outlines(height: surfscan.HeightMap, to_picture: Any) -> list[dict[str, Any]]:
    """Round each part whose reflection folds over, as shapes for a picture."""
    where = ((np.asarray(height.flags) & bit("fold")) != 0).astype(np.uint8)
    edges, _ = cv2.findContours(where, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    shapes = []
    for edge in edges:
        if cv2.contourArea(edge) < 4:
            continue
        columns, rows = edge[:, 0, 0], edge[:, 0, 1]
        place = np.column_stack([height.grid.x_mm[columns], height.grid.y_mm[rows]])
        points = np.asarray(to_picture(place), float)
        if np.isfinite(points).all():
            shapes.append({"points": np.round(points, 1).tolist(), "kind": "fold"})
    return shapes
