"""One photo of stripes to a height: one slope measured, the other made up for by what a fair panel is like.

Stripes that vary along one board axis tell the slope along one panel axis. Along every line of that direction the
height follows by integration, up to a constant of its own. Those constants are what the photo does not say; they
are chosen so that the greater part of each line, and of its step to the next, is fair (robustly, by least absolute
deviation). A fault that fills most of a line, a ridge along it above all, goes unseen: the map carries the flag
``one_direction`` everywhere, and its uncertainty is what different parts of the lines disagree by.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import Context, Reading
from surfscan.core.robust import masked_mean
from surfscan.optics.field import cut_out
from surfscan.reading.crown import find_crown
from surfscan.reading.finish import end_track, track_noise
from surfscan.reading.follow import Track, follow
from surfscan.reading.lines import (
    ORDER,
    POWERS,
    carried,
    fit_course,
    integrate_lines,
    lay_lines,
    smooth_mixing,
    trace_lines,
)
from surfscan.reading.settle import rebuild
from surfscan.reading.surface import ENOUGH, Surface, check_region, scaled_axes, stand_off_mm
from surfscan.surface.slopes import fit_polynomial, polynomial_terms

__all__ = ["read_one_way"]

UNLIKE = 0.45
"""Share of the stripes' variance that drawing them leaves, above which a place fits no surface."""

ACROSS = 0.35
"""Smoothing across the lines, in periods, of the height whose slope there the next round predicts stripes with."""

RIM = 0.25
"""Width along the rim of what was seen, in periods, that is not given: there half a window sums into every line."""


@dataclass(frozen=True, slots=True)
class _Laid:
    """One round's height: on a surface for the next round, and as measured along the lines.

    ``spread`` is the standard uncertainty that the lines' constants leave, mm.
    """

    surface: Surface
    height: Array
    spread: float


def read_one_way(
    context: Context, *, progress: Callable[[float], None] | None = None, rounds: int = 6
) -> Reading:
    """Read a height from one photo of stripes.

    Parameters
    ----------
    context : Context
        With a board; its first view is read.
    progress : callable, optional
        Told a share from 0 to 1.
    rounds : int
        Most rounds.

    Returns
    -------
    Reading
        One photo's quality; both of ``gain_mm`` and ``period_mm`` are the photo's. ``one_direction`` is set on every
        measured cell.

    Raises
    ------
    RefusedError, NotMeasuredError
        When the stripes can't be read at all.
    """
    check_region(context)
    grid, view = context.grid, context.views[0]
    track = Track(cut_out(view, grid, reach_mm=stand_off_mm(grid)))
    crown, surface = find_crown([track.cutout], context)
    along = _main_axis(surface, context)
    odd, folded = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    measured, turn, last = context.inside, 0, np.inf
    laid = _Laid(surface, np.full(grid.shape, np.nan), 0.0)
    while turn < rounds:
        found = follow(track, turn, laid.surface, context=context, inside=context.inside & ~odd & ~folded)
        measured = _drop_short(found.good, along, max(8, round(found.spacing_mm / grid.step_mm)))
        if measured.sum() < ENOUGH:
            break
        laid = _settle(laid.surface, track, measured, along, crown, context)
        turn += 1
        if progress is not None:
            progress(turn / rounds)
        if found.unlike is not None and not (odd.any() or folded.any()):
            period_px = found.spacing_mm / grid.step_mm
            folded, odd = _unfit(found.unlike, found.wanted_mm, measured, along, period_px)
            if folded.any() or odd.any():
                rounds += 2
                continue
        if turn > 4 and (found.change_rad < 0.004 or found.change_rad > 0.9 * last):
            break
        last = found.change_rad
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            f"{view.photo.file}: the stripes can't be read on this panel",
            found=f"{int(measured.sum())} cells measured",
            cure="shoot again, closer and with wider stripes",
            allowed=f"at least {ENOUGH} cells",
        )
    reading = _finish(track, laid, measured, along, {"fold": folded, "inconsistent": odd}, context)
    return replace(reading, rounds=turn)


