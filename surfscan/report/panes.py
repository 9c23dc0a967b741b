"""Bare pictures for a screen: the photo and the painted photo in one frame, and maps of one quantity each.

No title, no legend: the page writes these as text. They draw what they are given and compute nothing about the
panel.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import CheckResult, Grid, HeightMap
from surfscan.report.colours import FAIR, colour_of, strength_of
from surfscan.report.figures import _around_panel, _judged, _on_photo, _upright_grey, end_of_scale
from surfscan.report.legend import Pixels
from surfscan.report.marks import hatch

if TYPE_CHECKING:
    from surfscan.synth.lesson import Lesson

__all__ = ["SCALE_KINDS", "Pane", "PhotoPair", "draw_lesson_map", "draw_map_pane", "draw_photo_pair"]

_WIDTH = 1200
_NO_MATTER = (176, 176, 172)
_DARK = (34, 48, 66)  # the far end of a map of a size: one ink, light to dark
SCALE_KINDS = ("deviation", "size", "stripes")
"""How a pane's colours are to be read."""


@dataclass(frozen=True, slots=True)
class PhotoPair:
    """The photo around the panel, and the same with highs and lows painted in.

    Attributes
    ----------
    plain, painted : ndarray (h, w, 3), uint8
    to_picture : callable
        Panel places (N, 2), mm, to picture pixels (N, 2), column and row.
    to_panel : callable
        Picture pixels to panel places; NaN off the panel.
    end_mm : float
        Deviation at the dark end of the colours.
    """

    plain: Pixels
    painted: Pixels
    to_picture: Callable[[NDArray[Any]], NDArray[Any]]
    to_panel: Callable[[NDArray[Any]], NDArray[Any]]
    end_mm: float


@dataclass(frozen=True, slots=True)
class Pane:
    """One map as a picture, the panel's upper edge on top.

    Attributes
    ----------
    picture : ndarray (h, w, 3), uint8
    to_picture, to_panel : callable
        As in `PhotoPair`.
    scale : str
        One of `SCALE_KINDS`.
    end : float
        Value at the dark end of the colours, in the map's unit.
    """

    picture: Pixels
    to_picture: Callable[[NDArray[Any]], NDArray[Any]]
    to_panel: Callable[[NDArray[Any]], NDArray[Any]]
    scale: str
    end: float


