"""One direction of a stepped series decoded: level and wave per cell, the periods joined, the screen's bend off."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import RefusedError
from surfscan.core.poisson import label_islands
from surfscan.core.reading import Context
from surfscan.core.robust import robust_spread
from surfscan.phase.order import unwrap
from surfscan.phase.stepped import StepFit, bend_of_screen, find_place, fit_steps, straighten
from surfscan.reading.stepped_series import Series, camera_of_axis, check_order, check_sense, lay_on
from surfscan.reading.surface import ENOUGH, Surface, on_board

__all__ = ["Decoded", "decode"]

DISAGREE = 0.01
"""Median disagreement of two periods, as a share of the shorter, above which the series is out of order."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one direction's series found; maps on the coarse grid, board coordinates from the middle, mm."""

    wanted_mm: Array
    good: Array
    state: Array
    odd: Array
    clear: Array
    weight: Array
    sigma_mm: float


@dataclass(frozen=True, slots=True)
class _Aim:
    """Where the surface makes one direction's cells look on the board, mm from its edge, and how stretched."""

    axis: str
    place: Array
    near: Array  # the same, finite everywhere
    middle: float
    stretch: float  # board mm per panel mm
    on_board: Array

    def spacing_px(self, period_mm: float, context: Context) -> float:
        """Reflected stripe period, cells."""
        return period_mm / max(self.stretch, 1e-6) / context.grid.step_mm


def _aim(series: list[Series], axis: str, surface: Surface, context: Context) -> _Aim:
    board = context.mirrored_board
    hit = surface.hit(camera_of_axis(series, axis), board)
    middle = (board.size_mm[0] if axis == "across" else board.size_mm[1]) / 2
    place = hit.place(axis) + middle
    near = np.where(np.isfinite(place), place, middle)
    gy, gx = np.gradient(near, context.grid.step_mm)
    stretch = float(np.nanmedian(np.hypot(gx, gy)[context.inside]))
    return _Aim(axis, place, near, middle, stretch, on_board(hit, board))


def decode(series: list[Series], axis: str, surface: Surface, context: Context, *, first: bool) -> Decoded:
    """Decode all series of one direction on the surface as known so far.

    Parameters
    ----------
    series : list of Series
        Of this direction; each keeps what was decoded last.
    axis : str
        "across" or "up".
    surface : Surface
    context : Context
    first : bool
        In the first round the order of the photos is checked too.

    Returns
    -------
    Decoded

    Raises
    ------
    RefusedError
        Photos out of order, or periods that disagree.
    """
    aim = _aim(series, axis, surface, context)
    state, waves = _fit_waves(series, aim, surface, context, first=first)
    clear = context.inside & (state == 0)
    nothing = np.zeros(clear.shape, bool)
    if len(waves) < len(series) or not clear.any():
        return Decoded(
            aim.place - aim.middle, nothing, state, nothing, nothing, np.zeros(clear.shape), np.nan
        )
    good = clear & aim.on_board
    bright = _bright(waves, clear, good)
    good &= bright & np.isfinite(aim.place)
    if good.sum() < ENOUGH:
        return Decoded(aim.place - aim.middle, good, state, nothing, bright, np.zeros(clear.shape), np.nan)
    joined, odd, weight = _join(series, aim, good, context, first=first)
    # A lone cell is noise; a patch that insists on another stripe is a step in the surface.
    patch = cv2.blur(odd.astype(np.float32), (7, 7)) > 0.6
    noise = _cell_noise(joined - aim.near, good)
    kept = good & ~(patch & (not first))
    return Decoded(joined - aim.middle, kept, state, patch & good, bright, np.where(good, weight, 0.0), noise)


def _fit_waves(
    series: list[Series], aim: _Aim, surface: Surface, context: Context, *, first: bool
) -> tuple[Array, list[StepFit]]:
    """State of all photos, and the waves of those series that show enough."""
    state = np.zeros(context.grid.shape, np.int32)
    waves: list[StepFit] = []
    for one in series:
        frames, own_state = lay_on(one, surface)
        state |= own_state
        seen = context.inside & (own_state == 0)
        if seen.sum() < ENOUGH:
            continue
        spacing_px = aim.spacing_px(one.period_mm, context)
        if first:
            check_order(one, frames, seen, spacing_px)
        one.wave = fit_steps(frames, one.steps if one.still else _own_steps(one, surface, aim, context))
        if first:
            check_sense(one, one.wave, aim.near, seen, spacing_px)
        waves.append(one.wave)
    return state, waves


