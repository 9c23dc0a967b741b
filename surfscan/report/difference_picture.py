"""The picture of a comparison: what rose and what fell, in the panel frame, marked."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.change.build import FOOT_MM
from surfscan.change.comparison import Comparison
from surfscan.core.flags import bit
from surfscan.core.units import MM, Units
from surfscan.report.colours import colour_of, nice_above
from surfscan.report.marks import disc, hatch, outline, place_discs, triangle, wrap, write

__all__ = ["SCALE_ROWS", "STRIP", "draw_difference", "draw_scale", "scale_ends"]

SCALE_ROWS = 170
"""Rows of the scale at the foot of the picture."""

_WIDTH = 1600
_INK, _PAPER, _NO_MATTER = (24, 24, 24), (247, 247, 244), (176, 176, 172)
STRIP = (38, 40, 44)
"""Colour of the strip on top."""
_WORDS = {
    "ready": "BUILD WITHIN THE LIMIT",
    "rework": "BUILD OVER THE LIMIT",
    "close": "BUILD TOO CLOSE TO CALL",
    "not_measured": "BUILD NOT MEASURED",
}
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"  # without I and O, which read as digits


def draw_difference(found: Comparison, units: Units = MM) -> NDArray[np.uint8]:
    """Draw the difference map with each patch of build (dashed, pointing up) and cut (solid, pointing down).

    Parameters
    ----------
    found : Comparison
    units : Units
        Of the words and the scale.

    Returns
    -------
    ndarray (H, W, 3), uint8
        Red, green, blue; 1600 columns.
    """
    grid, step = found.grid, found.grid.step_mm
    span_x, span_y = np.ptp(grid.x_mm) + step, np.ptp(grid.y_mm) + step
    zoom = float(min((_WIDTH - 150) / span_x, 1300 / span_y))
    size = max(round(span_x * zoom), 2), max(round(span_y * zoom), 2)

    def grow(array: NDArray[Any], how: int) -> NDArray[Any]:
        grown: NDArray[Any] = cv2.resize(array[::-1], size, interpolation=how)
        return grown

    def pixel(x: float, y: float) -> tuple[float, float]:
        return (x - grid.x_mm[0] + step / 2) * zoom - 0.5, (grid.y_mm[-1] - y + step / 2) * zoom - 0.5

    known = np.isfinite(found.difference_mm)
    judged = (found.after.height.flags & (bit("outside") | bit("left_out") | bit("tag"))) == 0
    shade, end = scale_ends(found)
    canvas = colour_of(
        grow(np.where(known, found.difference_mm, 0).astype(np.float32), cv2.INTER_LINEAR),
        low_mm=shade,
        high_mm=shade,
        end_mm=end,
    )
    inside = grow(judged.astype(np.uint8), cv2.INTER_NEAREST) > 0
    canvas[~inside] = _NO_MATTER
    hatch(canvas, inside & ~(grow(known.astype(np.uint8), cv2.INTER_NEAREST) > 0), 16)
    marks: list[tuple[str, str, NDArray[Any]]] = []
    for side, kind in ((found.build, "high"), (found.cut, "low")):
        lines, _ = cv2.findContours(
            grow(side.cells.astype(np.uint8), cv2.INTER_NEAREST), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
        )
        outline(canvas, [_smooth(line[:, 0].astype(float)) for line in lines if len(line) >= 8], kind, 4)
        for k, patch in enumerate(side.patches[: len(_LETTERS)]):
            letter = _LETTERS[k] if kind == "high" else _LETTERS[k].lower()
            marks.append((kind, letter, np.array(pixel(patch.x_mm, patch.y_mm))))
    if marks:
        peaks = np.array([place for _, _, place in marks])
        places = place_discs(peaks, 36, 27, (0, 0, size[0] - 1, size[1] - 1))
        for (kind, letter, peak), at in zip(marks, places, strict=True):
            ends = [(round(float(p[0])), round(float(p[1]))) for p in (peak, at)]
            cv2.line(canvas, ends[0], ends[1], (255, 255, 255), 7, cv2.LINE_AA)
            cv2.line(canvas, ends[0], ends[1], _INK, 3, cv2.LINE_AA)
            triangle(canvas, (peak[0], peak[1]), 30, kind)
            disc(canvas, (at[0], at[1]), 36, letter, kind)
    page = np.full((canvas.shape[0] + 40, _WIDTH, 3), _PAPER, np.uint8)
    left = (_WIDTH - canvas.shape[1]) // 2
    page[20 : 20 + canvas.shape[0], left : left + canvas.shape[1]] = canvas
    return np.vstack([_strip(found, units), page, draw_scale((shade, end), found.build.limit_mm, units)])


def _smooth(line: NDArray[Any]) -> NDArray[Any]:
    """A closed pixel staircase, rounded over a dozen pixels."""
    return np.asarray(sum(np.roll(line, k, axis=0) for k in range(-6, 7)) / 13.0)


def _strip(found: Comparison, units: Units) -> NDArray[np.uint8]:
    lines = wrap(
        found.told.say(units).replace("cm²", "sq cm"), 38, _WIDTH - 40
    )  # the type family has no raised 2
    strip = np.full((112 + 48 * len(lines), _WIDTH, 3), STRIP, np.uint8)
    stages = " to ".join(str(r.panel.get("stage", "")) for r in (found.before, found.after))
    title = ", ".join(part for part in (str(found.after.panel.get("name") or ""), stages) if part)
    write(
        strip,
        [
            ((20, 20), _WORDS[found.verdict], 52, (255, 255, 255), "la"),
            ((_WIDTH - 20, 72), title[:60], 30, (205, 205, 205), "rs"),
            *(((20, 92 + 48 * k), line, 38, (255, 255, 255), "la") for k, line in enumerate(lines)),
        ],
    )
    return strip


def scale_ends(found: Comparison) -> tuple[float, float]:
    """Where the picture's colours step, and where they end, mm."""
    tops = [patch.max_mm for side in (found.build, found.cut) for patch in side.patches]
    return 2 * FOOT_MM, nice_above(max([0.02, *tops]))


