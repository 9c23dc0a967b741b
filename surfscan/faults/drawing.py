"""A photo's stripes drawn once more, better each round: waveform, level, contrast and the last shift.

The waveform is read off the photo itself, apart for places where stripes are close and where they are wide, since a
lens rounds an edge by pixels and a satin surface by millimetres. Level, contrast and shift are fitted over windows
wider than a fault.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.robust import MAD_TO_SIGMA, robust_spread
from surfscan.phase.waveform import BINS, mean_by_phase, phase_slots

__all__ = ["STRIDE", "Direction", "Drawing", "drawn"]

STRIDE = 4
"""Pixels from one place where geometry is worked out to the next; between them it runs straight."""

CLASSES, FINER_CLASSES = 5, 6
"""Waveforms by how close the stripes are, and steps from one to the next."""

FINE_BINS = 32 * BINS
"""Steps of a period in which stripes are drawn: finer than a fiftieth of a pixel on usual stripes."""

THIN = 2
"""Corrections are smooth, so that every so many rows and columns are enough to find them."""

SHIFT_PERIODS, LEVEL_PERIODS = 0.6, 2.0
"""Standard widths of the windows over which the last shift, and level and contrast, are fitted, in stripes."""

SHAPE_PERIODS, SHAPE_RAD = 0.3, 0.6
"""The same for what is shape rather than a fault: a smooth shift up to this many radians, about 1 mrad of slope."""

ROUNDS = 3

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
    lever_rad : ndarray (2,)
        Change of the phase by the slopes dz/dx and dz/dy, radians per unit slope.
    tables : ndarray (CLASSES * FINER_CLASSES, FINE_BINS)
        The waveforms, finely.
    class_at : ndarray, int32
        Which of them holds at a pixel.
    """

    phase: Array
    wave: Array
    lever_rad: Array
    tables: Array
    class_at: Array

    def per_rad(self, box: tuple[slice, slice]) -> Array:
        """Change of the drawn stripes by the phase in a box, at a contrast of 1."""
        return _draw(self.phase[box], _slope(self.tables), self.class_at[box])


def drawn(picture: Array, clear: Array, phases: list[Array]) -> Drawing:
    """The drawing, corrected on every `THIN`-th row and column."""
    thin = slice(None, None, THIN), slice(None, None, THIN)
    first = Drawing(picture[thin], clear[thin], [phase[thin] for phase in phases])
    first.start()
    whole = Drawing(picture, clear, phases)
    whole.go_on(first)
    return whole