def _main_axis(surface: Surface, context: Context) -> int:
    """Panel axis whose slope the stripes tell: 1 for x (along rows of the grid), 0 for y."""
    view, inside = context.views[0], context.inside
    by_p, by_q = surface.hit(view.camera_mm, context.mirrored_board).lever(view.varies)
    return 1 if np.nanmedian(np.abs(by_p)[inside]) >= np.nanmedian(np.abs(by_q)[inside]) else 0


def _lay(a: Array, along: int) -> Array:
    """Turn a map so that the lines run along its rows (a view; the same turns it back)."""
    return a if along == 1 else a.T


def _drop_short(good: Array, along: int, least: int) -> Array:
    """Leave out runs too short to tell a fault from their own constant."""
    kernel = np.ones((1, least) if along == 1 else (least, 1), np.uint8)
    return np.asarray(cv2.morphologyEx(good.astype(np.uint8), cv2.MORPH_OPEN, kernel, borderValue=0) > 0)


def _unfit(
    unlike: Array, wanted: Array, measured: Array, along: int, period_px: float
) -> tuple[Array, Array]:
    """Places whose stripes fit no surface: folded where the board's image turns over, odd otherwise."""
    usual = float(np.median(unlike[measured]))
    doubt = (measured & (unlike > max(UNLIKE, 4 * usual))).astype(np.uint8)
    reach = max(1, round(0.7 * period_px))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    closed = cv2.morphologyEx(doubt, cv2.MORPH_CLOSE, kernel)
    run = np.gradient(wanted, axis=along)
    turned = run / np.nanmedian(run)
    folded, odd = np.zeros(measured.shape, bool), np.zeros(measured.shape, bool)
    count, parts, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < (0.35 * period_px) ** 2:
            continue
        cells = parts == k
        grown = cv2.dilate(cells.astype(np.uint8), kernel) > 0
        inner = turned[cells & np.isfinite(turned)]
        (folded if inner.size and np.mean((inner < 0.1) | (inner > 5.0)) > 0.03 else odd)[grown] = True
    return folded, odd & ~folded


