"""The leftover picture: a whole photo less the stripes drawn where the measured, smoothed surface puts them.

The photo is not resampled: places on the panel and on the board are carried to its pixels, as both are smooth. The
stripes' waveform is read off the photo itself, apart for places where stripes are close and where they are wide, since
a lens rounds an edge by pixels and a satin surface by millimetres. Level, contrast and a last shift of the stripes are
fitted over windows wider than a fault. What is left is divided by its own scatter at the same phase: an edge that is
drawn a little off is no fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import map_coordinates

from surfscan.core.carrier import Array
from surfscan.core.reading import Trace, View
from surfscan.core.records import Grid
from surfscan.core.robust import masked_mean
from surfscan.faults.drawing import STRIDE, Direction, drawn
from surfscan.faults.smoothing import cubic_trend, gaussian_sigma
from surfscan.optics.lens import project, undistort

__all__ = ["Leftover", "leftover_of", "leftovers_of"]

SMOOTH_PERIODS = 0.5
"""Cut-off of the smoothing of the stripes' places, reflected periods: what is smaller stays in the leftover."""

HOLE_MM, HOLE_PERIODS = 12.0, 1.5
"""Cells that could not be read are looked at when they lie no farther than this from ones that could; in a crossed
photo so many reflected periods, since a fault that spoils one direction's stripes spoils the other's with it."""

RIM_PX = 8
"""Left out at the rim of what may be judged: the lens, and a JPEG's blocks of 8 pixels, mix in what lies beyond."""


@dataclass(frozen=True, slots=True, eq=False)
class Leftover:
    """What the measured surface leaves unexplained in one photo; pictures (H, W), float32, of a window of it.

    Attributes
    ----------
    view : View
    corner : (int, int)
        Column and row of the window's first pixel.
    rest : ndarray
        The photo less what was drawn, linear light; 0 where not clear.
    shapeless : ndarray
        The same without a small smooth shift of the stripes, which over a wide window is shape.
    level, strength : ndarray
        Local level and contrast as drawn, linear light.
    noise : ndarray
        Standard deviation of `rest` where there is no fault.
    clear : ndarray, bool
        Pixels that show panel which may be judged.
    x_mm, y_mm : ndarray
        Panel places.
    directions : tuple of Direction
        One; two for crossed stripes.
    """

    view: View
    corner: tuple[int, int]
    rest: Array
    shapeless: Array
    level: Array
    strength: Array
    noise: Array
    clear: Array
    x_mm: Array
    y_mm: Array
    directions: tuple[Direction, ...]

    def pixel_mm2(self, every: int) -> Array:
        """Area of panel that a pixel shows, at every so many rows and columns."""
        (x_down, x_across), (y_down, y_across) = (
            np.gradient(place[::every, ::every], float(every)) for place in (self.x_mm, self.y_mm)
        )
        return np.abs(x_down * y_across - x_across * y_down)

    def score_at(self, rows: Array, columns: Array) -> Array:
        """`rest` in standard deviations at some pixels."""
        return np.asarray(self.rest[rows, columns] / self.noise[rows, columns])


def leftovers_of(
    traces: Sequence[Trace], *, grid: Grid, height_mm: Array, judged: Array, period_mm: Sequence[float]
) -> list[Leftover]:
    """Work out the leftovers of all photos, two at a time; a photo that shows too little has none.

    Parameters
    ----------
    traces : sequence of Trace
        Of all photos: one for each direction that a photo holds.
    grid, height_mm, judged, period_mm
        As in `leftover_of`.
    """
    numbers: dict[str, list[int]] = {}
    for k, trace in enumerate(traces):
        numbers.setdefault(trace.view.photo.file, []).append(k)

    def left(own: list[int]) -> Leftover | None:
        return leftover_of(
            [traces[k] for k in own],
            grid=grid,
            height_mm=height_mm,
            judged=judged,
            period_mm=[period_mm[k] for k in own],
        )

    with ThreadPoolExecutor(2) as pool:
        return [one for one in pool.map(left, numbers.values()) if one is not None]