class Drawing:
    """The stripes drawn into a window, and drawn better; pictures of every so many pixels, or of all."""

    def __init__(self, picture: Array, clear: Array, phases: list[Array]) -> None:
        self.picture, self.clear, self.phases = picture, clear, phases
        self.weight = clear.astype(np.float32)
        steps = [_step(phase) for phase in phases]
        self.classes = [_class_at(step, clear) for step in steps]
        self.stripe_px = float(2 * np.pi / max(np.median(step[clear]) for step in steps))
        self.tables = [np.zeros((CLASSES, BINS)) for _ in phases]
        self.waves: list[Array] = [np.zeros_like(picture) for _ in phases]
        self.level = self.strength = np.zeros_like(picture)
        self.shifts = [np.zeros_like(picture) for _ in phases]

    def start(self) -> None:
        """First guess of level and contrast."""
        flat = np.ones_like(self.picture)
        self.level = self._smooth(self.picture, flat, LEVEL_PERIODS)
        power = self._smooth((self.picture - self.level) ** 2, flat, LEVEL_PERIODS)
        self.strength = np.maximum(np.sqrt(power), 1e-3 * float(np.median(self.level[self.clear])))
        for _ in range(ROUNDS):
            self.read_waves()
            rest = self.rest()
            spread = float(robust_spread(rest[self.clear][::7]))
            self._correct(np.clip(rest, -LIKE * spread, LIKE * spread))

    def go_on(self, thin: Drawing) -> None:
        """Take a thinner drawing's corrections over, and read the waveform anew."""
        size = self.picture.shape[::-1]
        self.level, self.strength = (cv2.resize(part, size) for part in (thin.level, thin.strength))
        for k, shift in enumerate(thin.shifts):
            self.phases[k] = self.phases[k] + cv2.resize(shift, size)
        self.tables = thin.tables
        self.waves = [_draw(phase, *more) for phase, *more in self._ways()]
        self.read_waves()

    def _ways(self) -> list[tuple[Array, Array, Array]]:
        return list(zip(self.phases, map(_finer, self.tables), self.classes, strict=True))

    def directions(self, levers: list[Array]) -> tuple[Direction, ...]:
        """As a leftover has them."""
        return tuple(
            Direction(phase, wave * self.strength, np.asarray(lever), table, at)
            for (phase, table, at), wave, lever in zip(self._ways(), self.waves, levers, strict=True)
        )

    def _smooth(self, value: Array, factor: Array, periods: float) -> Array:
        """Windowed least squares of value = factor * (smooth)."""
        sigma = max(periods * self.stripe_px, 6.0) / STRIDE
        weight = self.weight * factor
        over, under = (cv2.GaussianBlur(_shrunk(weight * part), (0, 0), sigma) for part in (value, factor))
        floor = 0.02 * float(np.median(under[_shrunk(self.weight) > 0.5]))
        return np.asarray(cv2.resize(over / (under + floor), value.shape[::-1]))

    def read_waves(self) -> None:
        """Read each direction's waveforms off the picture, and draw them."""
        total = np.sum(self.waves, axis=0)
        for k, at in enumerate(self.classes):
            own = (self.picture - self.level) / self.strength - (total - self.waves[k])
            number = (at + FINER_CLASSES // 2) // FINER_CLASSES
            for c in range(CLASSES):
                use = self.clear & (number == c)
                if use.sum() < 20 * BINS:
                    continue
                wave = mean_by_phase(np.clip(own[use], -3, 3), phase_slots(self.phases[k][use]))[0]
                self.tables[k][c] = wave - wave.mean()
            fresh = _draw(self.phases[k], _finer(self.tables[k]), at)
            total = total - self.waves[k] + fresh
            self.waves[k] = fresh

    def rest(self) -> Array:
        """The picture less the drawing."""
        return np.asarray(self.picture - self.level - self.strength * np.sum(self.waves, axis=0))

    def _without_shift(self, rest: Array, periods: float, most_rad: float) -> tuple[Array, list[Array]]:
        """What is left once a smooth shift of each direction is taken off, and the shifts."""
        shifts = []
        for phase, table, at in self._ways():
            gain = self.strength * _draw(phase, _slope(table), at)
            shifts.append(np.clip(self._smooth(rest, gain, periods), -most_rad, most_rad))
            rest = rest - gain * shifts[-1]
        return rest, shifts

    def shapeless(self, rest: Array) -> Array:
        """What is left of a leftover without what is shape rather than a fault."""
        spread = float(robust_spread(rest[self.clear][::7]))
        held = np.clip(rest, -LIKE * spread, LIKE * spread)  # so that a fault does not pull on it
        return rest - held + self._without_shift(held, SHAPE_PERIODS, SHAPE_RAD)[0]

    def _correct(self, rest: Array) -> None:
        rest, shifts = self._without_shift(rest, SHIFT_PERIODS, 0.3)
        for k, shift in enumerate(shifts):
            self.phases[k] = self.phases[k] + shift
            self.shifts[k] = self.shifts[k] + shift
        wave = np.sum(self.waves, axis=0)
        # Level and contrast together: a window holds uneven shares of bright and dark.
        sigma = LEVEL_PERIODS * self.stripe_px / STRIDE
        one, w, ww, r, rw = (
            cv2.GaussianBlur(_shrunk(self.weight * part), (0, 0), sigma)
            for part in (np.ones_like(wave), wave, wave * wave, rest, rest * wave)
        )
        one = one + 1e-3
        spread = ww - w * w / one
        more = (rw - w * r / one) / (spread + 0.02 * float(np.median(spread)))
        level = (r - more * w) / one
        size = wave.shape[::-1]
        self.level = self.level + cv2.resize(level, size)
        self.strength = np.maximum(self.strength + cv2.resize(more, size), 0.05 * self.strength)

    def noise(self, rest: Array) -> Array:
        """Scatter by phase and class, and more where the whole neighbourhood scatters more."""
        noise = np.zeros_like(rest)
        for phase, at in zip(self.phases, self.classes, strict=True):
            thin = slice(None, None, THIN), slice(None, None, THIN)
            size, clear = np.abs(rest[thin]), self.clear[thin]
            number = ((at + FINER_CLASSES // 2) // FINER_CLASSES)[thin]
            tables = np.zeros((CLASSES, BINS))
            for c in range(CLASSES):
                use = clear & (number == c)
                if use.sum() >= 20 * BINS:
                    tables[c] = _median_by(size[use], phase_slots(phase[thin][use])[0])
            empty = tables.max(1) == 0
            tables[empty] = np.median(tables[~empty], axis=0)
            tables = np.maximum.reduce([tables, np.roll(tables, 1, 1), np.roll(tables, -1, 1)])
            noise = np.maximum(noise, MAD_TO_SIGMA * _draw(phase, _finer(tables), at))
        floor = 0.3 * float(np.median(noise[self.clear]))
        noise = np.maximum(noise, max(floor, 1e-6))
        side = max(int(2 * self.stripe_px) // STRIDE * STRIDE, 32)
        local = _local_median(np.where(self.clear, np.abs(rest) / noise, np.nan), side) * MAD_TO_SIGMA
        return np.asarray(noise * cv2.resize(np.maximum(local, 1.0).astype(np.float32), rest.shape[::-1]))


def _finer(tables: Array) -> Array:
    """Waveforms between classes and bins, float32."""
    many = FINE_BINS // BINS
    wide = np.concatenate([tables, tables[:, :1]], 1)
    across = np.arange(FINE_BINS) / many
    bins = np.stack([np.interp(across, np.arange(BINS + 1), one) for one in wide])
    at = np.minimum(np.arange(CLASSES * FINER_CLASSES) / FINER_CLASSES, CLASSES - 1)
    low = np.minimum(at.astype(int), CLASSES - 2)
    share = (at - low)[:, None]
    return np.asarray((1 - share) * bins[low] + share * bins[low + 1], np.float32)


def _slope(tables: Array) -> Array:
    """Derivative of fine waveforms by phase, over two of a photo's own bins: a hard edge's has no bound."""
    step = FINE_BINS // BINS
    return np.asarray((np.roll(tables, -step, 1) - np.roll(tables, step, 1)) * np.float32(BINS / (4 * np.pi)))


def _draw(phase: Array, tables: Array, class_at: Array) -> Array:
    """Stripes of those waveforms, float32."""
    slot = np.rint(phase * np.float32(FINE_BINS / (2 * np.pi))).astype(np.int32) & (FINE_BINS - 1)
    return np.asarray(tables.ravel()[class_at * FINE_BINS + slot])


def _step(phase: Array) -> Array:
    """Radians from pixel to pixel."""
    down = np.diff(phase[:: STRIDE * 2], axis=0) / (STRIDE * 2)
    across = np.diff(phase[:, :: STRIDE * 2], axis=1) / (STRIDE * 2)
    size = phase.shape[::-1]
    return np.asarray(np.hypot(cv2.resize(down, size), cv2.resize(across, size)))


def _class_at(step: Array, clear: Array) -> Array:
    """Where each pixel lies between the classes, in finer classes: even steps of closeness."""
    low, high = np.percentile(step[clear][::11], (3, 97))
    at = (step - low) / max(float(high - low), 1e-9) * (CLASSES - 1)
    return np.rint(np.clip(at, 0, CLASSES - 1) * FINER_CLASSES).astype(np.int32)


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
            part = value[i * side : (i + 1) * side : 3, j * side : (j + 1) * side : 3]
            part = part[np.isfinite(part)]
            out[i, j] = np.median(part) if part.size > 50 else 0.0
    return out


def _shrunk(value: Array) -> Array:
    size = value.shape[1] // STRIDE, value.shape[0] // STRIDE
    return np.asarray(cv2.resize(value.astype(np.float32), size, interpolation=cv2.INTER_AREA))