def _settle(
    surface: Surface, track: Track, measured: Array, along: int, crown: Array, context: Context
) -> _Laid:
    """Slope along the lines, height on each, constants of the lines, level; the surface for the next round."""
    view, grid = track.view, context.grid
    p, q = surface.p, surface.q
    for _ in range(2):
        hit = surface.hit(view.camera_mm, context.mirrored_board, p=p, q=q)
        place, by = hit.place(view.varies), hit.lever(view.varies)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (track.found.wanted_mm - place) / (by[0] if along == 1 else by[1])
        step = np.where(measured & np.isfinite(step), step, 0.0)
        p, q = (p + step, q) if along == 1 else (p, q + step)
    main, cross = (p, q) if along == 1 else (q, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        mixing = (by[1] / by[0]) if along == 1 else (by[0] / by[1])
    reach = scaled_axes(grid)[2]
    s, t = (
        _lay(v, along) / reach for v in ((surface.x, surface.y) if along == 1 else (surface.y, surface.x))
    )
    valid = _lay(measured & np.isfinite(mixing), along)
    told = np.where(valid, _lay(main + mixing * cross, along), 0.0)
    mixed = smooth_mixing(_lay(mixing, along), valid, s, t)
    bend = 0.5 * float(crown[2] if along == 1 else crown[0]) * reach**2
    course = fit_course(s, t, told, mixed, valid, bend, reach)
    there, back = trace_lines(mixed)
    lines = integrate_lines(carried(told, there), carried(valid.astype(float), there) > 0.999, grid.step_mm)
    lean_s, lean_t = carried(s, there), carried(t, there)
    free = [k for k, (i, _) in enumerate(POWERS) if i == 0]
    fixed = polynomial_terms(lean_s, lean_t, ORDER)[..., free] @ course[free]
    own, spread = lay_lines(lines, lean_s, lean_t, fixed)
    known = (lines.run >= 0).astype(float)
    seen = (carried(known, back) > 0.999) & valid
    height = _lay(np.where(seen, carried(own * known, back), np.nan), along)
    sigma_px = ACROSS * track.found.spacing_mm / grid.step_mm
    fresh = _whole(replace(surface, p=p, q=q), height, measured, along, sigma_px, context)
    level = fresh.level(context)
    # What levelling took from the whole surface is taken from the measured height too.
    return _Laid(level, height - (fresh.z - level.z), spread)


def _whole(
    surface: Surface, height: Array, measured: Array, along: int, sigma_px: float, context: Context
) -> Surface:
    """A whole surface from the measured height: its slope across the lines smoothed, all of it continued."""
    seen = np.isfinite(height)
    low = float(np.nanmean(height)) if seen.any() else 0.0
    # A plain smoothing of a curved map bends it at the mask's rim: the fair part is left out of it.
    xs, ys = surface.x / np.abs(surface.x).max(), surface.y / np.abs(surface.y).max()
    pick = np.zeros(seen.shape, bool)
    pick[::4, ::4] = True
    pick &= seen
    found = fit_polynomial(xs[pick], ys[pick], height[pick] - low, 4)
    course = polynomial_terms(xs, ys, 4) @ found + low
    soft = masked_mean(height - course, seen, sigma_px)[0]
    cross = np.gradient(soft + course, context.grid.step_mm, axis=1 - along)
    p, q = (surface.p, cross) if along == 1 else (cross, surface.q)
    known = np.where(measured, 1.0, 1e-3)
    fresh = rebuild(surface, p, q, measured, context=context, weights=(known, known))
    return replace(fresh, z=fresh.z + float(np.mean((height - fresh.z)[seen])))


def _finish(
    track: Track, laid: _Laid, measured: Array, along: int, doubts: dict[str, Array], context: Context
) -> Reading:
    """Flags (with the cells in doubt by their flag), noise and quality; rounds are the caller's to add."""
    surface, found, inside, grid = laid.surface, track.found, context.inside, context.grid
    rim_px = 2 * max(1, round(RIM * found.spacing_mm / grid.step_mm)) + 1
    inner = cv2.erode(measured.astype(np.uint8), np.ones((rim_px, rim_px), np.uint8), borderValue=0) > 0
    slope = surface.hit(track.view.camera_mm, context.mirrored_board).lever(track.view.varies)
    gain = float(np.nanmedian(np.abs(slope[0 if along == 1 else 1])[inside]))
    flags = context.region.copy()
    quality = end_track(track, surface, flags, context)
    for name, cells in doubts.items():
        flags[inside & cells] |= bit(name)
    flags[inside & measured & ~inner & (flags == 0)] |= bit("edge")
    flags[inside & ~inner & (flags == 0)] |= bit("weak_stripes")
    flags[inner] |= bit("one_direction")
    # Along a line of n cells, its mean taken off, white slope noise sums to n/6 of a cell's variance.
    lines = _lay(inner, along)
    length = float(np.median(lines.sum(1)[lines.any(1)]))
    nan = np.where(inner, 0.0, np.nan)
    return Reading(
        grid=grid,
        height_mm=np.where(inner, laid.height, np.nan),
        p=surface.p + nan,
        q=surface.q + nan,
        noise_mm=float(track_noise(track, context, gain) * grid.step_mm * np.sqrt(length / 6)),
        uneven_mm=laid.spread,
        flags=flags,
        closure_mrad=float("nan"),
        gain_mm=np.full(2, gain),
        period_mm=np.full(2, found.spacing_mm),
        rounds=0,
        quality=(quality,),
    )