def _bright(waves: list[StepFit], clear: Array, good: Array) -> Array:
    """Cells whose waves are strong and leave little over, in every series."""
    bright = clear.copy()
    for wave in waves:
        usual = float(np.median(wave.amplitude[good])) if good.any() else 0.0
        bright &= (wave.amplitude > 0.25 * usual) & (wave.amplitude > 1e-4)
        rest = np.sqrt(np.mean(wave.residual**2, 0)) / np.maximum(wave.amplitude, 1e-6)
        calm = float(np.median(rest[good])) if good.any() else 0.0
        bright &= rest <= max(8 * calm, 0.05)
    return bright


def _own_steps(one: Series, surface: Surface, aim: _Aim, context: Context) -> Array:
    """Steps (N, H, W) of a hand-held series: each frame looks elsewhere on the board by what the poses say."""
    maps = []
    for frame, pose in zip(one.frames, one.poses, strict=True):
        there = surface.hit(pose.centre_mm, context.mirrored_board).place(aim.axis) + aim.middle
        shift = np.nan_to_num(there - aim.place)
        maps.append(frame.step_rad + 2 * np.pi * shift / one.period_mm)
    return np.stack(maps)


def _join(
    series: list[Series], aim: _Aim, good: Array, context: Context, *, first: bool
) -> tuple[Array, Array, Array]:
    """Join the periods of one direction: screen's bend off, the stripe each cell lies in, weighted mean.

    Returns place (mm), cells that insist on another stripe than their part, and weight.
    """
    phases, offsets, weights = [], [], []
    for one in series:
        assert one.wave is not None
        phase, offset = _straightened(one, aim, good, context)
        phases.append(phase)
        offsets.append(offset)
        weights.append(len(one.frames) * one.wave.amplitude**2 * (2 * np.pi / one.period_mm) ** 2)
    periods = [one.period_mm for one in series]
    lead = int(np.argmin(periods))
    place, misfit = find_place(phases, periods, near_mm=aim.near, reach_mm=2 * aim.middle)
    if first and len(series) > 1:
        _check_agreement(series, float(np.median(misfit[good])))
    order = np.round((place - aim.near - offsets[lead]) / periods[lead])
    joined, odd = np.full(good.shape, np.nan), np.zeros(good.shape, bool)
    count, labels = label_islands(good)
    for k in range(1, count + 1):
        part = labels == k
        # One whole number for a connected part: most of its cells agree on it.
        values, votes = np.unique(order[part], return_counts=True)
        whole = values[votes.argmax()]
        whole_mm = offsets[lead] + whole * periods[lead]
        total, share = np.zeros(good.shape), np.zeros(good.shape)
        for one, offset, weight in zip(series, offsets, weights, strict=True):
            n = np.round(np.median((whole_mm - offset)[part]) / one.period_mm)
            total += weight * (offset + n * one.period_mm)
            share += weight
        joined[part] = (aim.near + total / np.maximum(share, 1e-30))[part]
        odd |= part & (order != whole) & (misfit < 2 * np.median(misfit[part]) + 1e-6)
    return joined, odd, np.asarray(sum(weights))


def _straightened(one: Series, aim: _Aim, good: Array, context: Context) -> tuple[Array, Array]:
    """A series' phase, and its offset from the aim (mm), both with the screen's bend off."""
    assert one.wave is not None
    per_mm = 2 * np.pi / one.period_mm
    phase = np.nan_to_num(one.wave.phase_rad)
    rest = unwrap(np.angle(np.exp(1j * (phase - per_mm * aim.near))), good)
    smooth_px = max(0.7 * aim.spacing_px(one.period_mm, context), 2.0)
    bend = bend_of_screen(phase, np.nan_to_num(rest), good, orders=one.orders, smooth_px=smooth_px)
    fix = straighten(phase, bend, orders=one.orders)
    return phase + fix, (rest + fix) / per_mm


def _check_agreement(series: list[Series], usual_mm: float) -> None:
    """Refuse periods that do not agree on a place."""
    allowed = DISAGREE * min(one.period_mm for one in series)
    if usual_mm > allowed:
        raise RefusedError(
            f"the periods along {series[0].varies!r} disagree",
            found=f"{usual_mm:.1f} mm between {' and '.join(one.name for one in series)}",
            allowed=f"{allowed:.1f} mm",
            cure="check the order of their photos, their phase_deg and period_mm",
        )


def _cell_noise(rest: Array, good: Array) -> float:
    """Noise of a smooth map's cells from its Laplacian, whose white-noise gain is sqrt(20)."""
    inner = cv2.erode(good.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0) > 0
    bend = cv2.Laplacian(np.where(good, rest, 0.0), cv2.CV_64F)
    return float(robust_spread(bend[inner]) / np.sqrt(20)) if inner.any() else float("nan")