def leftover_of(
    traces: Sequence[Trace], *, grid: Grid, height_mm: Array, judged: Array, period_mm: Sequence[float]
) -> Leftover | None:
    """Work out a photo's leftover.

    Parameters
    ----------
    traces : sequence of Trace
        Those of one photo.
    grid : Grid
        The coarse grid.
    height_mm : ndarray (H, W)
        The surface, mm; NaN where not measured.
    judged : ndarray (H, W), bool
        Cells to judge, read or not.
    period_mm : sequence of float
        Reflected stripe period of each trace, mm of panel.

    Returns
    -------
    Leftover or None
        None when too little of the panel is seen.
    """
    view = traces[0].view
    if traces[0].lit is not None:
        judged = judged & traces[0].lit
    read = judged & np.all([np.isfinite(trace.place_mm) for trace in traces], axis=0)
    if read.sum() < 400:
        return None
    hole = HOLE_MM if len(traces) == 1 else max(HOLE_MM, HOLE_PERIODS * max(period_mm))
    near = cv2.distanceTransform((~read).astype(np.uint8), cv2.DIST_L2, 3) < hole / grid.step_mm
    usable = judged & near
    surface = _continued(height_mm, np.isfinite(height_mm) & judged, 4.0)
    window = _window(view, grid, usable, surface)
    if window is None:
        return None
    left, top, wide, tall = window
    lattice = _Lattice(view, grid, surface, window)
    x_mm, y_mm = lattice.whole(lattice.x_mm), lattice.whole(lattice.y_mm)
    box = slice(top, top + tall), slice(left, left + wide)
    clear = lattice.whole(lattice.at(usable.astype(np.float32), order=1)) > 0.98
    clear &= ~view.photo.saturated[box] & ~_hidden(view, window)
    kernel = np.ones((2 * RIM_PX + 1, 2 * RIM_PX + 1), np.uint8)
    clear = cv2.erode(clear.astype(np.uint8), kernel, borderValue=0) > 0
    if clear.sum() < 10_000:
        return None
    phases = []
    for trace, spacing in zip(traces, period_mm, strict=True):
        place = _continued(trace.place_mm, read, SMOOTH_PERIODS * spacing / grid.step_mm)
        phases.append(lattice.whole(lattice.at(place)) * np.float32(2 * np.pi / trace.period_mm))
    levers = [2 * np.pi / trace.period_mm * trace.lever_mm for trace in traces]
    drawing = drawn(view.photo.image[box], clear, phases)
    rest = np.where(clear, drawing.rest(), 0.0).astype(np.float32)
    return Leftover(
        view,
        (left, top),
        rest,
        np.where(clear, drawing.shapeless(rest), 0.0).astype(np.float32),
        drawing.level,
        drawing.strength,
        drawing.noise(rest),
        clear,
        x_mm,
        y_mm,
        drawing.directions(levers),
    )


def _continued(value: Array, good: Array, cutoff_px: float) -> Array:
    """A map low-passed over its good cells and continued beyond them, its cubic trend kept whole."""
    trend = cubic_trend(value, good, every=29)
    off = np.where(good, value - trend, 0.0)
    sigma = max(gaussian_sigma(cutoff_px), 0.6)
    fine, share = masked_mean(off, good, sigma)
    wide, _ = masked_mean(off, good, 6 * sigma)
    part = np.clip(share / 0.3, 0, 1)
    return np.asarray(trend + part * fine + (1 - part) * wide)


def _window(view: View, grid: Grid, usable: Array, surface: Array) -> tuple[int, int, int, int] | None:
    """Left, top, width, height of the photo's part that shows usable cells; sides are whole strides."""
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    column, row = project(x[usable], y[usable], surface[usable], camera=view.camera, pose=view.pose)
    tall, wide = view.photo.image.shape
    with np.errstate(invalid="ignore"):
        inside = (column > 0) & (column < wide - 1) & (row > 0) & (row < tall - 1)
    if inside.sum() < 400:
        return None
    left, top = int(column[inside].min()), int(row[inside].min())
    sides = (int(np.ceil(v[inside].max())) + 1 - low for v, low in ((column, left), (row, top)))
    wide, tall = (side // STRIDE * STRIDE for side in sides)
    return (left, top, wide, tall) if min(wide, tall) >= 64 else None


def _hidden(view: View, window: tuple[int, int, int, int]) -> Array:
    left, top, wide, tall = window
    mask = np.zeros((tall, wide), np.uint8)
    for outline in view.hidden_px:
        cv2.fillPoly(mask, [np.rint(outline - (left, top)).astype(np.int32)], 1)
    return np.asarray(cv2.dilate(mask, np.ones((5, 5), np.uint8)) > 0)


class _Lattice:
    """Every `STRIDE`-th pixel of a window, and the panel places that it shows."""

    def __init__(self, view: View, grid: Grid, surface: Array, window: tuple[int, int, int, int]) -> None:
        left, top, wide, tall = window
        self.window, self.grid = window, grid
        c, r = np.meshgrid(
            left + (np.arange(wide // STRIDE) + 0.5) * STRIDE - 0.5,
            top + (np.arange(tall // STRIDE) + 0.5) * STRIDE - 0.5,
        )
        ideal = undistort(np.stack([c.ravel(), r.ravel()], -1), camera=view.camera)
        ray = np.column_stack([ideal, np.ones(len(ideal))]) @ view.pose.rotation
        eye = view.pose.centre_mm
        z = np.zeros(c.shape)
        down = ray[:, 2].reshape(c.shape)
        for _ in range(4):  # a fixed point: each step gains the surface's slope
            t = (z - eye[2]) / np.where(down < 0, down, np.nan)
            self.x_mm = eye[0] + t * ray[:, 0].reshape(c.shape)
            self.y_mm = eye[1] + t * ray[:, 1].reshape(c.shape)
            z = self.at(surface, order=1)

    def at(self, value: Array, order: int = 3) -> Array:
        """A map of the grid at the lattice's places."""
        column = (self.x_mm - self.grid.x_mm[0]) / self.grid.step_mm
        row = (self.y_mm - self.grid.y_mm[0]) / self.grid.step_mm
        places = np.nan_to_num(np.stack([row, column]), nan=-1e6)
        mode = "nearest" if order > 1 else "grid-constant" if value.dtype == np.float32 else "nearest"
        return np.asarray(map_coordinates(value, places, order=order, mode=mode))

    def whole(self, value: Array) -> Array:
        """A picture of the lattice at all pixels of the window."""
        return np.asarray(
            cv2.resize(value.astype(np.float32), self.window[2:], interpolation=cv2.INTER_LINEAR)
        )
