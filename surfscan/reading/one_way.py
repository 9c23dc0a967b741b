"""One photo of stripes to a height: one slope measured, the other made up for by what a fair panel is like.

Stripes that vary along one board axis tell the slope along one panel axis. Along every line of that direction the
height follows by integration, up to a constant of its own. Those constants are what the photo does not say; they
are chosen so that the greater part of each line, and of its step to the next, is fair (robustly, by least absolute
deviation). A fault that fills most of a line, a ridge along it above all, goes unseen: the map carries the flag
``one_direction`` everywhere, and its uncertainty is what different parts of the lines disagree by.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import QualityMaps, Reading, View
from surfscan.core.records import Array, Board, Grid
from surfscan.optics.field import FINE, Cutout, cut_out, pixel_pitch, rectify
from surfscan.optics.mirror import hit_board
from surfscan.phase.carrier import Tiles, tile_frequencies
from surfscan.reading.approach import check_stripes, fit_crown, predict_frequency
from surfscan.reading.follow import Surface, Track, follow, on_board, strong
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
from surfscan.reading.settle import level_on
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly, fit_polynomial, polynomial_terms

__all__ = ["read_one_way"]

ENOUGH = 400
"""Fewest measured cells that make a reading."""

UNLIKE = 0.45
"""Share of the stripes' variance that drawing them leaves, above which a place fits no surface."""

ACROSS = 0.35
"""Smoothing across the lines, in periods, of the height whose slope there the next round predicts stripes with."""

RIM = 0.25
"""Width along the rim of what was seen, in periods, that is not given: there half a window sums into every line."""


def read_one_way(
    view: View,
    *,
    board: Board,
    grid: Grid,
    region: Array,
    level_at_mm: Array,
    start_curvature: Array | None = None,
    progress: Callable[[float], None] | None = None,
    rounds: int = 6,
) -> Reading:
    """Read a height from one photo of stripes.

    Parameters
    ----------
    view : View
    board, grid, region, level_at_mm, start_curvature, progress, rounds
        As in `read_stripes`.

    Returns
    -------
    Reading
        One picture; both of ``gain_mm`` and ``period_mm`` are the photo's. ``one_direction`` is set on every
        measured cell.

    Raises
    ------
    RefusedError, NotMeasuredError
        When the stripes can't be read at all.
    """
    inside = region == 0
    if inside.sum() < ENOUGH:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(inside.sum())} cells of {grid.step_mm:.2g} mm",
            cure="judge a larger region or leave less out",
        )
    reach = 0.1 * float(np.hypot(np.ptp(grid.x_mm), np.ptp(grid.y_mm)))
    cutout = cut_out(view, grid, reach_mm=reach)
    curvature, surface = _carry(cutout, board, grid, region, level_at_mm, start_curvature)
    track = Track(cutout)
    along = _main_axis(surface, view, board, inside)
    odd, folded = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    measured, turn, last = inside, 0, np.inf
    height, spread = np.full(grid.shape, np.nan), 0.0
    while turn < rounds:
        found = follow(track, turn, surface, board=board, grid=grid, inside=inside & ~odd & ~folded)
        measured = _drop_short(found.good, along, max(8, round(found.spacing_mm / grid.step_mm)))
        if measured.sum() < ENOUGH:
            break
        surface, height, spread = _settle(
            surface, track, board, grid, measured, along, curvature, level_at_mm
        )
        turn += 1
        if progress is not None:
            progress(turn / rounds)
        if found.unlike is not None and not (odd.any() or folded.any()):
            folded, odd = _unfit(
                found.unlike, found.wanted_mm, measured, along, found.spacing_mm / grid.step_mm
            )
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
        )
    rim = 2 * max(1, round(RIM * track.found.spacing_mm / grid.step_mm)) + 1
    inner = cv2.erode(measured.astype(np.uint8), np.ones((rim, rim), np.uint8), borderValue=0) > 0
    return _finish(
        track,
        surface,
        height,
        inner,
        measured & ~inner,
        folded,
        odd,
        spread,
        along,
        turn,
        board,
        grid,
        region,
    )


