"""Pictures to act on: the photo with its highs and lows, and the height map in the panel frame.

Both have the verdict on top and the colour scale in mm with the limits below. They draw what they are given
and compute nothing about the panel.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.colour import shown_grey
from surfscan.core.flags import bit
from surfscan.core.records import HeightMap, Spot
from surfscan.core.units import MM, Units
from surfscan.report.colours import colour_of, nice_above, strength_of
from surfscan.report.legend import NO_MATTER as _NO_MATTER
from surfscan.report.legend import Pixels, draw_legend
from surfscan.report.marks import (
    diamond,
    disc,
    hatch,
    outline,
    picture_scale,
    place_discs,
    triangle,
    wrap,
    write,
)
from surfscan.report.words import VERDICT_WORDS

__all__ = ["STRIP", "draw_map", "draw_overlay", "end_of_scale"]

_WIDTH = 1600  # enough for any screen; more costs time and shows nothing new
_INK, _PAPER, STRIP = (24, 24, 24), (247, 247, 244), (38, 40, 44)
_MOST_NUMBERED = 60  # of small faults; more would cover the panel
_NOT_JUDGED = ("outside", "left_out", "tag")


@dataclass(frozen=True, slots=True)
class _Layer:
    """The map at picture resolution. `deviation` holds 0 where not measured."""

    deviation: NDArray[np.float32]
    measured: NDArray[np.bool_]
    judged: NDArray[np.bool_]
    pixel: Callable[[float, float], tuple[float, float]]


def draw_overlay(  # house: all that the overlay shows, apart so that a map without a result can be drawn
    photo: NDArray[Any],
    height: HeightMap,
    spots: Sequence[Spot],
    *,
    project: Callable[[NDArray[Any]], NDArray[Any]],
    limits: dict[str, float],
    verdict: str,
    sentence: str,
    title: str = "",
    units: Units = MM,
    small: Sequence[Mapping[str, Any]] = (),
) -> Pixels:
    """Draw the highs and lows on the photo.

    Parameters
    ----------
    photo : ndarray (H, W), float32
        Linear light, 0 to 1.
    height : HeightMap
    spots : sequence of Spot
        Drawn with their ids.
    project : callable
        Panel points (N, 3), mm, to pixels (N, 2) of `photo`, column and row.
    limits : dict
        ``low_mm`` and ``high_mm``, mm.
    verdict, sentence, title : str
        Shown in the strip on top.
    units : Units
        Of the scale.
    small : sequence of mapping
        Small faults as ``details["faults"]`` lists them: diamonds, dashed where unsure.

    Returns
    -------
    ndarray (H2, W2, 3), uint8
        Red, green, blue; at most 1600 columns.
    """
    left, top, right, bottom = _around_panel(height, project, photo.shape)
    scale = picture_scale(right - left, bottom - top, _WIDTH)
    canvas = _upright_grey(photo[top:bottom, left:right], scale)

    def place(points_mm: NDArray[Any]) -> NDArray[Any]:
        return (project(points_mm) - (left, top) + 0.5) * scale - 0.5  # pixel centres at whole numbers

    layer = _on_photo(height, place, canvas.shape[:2])
    end_mm = end_of_scale(height, spots, limits)
    low_mm, high_mm = limits["low_mm"], limits["high_mm"]
    # Only the painted pixels are blended; most of a good panel is fair and stays as photographed.
    strength = strength_of(layer.deviation, low_mm=low_mm, high_mm=high_mm) * (layer.measured & layer.judged)
    painted = strength > 0
    colours = colour_of(layer.deviation[painted], low_mm=low_mm, high_mm=high_mm, end_mm=end_mm)
    share = 0.72 * strength[painted][:, None]
    canvas[painted] = np.rint(canvas[painted] * (1 - share) + colours * share).astype(np.uint8)
    _mark(canvas, layer, spots, limits)
    _mark_small(canvas, layer, small)
    strip = verdict, sentence, title
    return _frame(canvas, limits, end_mm, strip, units, bool(small))


def draw_map(  # house: as draw_overlay
    height: HeightMap,
    spots: Sequence[Spot],
    *,
    limits: dict[str, float],
    verdict: str,
    sentence: str,
    title: str = "",
    units: Units = MM,
    small: Sequence[Mapping[str, Any]] = (),
) -> Pixels:
    """Draw the height map in the panel frame: x to the right, y up, mm along the edges.

    Parameters and return value are as for `draw_overlay`, without the photo.
    """
    x_mm, y_mm, step = height.grid.x_mm, height.grid.y_mm, height.grid.step_mm
    span_x, span_y = x_mm[-1] - x_mm[0] + step, y_mm[-1] - y_mm[0] + step
    zoom = min((_WIDTH - 150) / span_x, 1300 / span_y)  # pixels per mm
    wide, tall = max(round(span_x * zoom), 2), max(round(span_y * zoom), 2)

    def grow(array: NDArray[Any], how: int) -> NDArray[Any]:
        grown: NDArray[Any] = cv2.resize(array[::-1], (wide, tall), interpolation=how)
        return grown

    measured = np.isfinite(height.height_mm)
    deviation = grow(np.where(measured, height.height_mm, 0).astype(np.float32), cv2.INTER_LINEAR)
    judged = _judged(height)
    layer = _Layer(
        deviation=deviation,
        measured=grow(measured.astype(np.uint8), cv2.INTER_NEAREST) > 0,
        judged=grow(judged.astype(np.uint8), cv2.INTER_NEAREST) > 0,
        pixel=lambda x, y: (
            (x - x_mm[0] + step / 2) * zoom - 0.5,
            (y_mm[-1] - y + step / 2) * zoom - 0.5,
        ),
    )
    end_mm = end_of_scale(height, spots, limits)
    low_mm, high_mm = limits["low_mm"], limits["high_mm"]
    canvas = colour_of(deviation, low_mm=low_mm, high_mm=high_mm, end_mm=end_mm)
    canvas[~layer.judged] = _NO_MATTER
    _mark(canvas, layer, spots, limits)
    _mark_small(canvas, layer, small)
    canvas = _with_axes(canvas, layer, (x_mm[0], x_mm[-1]), (y_mm[0], y_mm[-1]), units)
    strip = verdict, sentence, title
    return _frame(canvas, limits, end_mm, strip, units, bool(small))


def _judged(height: HeightMap) -> NDArray[np.bool_]:
    bits = sum(bit(name) for name in _NOT_JUDGED)
    judged: NDArray[np.bool_] = (height.flags & bits) == 0
    return judged


def end_of_scale(height: HeightMap, spots: Sequence[Spot], limits: dict[str, float]) -> float:
    peaks = [abs(spot.peak_mm) for spot in spots if np.isfinite(spot.peak_mm)]
    return nice_above(max([2.0 * limits["low_mm"], 2.0 * limits["high_mm"], *peaks]))


def _upright_grey(photo: NDArray[Any], scale: float) -> Pixels:
    """The photo small, in sRGB, and no darker than a good exposure, for a bright shop."""
    size = (max(round(photo.shape[1] * scale), 1), max(round(photo.shape[0] * scale), 1))
    small = cv2.resize(np.asarray(photo, np.float32), size, interpolation=cv2.INTER_AREA)
    grey = shown_grey(small)
    return np.stack([grey, grey, grey], axis=-1)


def _nodes(height: HeightMap) -> tuple[NDArray[Any], NDArray[Any]]:
    """Some 625 nodes of the map: (column, row) of the grid, and (x, y, z) in mm on the fair form."""
    rows, cols = height.grid.shape
    r = np.unique(np.linspace(0, rows - 1, 25).round().astype(int))
    c = np.unique(np.linspace(0, cols - 1, 25).round().astype(int))
    rr, cc = (a.ravel() for a in np.meshgrid(r, c, indexing="ij"))
    z = np.nan_to_num(height.form_mm[rr, cc])
    points_mm = np.stack([height.grid.x_mm[cc], height.grid.y_mm[rr], z], axis=1)
    return np.stack([cc, rr], axis=1).astype(float), points_mm


def _around_panel(
    height: HeightMap, project: Callable[[NDArray[Any]], NDArray[Any]], shape: tuple[int, ...]
) -> tuple[int, int, int, int]:
    """Left, top, right, bottom of the part of the photo that shows the panel and a tenth around it."""
    nodes = project(_nodes(height)[1])
    low, high = np.nanmin(nodes, axis=0), np.nanmax(nodes, axis=0)
    margin = 0.1 * (high - low)
    left, top = np.clip(low - margin, 0, (shape[1] - 2, shape[0] - 2)).astype(int)
    right, bottom = np.clip(high + margin, (left + 2, top + 2), (shape[1], shape[0])).astype(int)
    return int(left), int(top), int(right), int(bottom)


def _on_photo(
    height: HeightMap, place: Callable[[NDArray[Any]], NDArray[Any]], shape: tuple[int, ...]
) -> _Layer:
    """Bring the map onto the photo: a homography and a smooth correction, fitted to projected nodes.

    The correction carries crown and lens distortion; quartic, it is within a pixel for drawing.
    """
    index, points_mm = _nodes(height)
    nodes = place(points_mm)
    seen = np.isfinite(nodes).all(axis=1)
    nodes, index = nodes[seen], index[seen]
    turn, _ = cv2.findHomography(nodes, index, 0)
    middle, spread = nodes.mean(axis=0), nodes.std(axis=0) * 2

    def powers(points: NDArray[Any]) -> NDArray[Any]:
        u, v = ((points - middle) / spread).T
        return np.stack([u**i * v**j for i in range(5) for j in range(5 - i)], axis=1)

    def flat(points: NDArray[Any]) -> NDArray[Any]:
        out = np.column_stack([points, np.ones(len(points))]) @ turn.T
        return out[:, :2] / out[:, 2:]

    correction = np.linalg.lstsq(powers(nodes), index - flat(nodes), rcond=None)[0]
    tall, wide = shape[:2]
    every = 8  # the map is smooth: evaluated at each eighth pixel, interpolated between
    y, x = np.mgrid[0 : tall + every : every, 0 : wide + every : every].astype(float)
    points = np.column_stack([x.ravel(), y.ravel()])
    inner = np.clip(points, nodes.min(axis=0) - spread * 0.1, nodes.max(axis=0) + spread * 0.1)
    at = (flat(points) + powers(inner) @ correction).reshape(*x.shape, 2).astype(np.float32)
    # Node k sits at pixel 8k exactly, which cv2.resize would not keep.
    affine = np.array([[1 / every, 0, 0], [0, 1 / every, 0]])
    at = cv2.warpAffine(at, affine, (wide, tall), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    measured = np.isfinite(height.height_mm)
    filled = np.where(measured, height.height_mm, 0).astype(np.float32)

    columns, rows_at = cv2.split(at)

    def sample(array: NDArray[Any], how: int) -> NDArray[Any]:
        return np.asarray(cv2.remap(array, columns, rows_at, how, borderMode=cv2.BORDER_CONSTANT))

    def pixel(x_mm: float, y_mm: float) -> tuple[float, float]:
        found = place(height.on_form(np.array([[x_mm, y_mm]])))[0]
        return float(found[0]), float(found[1])

    return _Layer(
        deviation=sample(filled, cv2.INTER_LINEAR),
        measured=sample(measured.astype(np.uint8), cv2.INTER_NEAREST) > 0,
        judged=sample(_judged(height).astype(np.uint8), cv2.INTER_NEAREST) > 0,
        pixel=pixel,
    )


def _mark(canvas: Pixels, layer: _Layer, spots: Sequence[Spot], limits: dict[str, float]) -> None:
    """Hatch what was not measured, outline each spot, and number it."""
    unit = canvas.shape[1] / _WIDTH
    hatch(canvas, layer.judged & ~layer.measured, max(6, round(16 * unit)))
    edges, _ = cv2.findContours(layer.judged.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    cv2.polylines(canvas, edges, True, (255, 255, 255), max(1, round(3 * unit)), cv2.LINE_AA)
    cv2.polylines(canvas, edges, True, (90, 90, 90), 1, cv2.LINE_AA)
    shown = [spot for spot in spots if np.isfinite(spot.x_mm) and np.isfinite(spot.y_mm)]
    if not shown:
        return
    tall, wide = canvas.shape[:2]
    peaks = np.array([np.clip(layer.pixel(s.x_mm, s.y_mm), 0, (wide - 1, tall - 1)) for s in shown])
    for spot, peak in zip(shown, peaks, strict=True):
        outline(canvas, _around(layer, spot, peak, limits), spot.kind, max(2, round(4 * unit)))
    size = unit * (1.0 if len(shown) <= 20 else 0.7)
    radius, arrow = 36 * size, 30 * size
    places = place_discs(peaks, radius, arrow * 0.9, (0, 0, wide - 1, tall - 1))
    for peak, place, spot in zip(peaks, places, shown, strict=True):
        ends = [(round(float(p[0])), round(float(p[1]))) for p in (peak, place)]
        cv2.line(canvas, ends[0], ends[1], (255, 255, 255), max(3, round(7 * size)), cv2.LINE_AA)
        cv2.line(canvas, ends[0], ends[1], _INK, max(1, round(3 * size)), cv2.LINE_AA)
        triangle(canvas, (peak[0], peak[1]), arrow, spot.kind)
    for place, spot in zip(places, shown, strict=True):
        disc(
            canvas, (place[0], place[1]), radius, f"{spot.id}+" if spot.peak_open else str(spot.id), spot.kind
        )


def _mark_small(canvas: Pixels, layer: _Layer, small: Sequence[Mapping[str, Any]]) -> None:
    """A diamond round each small fault, and its number as the table has it: f1, f2 ..."""
    unit = canvas.shape[1] / _WIDTH
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = []
    for one in small:
        middle = layer.pixel(one["x_mm"], one["y_mm"])
        end = layer.pixel(one["x_mm"] + one["length_mm"] / 2, one["y_mm"])
        size = max(14 * unit, float(np.hypot(end[0] - middle[0], end[1] - middle[1])) + 6 * unit)
        diamond(canvas, middle, size, one["kind"] == "unsure")
        if len(texts) < _MOST_NUMBERED:
            texts.append(
                ((middle[0] + size, middle[1] - size), f"f{one['id']}", round(24 * unit), _INK, "lm")
            )
    write(canvas, texts)


def _around(layer: _Layer, spot: Spot, peak: NDArray[Any], limits: dict[str, float]) -> list[NDArray[Any]]:
    """The outline of the part past the limit that holds the peak; near the limit, past half the peak."""
    sign, limit = (-1.0, limits["low_mm"]) if spot.kind == "low" else (1.0, limits["high_mm"])
    level = limit if abs(spot.peak_mm) > 1.25 * limit else 0.5 * abs(spot.peak_mm)
    # Only the neighbourhood is searched: a spot reaches half its length from its peak, seldom all of it.
    reach = 1.5 * max(20.0, spot.length_mm)  # in this order NaN, a length not told, counts as none
    corners = [layer.pixel(spot.x_mm + i * reach, spot.y_mm + j * reach) for i in (-1, 1) for j in (-1, 1)]
    tall, wide = layer.deviation.shape
    left, top = np.clip(np.min(corners, axis=0), 0, (wide - 1, tall - 1)).astype(int)
    right, bottom = np.clip(np.max(corners, axis=0) + 2, 1, (wide, tall)).astype(int)
    box = (slice(top, bottom), slice(left, right))
    labels = cv2.connectedComponents(
        ((sign * layer.deviation[box] >= level) & layer.measured[box]).astype(np.uint8)
    )[1]
    column, row = round(float(peak[0])) - int(left), round(float(peak[1])) - int(top)
    # The drawn size may round the peak off its part: the nearest part within a few pixels will do.
    near = labels[max(row - 4, 0) : row + 5, max(column - 4, 0) : column + 5]
    inside = 0 <= row < labels.shape[0] and 0 <= column < labels.shape[1]
    part = (int(labels[row, column]) if inside else 0) or int(near.max(initial=0))
    if part == 0:
        return []
    mask = (labels == part).astype(np.uint8)
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE, offset=(int(left), int(top)))
    return [_smooth(line[:, 0].astype(float)) for line in lines if len(line) >= 8]


def _smooth(line: NDArray[Any]) -> NDArray[Any]:
    """A closed pixel staircase, rounded over five pixels."""
    return np.asarray(sum(np.roll(line, k, axis=0) for k in (-2, -1, 0, 1, 2)) / 5.0)


def _with_axes(
    canvas: Pixels, layer: _Layer, x_mm: tuple[float, float], y_mm: tuple[float, float], units: Units
) -> Pixels:
    left, below, right, above = 100, 60, 50, 24
    tall, wide = canvas.shape[:2]
    page = np.full((tall + above + below, wide + left + right, 3), _PAPER, np.uint8)
    page[above : above + tall, left : left + wide] = canvas
    cv2.rectangle(page, (left, above), (left + wide - 1, above + tall - 1), (90, 90, 90), 2)
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = []
    for axis, (first, last) in enumerate((x_mm, y_mm)):
        shown = nice_above((last - first) * units.per_mm / 8, steps=(1.0, 2.0, 5.0, 10.0))
        step = shown / units.per_mm
        for k in range(int(np.ceil(first / step)), int(np.floor(last / step)) + 1):
            column, row = layer.pixel(k * step if axis == 0 else x_mm[0], k * step if axis == 1 else y_mm[0])
            if axis == 0:
                x, y = round(left + column), above + tall
                cv2.line(page, (x, y), (x, y + 10), _INK, 2)
                texts.append(((x, y + 14), f"{k * shown:g}", 26, _INK, "ma"))
            else:
                x, y = left, round(above + row)
                cv2.line(page, (x - 10, y), (x, y), _INK, 2)
                texts.append(((x - 14, y), f"{k * shown:g}", 26, _INK, "rm"))
    texts.append(((left + wide + 4, above + tall + 14), units.word, 26, _INK, "la"))
    write(page, texts)
    return page


def _frame(
    canvas: Pixels,
    limits: dict[str, float],
    end_mm: float,
    strip: tuple[str, str, str],
    units: Units,
    marked: bool,
) -> Pixels:
    """The strip with the verdict above, the scale and the legend below."""
    verdict, sentence, title = strip
    wide = canvas.shape[1]
    unit = max(wide / _WIDTH, 0.3)
    big, small, pad = round(52 * unit), round(38 * unit), round(20 * unit)
    lines = wrap(sentence, small, wide - 2 * pad)
    top = np.full((2 * pad + big + round(1.25 * small * len(lines)) + pad // 2, wide, 3), STRIP, np.uint8)
    head = VERDICT_WORDS.get(verdict, verdict)
    texts: list[tuple[tuple[float, float], str, int, Any, str]] = [
        ((pad, pad), head, big, (255, 255, 255), "la")
    ]
    if title:
        texts.append(((wide - pad, pad + big), title[:60], round(30 * unit), (205, 205, 205), "rs"))
    for k, line in enumerate(lines):
        y = pad + big + pad // 2 + round(1.25 * small * k)
        texts.append(((pad, y), line, small, (255, 255, 255), "la"))
    write(top, texts)
    return np.vstack([top, canvas, draw_legend(wide, limits, end_mm, units, small=marked)])