def draw_scale(ends_mm: tuple[float, float], limit_mm: float, units: Units = MM) -> NDArray[np.uint8]:
    """Draw the scale and the key at the foot of the picture.

    Parameters
    ----------
    ends_mm : (float, float)
        Of `scale_ends`.
    limit_mm : float
        Of the build.
    units : Units

    Returns
    -------
    ndarray (170, 1600, 3), uint8
    """
    shade, end = ends_mm
    page = np.full((SCALE_ROWS, _WIDTH, 3), _PAPER, np.uint8)
    left, right = 70, _WIDTH - 70
    level = np.linspace(-end, end, right - left)
    page[20:54, left:right] = colour_of(level, low_mm=shade, high_mm=shade, end_mm=end)[None]
    cv2.rectangle(page, (left, 20), (right, 54), _INK, 2)
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = []
    most = units.given(end)
    for value, text, anchor in (
        (-end, f"-{units.bare(most)}", "la"),
        (0.0, "0", "ma"),
        (end, f"+{most}", "ra"),
    ):
        x = (left + right) / 2 + value / end * (right - left) / 2
        cv2.line(page, (round(x), 20), (round(x), 62), _INK, 2)
        texts.append(((x, 66), text, 28, _INK, anchor))
    if limit_mm < 0.9 * end:
        x = (left + right) / 2 + limit_mm / end * (right - left) / 2
        cv2.line(page, (round(x), 12), (round(x), 62), _INK, 3)
        texts.append(((x, 66), f"limit +{units.bare(units.given(limit_mm))}", 28, _INK, "ma"))
    y = 136
    for k, (name, what) in enumerate(
        (("low", "taken off"), ("high", "added"), ("gap", "not measured in both"))
    ):
        x = left + 420.0 * k
        box = np.array([(x, y - 16), (x + 54, y - 16), (x + 54, y + 16), (x, y + 16)])
        if name == "gap":
            where = np.zeros(page.shape[:2], bool)
            where[y - 16 : y + 16, round(x) : round(x) + 54] = True
            hatch(page, where, 16)
        else:
            outline(page, [box], name, 4)
            triangle(page, (x + 27, y), 24, name)
        texts.append(((x + 70, y), what, 28, _INK, "lm"))
    write(page, texts)
    return page