def _carry(
    cutout: Cutout, board: Board, grid: Grid, region: Array, level_at_mm: Array, start: Array | None
) -> tuple[Array, Surface]:
    """The crown as far as one photo and the tags' tilts show it, and a first surface."""
    view = cutout.view
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    curvature = np.zeros(3) if start is None else np.asarray(start, float)

    def crown() -> Surface:
        a, b, c = curvature
        z = 0.5 * (a * x * x + 2 * b * x * y + c * y * y)
        return level_on(Surface(x, y, z, a * x + b * y, b * x + c * y), grid, level_at_mm)

    for turn in range(2):
        picture, state = rectify(cutout, x, y, crown().z)
        shrunk = cv2.resize(picture, x.shape[::-1], interpolation=cv2.INTER_AREA)
        good = (region == 0) & (state[::FINE, ::FINE] == 0)
        tiles = tile_frequencies(shrunk, good, tile_px=48)
        cx, cy = grid.x_mm[0] + tiles.column * grid.step_mm, grid.y_mm[0] + tiles.row * grid.step_mm
        tiles = Tiles(cx, cy, tiles.fx / grid.step_mm, tiles.fy / grid.step_mm, tiles.strength)
        camera_mm = view.pose.centre_mm
        if turn == 0:
            axes = {
                axis: predict_frequency(cx, cy, curvature, camera_mm=camera_mm, board=board, varies=axis)
                for axis in ("across", "up")
            }
            check_stripes(
                tiles, axes, varies=view.varies, file=view.photo.file, crown_known=start is not None
            )
        curvature = fit_crown([(cx, cy, tiles, camera_mm, view.varies)], board=board, start=curvature)
    return curvature, crown()


def _main_axis(surface: Surface, view: View, board: Board, inside: Array) -> int:
    """Panel axis whose slope the stripes tell: 1 for x (along rows of the grid), 0 for y."""
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    by_p, by_q = hit.d_across if view.varies == "across" else hit.d_up
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
    surface: Surface,
    track: Track,
    board: Board,
    grid: Grid,
    measured: Array,
    along: int,
    curvature: Array,
    level_at_mm: Array,
) -> tuple[Surface, Array, float]:
    """Slope along the lines, height on each, constants of the lines, level; the surface for the next round."""
    view = track.view
    p, q = surface.p, surface.q
    for _ in range(2):
        hit = hit_board(surface.x, surface.y, surface.z, p, q, camera_mm=view.pose.centre_mm, board=board)
        place, by = (hit.across_mm, hit.d_across) if view.varies == "across" else (hit.up_mm, hit.d_up)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (track.found.wanted_mm - place) / (by[0] if along == 1 else by[1])
        step = np.where(measured & np.isfinite(step), step, 0.0)
        p, q = (p + step, q) if along == 1 else (p, q + step)
    main, cross = (p, q) if along == 1 else (q, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        mixing = (by[1] / by[0]) if along == 1 else (by[0] / by[1])
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    s, t = (
        _lay(v, along) / reach for v in ((surface.x, surface.y) if along == 1 else (surface.y, surface.x))
    )
    valid = _lay(measured & np.isfinite(mixing), along)
    told = np.where(valid, _lay(main + mixing * cross, along), 0.0)
    mixed = smooth_mixing(_lay(mixing, along), valid, s, t)
    bend = 0.5 * float(curvature[2] if along == 1 else curvature[0]) * reach**2
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
    fresh = _whole(surface, height, p, q, measured, along, grid, track.found.spacing_mm)
    level = level_on(fresh, grid, level_at_mm)
    # What levelling took from the whole surface is taken from the measured height too.
    height = height - (fresh.z - level.z)
    return level, height, spread


def _whole(
    surface: Surface,
    height: Array,
    p: Array,
    q: Array,
    measured: Array,
    along: int,
    grid: Grid,
    spacing_mm: float,
) -> Surface:
    """A whole surface from the measured height: its slope across the lines smoothed, all of it continued."""
    seen = np.isfinite(height)
    sigma = ACROSS * spacing_mm / grid.step_mm
    weight = seen.astype(np.float32)
    share = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-3)
    low = float(np.nanmean(height)) if seen.any() else 0.0
    # A plain smoothing of a curved map bends it at the mask's rim: the fair part is left out of it.
    xs, ys = surface.x / np.abs(surface.x).max(), surface.y / np.abs(surface.y).max()
    pick = np.zeros(seen.shape, bool)
    pick[::4, ::4] = True
    pick &= seen
    found = fit_polynomial(xs[pick], ys[pick], height[pick] - low, 4)
    course = polynomial_terms(xs, ys, 4) @ found + low
    rest = np.where(seen, height - course, 0).astype(np.float32)
    soft = cv2.GaussianBlur(rest, (0, 0), sigma) / share
    cross = np.gradient(soft + course, grid.step_mm, axis=1 - along)
    p, q = (p, cross) if along == 1 else (cross, q)
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    x, y = grid.x_mm / reach, grid.y_mm / reach
    p = continue_smoothly(p, measured, x, y, reach_px=8.0)
    q = continue_smoothly(q, measured, x, y, reach_px=8.0)
    known = np.where(measured, 1.0, 1e-3)
    z, _ = integrate_slopes(
        p, q, step_mm=grid.step_mm, weight=(known, known), tolerance=1e-5, start=surface.z
    )
    z = z + float(np.mean((height - z)[seen]))
    return Surface(surface.x, surface.y, z, p, q)


