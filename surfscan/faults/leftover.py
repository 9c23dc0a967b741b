"""The leftover picture: a whole photo less the stripes drawn where the measured, smoothed surface puts them.

The photo is not resampled: places on the panel and on the board are carried to its pixels, as both are smooth. The
stripes' waveform is read off the photo itself, apart for places where stripes are close and where they are wide, since
a lens rounds an edge by pixels and a satin surface by millimetres. Level, contrast and a last shift of the stripes are
fitted over windows wider than a fault. What is left is divided by its own scatter at the same phase: an edge that is
drawn a little off is no fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import map_coordinates

from surfscan.core.carrier import Array
from surfscan.core.reading import Trace, View
from surfscan.core.records import Grid
from surfscan.core.robust import MAD_TO_SIGMA, masked_mean
from surfscan.optics.lens import project, undistort
from surfscan.phase.waveform import BINS, mean_by_phase, phase_slots

__all__ = ["Direction", "Leftover", "leftover_of"]

STRIDE = 4
"""Pixels from one place where geometry is worked out to the next; between them it runs straight."""

SMOOTH_PERIODS = 0.5
"""Cut-off of the smoothing of the stripes' places, reflected periods: what is smaller stays in the leftover."""

CLASSES = 5
"""Waveforms by how close the stripes are."""

SHIFT_PERIODS, LEVEL_PERIODS = 0.6, 2.0
"""Standard widths of the windows over which the last shift, and level and contrast, are fitted, in stripes."""

ROUNDS = 3

HOLE_MM = 12.0
"""Cells that could not be read are looked at when they lie no farther than this from ones that could."""

LIKE = 8.0
"""What is left is held to so many times its scatter where it corrects the drawing, so that faults do not pull on it."""


@dataclass(frozen=True, slots=True, eq=False)
class Direction:
    """One direction's stripes in a leftover; pictures (H, W), float32.

    Attributes
    ----------
    phase : ndarray
        Radians, as drawn.
    wave : ndarray
        The drawn stripes, times their local contrast.
    per_rad : ndarray
        Change of the brightness by the phase.
    lever_rad : ndarray (2,)
        Change of the phase by the slopes dz/dx and dz/dy, radians per unit slope.
    tables : ndarray (CLASSES, BINS)
        The waveforms, and `class_at` the share of the next class at each pixel: class number plus share.
    class_at : ndarray
    """

    phase: Array
    wave: Array
    per_rad: Array
    lever_rad: Array
    tables: Array
    class_at: Array


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
    level: Array
    strength: Array
    noise: Array
    clear: Array
    x_mm: Array
    y_mm: Array
    directions: tuple[Direction, ...]

    @property
    def score(self) -> Array:
        """`rest` in standard deviations."""
        return np.asarray(self.rest / self.noise)

    def score_at(self, rows: Array, columns: Array) -> Array:
        """The same at some pixels."""
        return np.asarray(self.rest[rows, columns] / self.noise[rows, columns])


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
    read = judged & np.all([np.isfinite(trace.place_mm) for trace in traces], axis=0)
    if read.sum() < 400:
        return None
    near = cv2.distanceTransform((~read).astype(np.uint8), cv2.DIST_L2, 3) * grid.step_mm < HOLE_MM
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
    if clear.sum() < 10_000:
        return None
    phases = []
    for trace, spacing in zip(traces, period_mm, strict=True):
        place = _continued(trace.place_mm, read, SMOOTH_PERIODS * spacing / grid.step_mm)
        phases.append(lattice.whole(lattice.at(place)) * np.float32(2 * np.pi / trace.period_mm))
    levers = [2 * np.pi / trace.period_mm * trace.lever_mm for trace in traces]
    return _Drawing(view, (left, top), view.photo.image[box], clear, phases, levers).leftover(x_mm, y_mm)


def _continued(value: Array, good: Array, cutoff_px: float) -> Array:
    """A map low-passed over its good cells and continued beyond them, its cubic trend kept whole."""
    y, x = np.meshgrid(*[np.linspace(-1, 1, n) for n in value.shape], indexing="ij")
    terms = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], -1)
    trend = terms @ np.linalg.lstsq(terms[good][::5], value[good][::5], rcond=None)[0]
    off = np.where(good, value - trend, 0.0)
    # Gaussian of ISO 16610-61: weight exp(-pi (r / (alpha cut-off))^2), alpha = sqrt(ln 2 / pi)
    sigma = max(cutoff_px * np.sqrt(np.log(2) / 2) / np.pi, 0.6)
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