def draw_photo_pair(result: CheckResult) -> PhotoPair:
    """Draw the photo and the painted photo of a result, of one size.

    Parameters
    ----------
    result : CheckResult

    Returns
    -------
    PhotoPair
    """
    height, photo, project = result.height, result.overlay_photo, result.project
    left, top, right, bottom = _around_panel(height, project, photo.shape)
    scale = min(1.0, _WIDTH / (right - left))
    plain = _upright_grey(photo[top:bottom, left:right], scale)

    def place(points_mm: NDArray[Any]) -> NDArray[Any]:
        return (project(points_mm) - (left, top) + 0.5) * scale - 0.5

    layer = _on_photo(height, place, plain.shape[:2])
    low_mm, high_mm = result.limits["low_mm"], result.limits["high_mm"]
    end_mm = end_of_scale(height, result.spots, result.limits)
    strength = strength_of(layer.deviation, low_mm=low_mm, high_mm=high_mm) * (layer.measured & layer.judged)
    on = strength > 0
    painted = plain.copy()
    colours = colour_of(layer.deviation[on], low_mm=low_mm, high_mm=high_mm, end_mm=end_mm)
    share = 0.8 * strength[on][:, None]
    painted[on] = np.rint(painted[on] * (1 - share) + colours * share).astype(np.uint8)
    hatch(painted, layer.judged & ~layer.measured, 10)
    edges, _ = cv2.findContours(layer.judged.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    cv2.polylines(painted, edges, True, (255, 255, 255), 2, cv2.LINE_AA)
    x, y = height.grid.x_mm, height.grid.y_mm

    def to_picture(points_mm: NDArray[Any]) -> NDArray[Any]:
        return place(height.on_form(np.asarray(points_mm, float).reshape(-1, 2)))

    def to_panel(points_px: NDArray[Any]) -> NDArray[Any]:
        """By Newton's method on `to_picture`, whose map is smooth and nearly projective."""
        wanted = np.asarray(points_px, float).reshape(-1, 2)
        rim = np.array([[x[0], y[0]], [x[-1], y[0]], [x[-1], y[-1]], [x[0], y[-1]]])
        turn, _ = cv2.findHomography(to_picture(rim), rim, 0)
        flat = np.column_stack([wanted, np.ones(len(wanted))]) @ turn.T
        at = flat[:, :2] / flat[:, 2:]
        for _ in range(4):
            miss = wanted - to_picture(at)
            moved = [(to_picture(at + d) - to_picture(at - d)) / 2 for d in ((1.0, 0.0), (0.0, 1.0))]
            at = at + np.linalg.solve(np.stack(moved, -1), miss[..., None])[..., 0]
        outside = (at < (x[0], y[0])).any(1) | (at > (x[-1], y[-1])).any(1)
        at[outside] = np.nan
        return at

    return PhotoPair(plain, painted, to_picture, to_panel, end_mm)


def draw_map_pane(
    height: HeightMap,
    values: NDArray[Any],
    *,
    scale: str,
    low: float = 0.0,
    high: float = 0.0,
    end: float | None = None,
    lines: bool = True,
) -> Pane:
    """Draw one map from straight above.

    Parameters
    ----------
    height : HeightMap
        Its grid and what is judged.
    values : ndarray (H, W)
        The map; NaN is hatched where it is judged.
    scale : {"deviation", "size", "stripes"}
        Blue and orange about 0 with steps at `low` and `high`; one ink from 0 to `end`; or brightness 0 to 1.
    low, high : float
        Limits of a deviation, over 0.
    end : float, optional
        Value at the dark end; by default the greatest that 99.5 % of the cells stay under.
    lines : bool
        Outline the judged region.

    Returns
    -------
    Pane

    Raises
    ------
    ValueError
        For an unknown scale.
    """
    if scale not in SCALE_KINDS:
        raise ValueError(f"scale is one of {SCALE_KINDS}; found {scale!r}")
    known = np.isfinite(values)
    if end is None:
        top = np.abs(values[known])
        end = max(float(np.percentile(top, 99.5)), 1e-6) if top.size else 1.0
    x, y, step = height.grid.x_mm, height.grid.y_mm, height.grid.step_mm
    zoom = min(_WIDTH / x.size, 900 / y.size)
    wide, tall = max(round(x.size * zoom), 2), max(round(y.size * zoom), 2)

    def grow(array: NDArray[Any], how: int) -> NDArray[Any]:
        return np.asarray(cv2.resize(np.ascontiguousarray(array[::-1]), (wide, tall), interpolation=how))

    shown = grow(np.where(known, values, 0).astype(np.float32), cv2.INTER_LINEAR)
    picture: Pixels
    if scale == "deviation":
        picture = colour_of(shown, low_mm=low, high_mm=high, end_mm=max(end, 1.01 * low, 1.01 * high))
    elif scale == "size":
        share = np.clip(shown / end, 0, 1)[..., None]
        mixed = np.array(FAIR) * (1 - share) + np.array(_DARK) * share
        picture = np.rint(mixed).astype(np.uint8)
    else:
        grey = np.rint(255 * np.clip(0.06 + 0.88 * shown, 0, 1)).astype(np.uint8)
        picture = np.stack([grey] * 3, -1)
    judged = grow(_judged(height).astype(np.uint8), cv2.INTER_NEAREST) > 0
    measured = grow(known.astype(np.uint8), cv2.INTER_NEAREST) > 0
    picture = np.ascontiguousarray(picture)
    picture[~judged] = _NO_MATTER
    hatch(picture, judged & ~measured, 10)
    if lines:
        edges, _ = cv2.findContours(judged.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
        cv2.polylines(picture, edges, True, (90, 90, 90), 1, cv2.LINE_AA)
    per_mm = np.array([wide / (x.size * step), tall / (y.size * step)])
    corner = np.array([x[0] - step / 2, y[-1] + step / 2])

    def to_picture(points_mm: NDArray[Any]) -> NDArray[Any]:
        points = np.asarray(points_mm, float).reshape(-1, 2)
        return np.asarray((points - corner) * (per_mm * (1, -1)) - 0.5)

    def to_panel(points_px: NDArray[Any]) -> NDArray[Any]:
        points = np.asarray(points_px, float).reshape(-1, 2)
        return np.asarray(corner + (points + 0.5) / (per_mm * (1, -1)))

    return Pane(picture, to_picture, to_panel, scale, float(end))


def draw_lesson_map(
    lesson: Lesson,
    *,
    limit_mm: float,
    cross_mm: tuple[float, float] | None = None,
    end_mm: float | None = None,
) -> Pixels:
    """Draw a lesson's known deviation from straight above, with a cross at an answer.

    Parameters
    ----------
    lesson : Lesson
    limit_mm : float
        Where the colours step, mm.
    cross_mm : (x, y), optional
        Place of a cross, mm.
    end_mm : float, optional
        Where the colours end, mm, so that two maps can be compared; the greatest deviation where it is left out.

    Returns
    -------
    ndarray (h, w, 3), uint8
    """
    step = float(lesson.x_mm[1] - lesson.x_mm[0])
    known = lesson.deviation_mm
    height = HeightMap(
        Grid(lesson.x_mm, lesson.y_mm, step),
        known,
        np.zeros_like(known),
        np.zeros_like(known),
        np.zeros(known.shape, np.int32),
    )
    end = max(float(np.abs(known).max()) if end_mm is None else end_mm, 2 * limit_mm)
    pane = draw_map_pane(height, known, scale="deviation", low=limit_mm, high=limit_mm, end=end)
    picture = pane.picture
    if cross_mm is not None:
        column, row = (int(v) for v in np.rint(pane.to_picture(np.array([cross_mm]))[0]))
        for colour, wide in (((255, 255, 255), 9), ((20, 20, 20), 4)):
            for dx, dy in ((18, 18), (18, -18)):
                ends = (column - dx, row - dy), (column + dx, row + dy)
                cv2.line(picture, *ends, colour, wide, cv2.LINE_AA)
    return picture