def _finish(
    track: Track,
    surface: Surface,
    height: Array,
    measured: Array,
    rim: Array,
    folded: Array,
    odd: Array,
    spread: float,
    along: int,
    rounds: int,
    board: Board,
    grid: Grid,
    region: Array,
) -> Reading:
    view, found = track.view, track.found
    flags, inside = region.copy(), region == 0
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    slope = hit.d_across if view.varies == "across" else hit.d_up
    gain = float(np.nanmedian(np.abs(slope[0 if along == 1 else 1])[inside]))
    flags |= np.where(inside, found.state, 0)
    clear = inside & (found.state == 0)
    flags[clear & ~on_board(hit, board)] |= bit("off_board")
    readable = strong(found.lock, clear)
    flags[clear & ~readable] |= bit("weak_stripes")
    flags[inside & folded] |= bit("fold")
    flags[inside & odd] |= bit("inconsistent")
    flags[inside & rim & (flags == 0)] |= bit("edge")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    flags[measured] |= bit("one_direction")
    amplitude = float(np.median(found.lock.amplitude[found.good])) if found.good.any() else np.inf
    per_cell = np.sqrt(2.0) * found.grain / (amplitude * FINE) * board.period_mm / (2 * np.pi) / gain
    # Along a line of n cells, its mean taken off, white slope noise sums to n/6 of a cell's variance.
    length = float(np.median(_lay(measured, along).sum(1)[_lay(measured, along).any(1)]))
    noise = per_cell * grid.step_mm * np.sqrt(length / 6)
    lit = readable & on_board(hit, board) & clear
    place = np.where(lit, found.wanted_mm, np.nan)
    gy, gx = np.gradient(place, grid.step_mm)
    stretch = np.hypot(gx, gy) / board.period_mm
    worst = float(np.nanpercentile(stretch, 95)) if np.isfinite(stretch).any() else np.nan
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    across = float(np.nanpercentile(place, 99.5) - np.nanpercentile(place, 0.5)) if lit.any() else 0.0
    picture = QualityMaps(
        lit=lit,
        clipped=inside & ((found.state & bit("saturated")) != 0),
        modulation=found.lock.modulation,
        level=found.lock.level,
        stripe_px=1 / (worst * pitch) if worst > 0 else 0.0,
        stripes_across=across / board.period_mm,
        misprints=0 if track.misprint is None else int(np.count_nonzero(track.misprint.shift_mm)),
    )
    nan = np.where(measured, 0.0, np.nan)
    return Reading(
        grid,
        np.where(measured, height, np.nan),
        surface.p + nan,
        surface.q + nan,
        float(noise),
        spread,
        flags,
        float("nan"),
        np.full(2, gain),
        np.full(2, found.spacing_mm),
        rounds,
        (picture,),
    )