class _Drawing:
    """The stripes drawn into a window, and drawn better."""

    def __init__(
        self,
        view: View,
        corner: tuple[int, int],
        picture: Array,
        clear: Array,
        phases: list[Array],
        levers: list[Array],
    ) -> None:
        self.view, self.corner, self.picture, self.clear = view, corner, picture, clear
        self.phases, self.levers = phases, levers
        self.weight = clear.astype(np.float32)
        steps = [_step(phase) for phase in phases]
        self.classes = [_class_at(step, clear) for step in steps]
        self.stripe_px = float(2 * np.pi / max(np.median(step[clear]) for step in steps))
        flat = np.ones_like(picture)
        self.level = self._smooth(picture, flat, LEVEL_PERIODS)
        self.strength = np.sqrt(self._smooth((picture - self.level) ** 2, flat, LEVEL_PERIODS))
        self.strength = np.maximum(self.strength, 1e-3 * float(np.median(self.level[clear])))
        self.tables = [np.zeros((CLASSES, BINS)) for _ in phases]
        self.waves: list[Array] = [np.zeros_like(picture) for _ in phases]
        self.slots = [phase_slots(phase) for phase in phases]

    def leftover(self, x_mm: Array, y_mm: Array) -> Leftover:
        """Draw, correct, and weigh what is left."""
        for turn in range(ROUNDS + 1):
            self._read_waves()
            rest = self._rest()
            if turn < ROUNDS:
                spread = MAD_TO_SIGMA * float(np.median(np.abs(rest[self.clear][::7])))
                self._correct(np.clip(rest, -LIKE * spread, LIKE * spread))
        rest = np.where(self.clear, self._rest(), 0.0).astype(np.float32)
        directions = tuple(
            Direction(
                phase,
                (wave * self.strength).astype(np.float32),
                (self._per_rad(k) * self.strength).astype(np.float32),
                np.asarray(lever),
                table,
                at,
            )
            for k, (phase, wave, lever, table, at) in enumerate(
                zip(self.phases, self.waves, self.levers, self.tables, self.classes, strict=True)
            )
        )
        noise = self._noise(rest)
        return Leftover(
            self.view,
            self.corner,
            rest,
            self.level,
            self.strength,
            noise,
            self.clear,
            x_mm,
            y_mm,
            directions,
        )

    def _smooth(self, value: Array, factor: Array, periods: float) -> Array:
        """Windowed least squares of value = factor * (smooth), at all pixels."""
        sigma = max(periods * self.stripe_px, 8.0) / STRIDE
        over, under = (
            cv2.GaussianBlur(_shrunk(self.weight * factor * part), (0, 0), sigma) for part in (value, factor)
        )
        floor = 0.02 * float(np.median(under[_shrunk(self.weight) > 0.5]))
        return np.asarray(cv2.resize(over / (under + floor), value.shape[::-1]))

    def _read_waves(self) -> None:
        total = np.sum(self.waves, axis=0)
        for k, at in enumerate(self.classes):
            own = (self.picture - self.level) / self.strength - (total - self.waves[k])
            number = np.rint(at).astype(np.int8)
            for c in range(CLASSES):
                use = self.clear & (number == c)
                if use.sum() < 20 * BINS:
                    continue
                low, high, part = (s[use] for s in self.slots[k])
                wave = mean_by_phase(np.clip(own[use], -3, 3), (low, high, part))[0]
                self.tables[k][c] = wave - wave.mean()
            fresh = self._draw(k, self.tables[k])
            total = total - self.waves[k] + fresh
            self.waves[k] = fresh

    def _draw(self, k: int, tables: Array) -> Array:
        """A direction's stripes between classes and bins, (H, W) float32."""
        low, high, part = self.slots[k]
        at = self.classes[k]
        below = np.clip(at.astype(np.int32), 0, CLASSES - 2)
        share = at - below
        flat = np.ascontiguousarray(tables, np.float32).ravel()
        base = below * BINS
        first = (1 - part) * flat[base + low] + part * flat[base + high]
        base += BINS
        second = (1 - part) * flat[base + low] + part * flat[base + high]
        return np.asarray((1 - share) * first + share * second, np.float32)

    def _per_rad(self, k: int) -> Array:
        table = self.tables[k]
        slope = (np.roll(table, -1, 1) - np.roll(table, 1, 1)) * (BINS / (4 * np.pi))
        return self._draw(k, slope)

    def _rest(self) -> Array:
        return np.asarray(self.picture - self.level - self.strength * np.sum(self.waves, axis=0))

    def _correct(self, rest: Array) -> None:
        for k in range(len(self.phases)):
            gain = self.strength * self._per_rad(k)
            shift = np.clip(self._smooth(rest, gain, SHIFT_PERIODS), -0.3, 0.3)
            self.phases[k] = self.phases[k] + shift
            self.slots[k] = phase_slots(self.phases[k])
            rest = rest - gain * shift
        wave = np.sum(self.waves, axis=0).astype(np.float32)
        # Level and contrast together: a window holds uneven shares of bright and dark.
        sigma = LEVEL_PERIODS * self.stripe_px / STRIDE
        parts = [
            cv2.GaussianBlur(_shrunk(self.weight * one), (0, 0), sigma)
            for one in (np.ones_like(wave), wave, wave * wave, rest, rest * wave)
        ]
        one, w, ww, r, rw = parts
        one = one + 1e-3
        spread = ww - w * w / one
        more = (rw - w * r / one) / (spread + 0.02 * float(np.median(spread)))
        level = (r - more * w) / one
        size = wave.shape[::-1]
        self.level = self.level + cv2.resize(level, size)
        self.strength = np.maximum(self.strength + cv2.resize(more, size), 0.05 * self.strength)

    def _noise(self, rest: Array) -> Array:
        """Scatter by phase and class, and more where the whole neighbourhood scatters more."""
        noise = np.zeros_like(rest)
        for k in range(len(self.phases)):
            tables = np.zeros((CLASSES, BINS))
            number = np.rint(self.classes[k]).astype(np.int8)
            size = np.abs(rest)
            for c in range(CLASSES):
                use = self.clear & (number == c)
                if use.sum() >= 20 * BINS:
                    tables[c] = _median_by(size[use], self.slots[k][0][use])
            empty = tables.max(1) == 0
            tables[empty] = np.median(tables[~empty], axis=0)
            tables = np.maximum.reduce([tables, np.roll(tables, 1, 1), np.roll(tables, -1, 1)])
            noise = np.maximum(noise, MAD_TO_SIGMA * self._draw(k, tables))
        floor = 0.3 * float(np.median(noise[self.clear]))
        noise = np.maximum(noise, max(floor, 1e-6))
        side = max(int(2 * self.stripe_px) // STRIDE * STRIDE, 32)
        local = _local_median(np.where(self.clear, np.abs(rest) / noise, np.nan), side) * MAD_TO_SIGMA
        local = cv2.resize(np.maximum(local, 1.0).astype(np.float32), rest.shape[::-1])
        return np.asarray(noise * local, np.float32)


def _step(phase: Array) -> Array:
    """Radians from pixel to pixel."""
    down = np.diff(phase[:: STRIDE * 2], axis=0) / (STRIDE * 2)
    across = np.diff(phase[:, :: STRIDE * 2], axis=1) / (STRIDE * 2)
    size = phase.shape[::-1]
    return np.asarray(np.hypot(cv2.resize(down, size), cv2.resize(across, size)))


def _class_at(step: Array, clear: Array) -> Array:
    """Where each pixel lies between the classes, 0 to CLASSES - 1: even steps of the stripes' closeness."""
    low, high = np.percentile(step[clear][::11], (3, 97))
    at = (step - low) / max(float(high - low), 1e-9) * (CLASSES - 1)
    return np.asarray(np.clip(at, 0, CLASSES - 1), np.float32)


def _median_by(value: Array, slot: Array) -> Array:
    """Median of the values in each bin of a period."""
    order = np.argsort(slot, kind="stable")
    value, slot = value[order], slot[order]
    ends = np.searchsorted(slot, np.arange(BINS + 1))
    every = float(np.median(value))
    return np.array([np.median(value[a:b]) if b - a > 20 else every for a, b in pairwise(ends)])


def _local_median(value: Array, side: int) -> Array:
    """Median over squares of a side, NaN left out; 0 for a square with next to nothing in it."""
    rows, columns = (max(n // side, 1) for n in value.shape)
    out = np.zeros((rows, columns))
    for i in range(rows):
        for j in range(columns):
            part = value[i * side : (i + 1) * side : 2, j * side : (j + 1) * side : 2]
            part = part[np.isfinite(part)]
            out[i, j] = np.median(part) if part.size > 50 else 0.0
    return out


def _shrunk(value: Array) -> Array:
    size = value.shape[1] // STRIDE, value.shape[0] // STRIDE
    return np.asarray(cv2.resize(value.astype(np.float32), size, interpolation=cv2.INTER_AREA))
