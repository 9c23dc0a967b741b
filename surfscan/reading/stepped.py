"""A stepped series of stripes to slopes and height, at the photo's own resolution.

Every cell is decoded by itself, so nothing is averaged over a stripe and small faults keep their depth. The
camera stands still during a series: the frames' own poses, found from their tags, are averaged when they agree, since
what they differ by is then noise. When they all differ the camera was hand-held, and each frame keeps its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import Context, QualityMaps, Reading, View
from surfscan.optics.field import FINE, pixel_pitch, step_within
from surfscan.reading.finish import flag_photo, stripe_figures
from surfscan.reading.settle import close_islands, curl_mrad, integrated_noise, settle
from surfscan.reading.stepped_decode import Decoded, decode
from surfscan.reading.stepped_series import Series, SteppedPhoto, camera_of_axis, sort_series
from surfscan.reading.surface import ENOUGH, Surface, check_region, first_surface, on_board

__all__ = ["read_stepped", "stepped_grid_mm"]

RESOLUTION_CELLS = 4.0
"""Cells across the narrowest spot that keeps its depth: a (1 - rho^2)^2 spot loses 3 % at 4 cells of averaging 2."""


def stepped_grid_mm(size_mm: tuple[float, float], views: list[View]) -> float:
    """Coarse grid step at which the fine grid has the photo's own resolution, mm; at most `MOST_CELLS`."""
    pitch = min(pixel_pitch(size_mm, camera=v.camera, pose=v.pose) for v in views)
    return step_within(FINE * pitch, size_mm)


def read_stepped(
    context: Context,
    steps: list[tuple[float, float]],
    *,
    progress: Callable[[float], None] | None = None,
    rounds: int = 4,
) -> Reading:
    """Read slopes and height from a phase-stepped series.

    Parameters
    ----------
    context : Context
        Three or more views for each direction and period, in any order; both directions. The board's size says where
        its edges are, from which the stripes are counted; the grid is best of the step `stepped_grid_mm`.
    steps : list of (period_mm, step_rad)
        Of each view.
    progress : callable, optional
        Told a share from 0 to 1.
    rounds : int
        Most rounds.

    Returns
    -------
    Reading
        ``period_mm`` is the narrowest width that is read without loss, which here is a matter of the grid.

    Raises
    ------
    RefusedError
        Naming the frame that moved, shows something else or is out of order, or the series that lacks one.
    NotMeasuredError
    """
    check_region(context)
    frames = [SteppedPhoto(view, *step) for view, step in zip(context.views, steps, strict=True)]
    series = sort_series(frames, context)
    surface = first_surface(context)
    found: dict[str, Decoded] = {}
    measured, last, turn = context.inside, np.inf, 0
    while turn < rounds:
        for axis in ("across", "up"):
            own = [s for s in series if s.varies == axis]
            found[axis] = decode(own, axis, surface, context, first=turn == 0)
        measured = _sound(found["across"].good & found["up"].good)
        if measured.sum() < ENOUGH:
            break
        sides = tuple(
            (camera_of_axis(series, axis), found[axis].wanted_mm, axis) for axis in ("across", "up")
        )
        fresh = settle(
            surface,
            (sides[0], sides[1]),
            measured,
            context=context,
            weights=_weights(found, measured),
            reach_px=6.0 / context.grid.step_mm,
        )
        change = float(np.abs(fresh.z - surface.z)[measured].max())
        surface = fresh
        turn += 1
        if progress is not None:
            progress(turn / rounds)
        # A height off by dz shifts the picture and the lever by dz / distance: 0.02 mm is 20 ppm of both.
        if turn > 1 and (change < 0.02 or change > 0.9 * last):
            break
        last = change
    reading = _finish(series, found, surface, measured, context)
    quality = {
        id(frame): maps for one in series for frame, maps in _qualities(one, found[one.varies], context)
    }
    return replace(reading, rounds=turn, quality=tuple(quality[id(frame)] for frame in frames))


def _sound(good: Array) -> Array:
    """Without the rim of the grid, where the panel's edge mixes in, and without slivers that nothing holds."""
    inner = good.copy()
    inner[[0, 1, -2, -1]] = inner[:, [0, 1, -2, -1]] = False
    size = int(RESOLUTION_CELLS) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    return np.asarray(cv2.morphologyEx(inner.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0)


def _weights(found: dict[str, Decoded], measured: Array) -> tuple[Array, Array]:
    out = []
    for axis in ("across", "up"):
        usual = float(np.median(found[axis].weight[measured])) or 1.0
        out.append(np.where(measured, np.clip(found[axis].weight / usual, 0.05, 4.0), 1e-3))
    return out[0], out[1]


def _finish(
    series: list[Series], found: dict[str, Decoded], surface: Surface, measured: Array, context: Context
) -> Reading:
    """Flags, noise and the height of each island by itself; rounds and quality are the caller's to add."""
    flags, inside, board = context.region.copy(), context.inside, context.mirrored_board
    gains, white = [], 0.0
    for axis in ("across", "up"):
        seen = found[axis]
        hit = surface.hit(camera_of_axis(series, axis), board)
        slope = hit.lever(axis)
        gains.append(float(np.nanmedian(np.hypot(slope[0], slope[1])[inside])))
        white += (np.nan_to_num(seen.sigma_mm) / gains[-1]) ** 2 / 2
        flag_photo(flags, inside, seen.state, on_board(hit, board), seen.clear)
        flags[inside & seen.odd] |= bit("inconsistent")
    flags[inside & ~measured & (flags == 0) & found["across"].good & found["up"].good] |= bit("edge")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            "the stripes can't be read on this panel",
            found=f"{int(measured.sum())} cells measured",
            cure="check the board's pose and that the whole panel reflects it; wet the panel or shade it",
            allowed=f"at least {ENOUGH} cells",
        )
    step = context.grid.step_mm
    height, p, q = close_islands(surface, measured, _weights(found, measured), flags, context)
    resolution = RESOLUTION_CELLS * step
    closure = curl_mrad(p, q, measured, step, smooth_px=RESOLUTION_CELLS)
    return Reading(
        grid=context.grid,
        height_mm=height,
        p=p,
        q=q,
        noise_mm=integrated_noise(white, measured, step),
        uneven_mm=float(1e-3 * np.nan_to_num(closure) * resolution / (2 * np.pi)),
        flags=flags,
        closure_mrad=closure,
        gain_mm=np.array(gains),
        period_mm=np.full(2, resolution),
        rounds=0,
        quality=(),
    )


def _qualities(one: Series, seen: Decoded, context: Context) -> list[tuple[SteppedPhoto, QualityMaps]]:
    """Quality of each photo of a series: what its series shows, at its own pose's pitch."""
    zero = np.zeros(context.grid.shape)
    level = zero if one.wave is None else one.wave.level
    modulation = zero if one.wave is None else one.wave.amplitude / np.maximum(level, 1e-6)
    place = np.where(seen.good, seen.wanted_mm, np.nan)
    out = []
    for frame, pose in zip(one.frames, one.poses, strict=True):
        view = replace(frame.view, pose=pose)
        stripe_px, across = stripe_figures(view, place, one.period_mm, context.grid.step_mm)
        clipped = context.inside & ((seen.state & bit("saturated")) != 0)
        out.append((frame, QualityMaps(seen.good, clipped, modulation, level, stripe_px, across, 0)))
    return out
