"""One photo of a lattice of round lights to slopes and height: both directions at once, at scattered places.

Each dot says where on the board its place looks, hence both slopes. The surface through them is the one of least
third-order bending; it puts the dots back on the panel, levels them on the tags' plane, and is fitted again. Which
dot of the board is which needs no absolute answer: the whole lattice may be off by any shift, since that is a tilt
of the panel, and the tilt comes from the tags.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import Context, QualityMaps, Reading, View
from surfscan.core.records import Board
from surfscan.optics.field import FINE, pixel_pitch, step_within
from surfscan.optics.lens import project
from surfscan.optics.mirror import Hit, hit_board
from surfscan.phase.dots import find_blobs
from surfscan.reading.dots_lattice import (
    FEWEST,
    Dots,
    adopt,
    centroid_noise_px,
    cover,
    crossed_misfit,
    disc_shift,
    number_dots,
    on_panel,
    sample,
    usable_part,
)
from surfscan.reading.settle import southwell
from surfscan.reading.surface import ENOUGH, Surface, first_surface, on_board
from surfscan.surface.scattered import Spline, fit_slopes

__all__ = ["dots_grid_mm", "read_dots"]

UNFIT = 0.5
"""A dot that lies this far, in lattice steps, from where the surface through its neighbours would have it is wrong:
another dot would be nearer."""


def dots_grid_mm(size_mm: tuple[float, float], view: View, board: Board) -> float:
    """Coarse grid step for one photo of dots: eight cells to a reflected spacing, never finer than the photo."""
    camera_mm = view.camera_mm
    hit = hit_board(np.array([0.0, 1.0]), np.zeros(2), 0.0, 0.0, 0.0, camera_mm=camera_mm, board=board)
    stretch = abs(float(np.diff(hit.across_mm)[0]))
    pitch = pixel_pitch(size_mm, camera=view.camera, pose=view.pose)
    step = max(board.period_mm / max(stretch, 1e-3) / 8, FINE * pitch)
    return step_within(step, size_mm)


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The surface through the dots: on the grid, as a spline, and each dot's misfit (N, 2), unitless slopes."""

    surface: Surface
    spline: Spline
    misfit: Array


def read_dots(
    context: Context, *, progress: Callable[[float], None] | None = None, rounds: int = 10
) -> Reading:
    """Read slopes and height from one photo of a lattice of round lights.

    Parameters
    ----------
    context : Context
        With a board whose ``period_mm`` is the spacing of the lights; its first view is read, whatever its ``varies``.
    progress : callable, optional
        Told a share from 0 to 1.
    rounds : int
        Most rounds.

    Returns
    -------
    Reading
        ``period_mm`` is the reflected spacing in both directions; one photo's quality.

    Raises
    ------
    NotMeasuredError
        Too few dots, or dots in no lattice.
    """
    surface = first_surface(context).level(context)
    dots = _find(surface, context)
    fitted: _Fitted | None = None
    turn, last = 0, np.inf
    while turn < rounds or fitted is None:
        fresh = _round(dots, None if fitted is None else fitted.spline, surface, context)
        change = float(np.abs(fresh.surface.z - surface.z)[context.inside].max())
        fitted, surface = fresh, fresh.surface
        turn += 1
        if progress is not None:
            progress(turn / rounds)
        if turn == 2:
            limit = UNFIT * context.mirrored_board.period_mm / _gain(surface, context)
            _drop_unfit(dots, crossed_misfit(dots, fitted.spline, fitted.misfit, context.grid), limit)
        if turn > 1 and adopt(dots, surface, context):
            last = np.inf
            continue
        if turn > 3 and (change < 1e-4 or change > 0.9 * last):
            break
        last = change
    return _finish(dots, fitted, context, turn)


def _find(surface: Surface, context: Context) -> Dots:
    """Find and number the dots of the photo."""
    view, grid = context.views[0], context.grid
    spacing = _spacing_mm(surface, context)
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    blobs = find_blobs(view.photo.image, usable_part(view, grid), spacing_px=spacing / pitch)
    enough = len(blobs.column) >= FEWEST
    dots = number_dots(blobs, surface, context) if enough else None
    if dots is None or dots.known.sum() < FEWEST:
        raise NotMeasuredError(
            f"{view.photo.file}: no lattice of dots on the panel",
            found=f"{len(blobs.column)} dots, {0 if dots is None else int(dots.known.sum())} of them in a lattice",
            allowed=f"at least {FEWEST}",
            cure="place the board so that the whole panel reflects it; darken the room, or wet the panel",
        )
    return dots


def _spacing_mm(surface: Surface, context: Context) -> float:
    """Reflected spacing that the surface predicts, mm on the panel."""
    board, step, inside = context.mirrored_board, context.grid.step_mm, context.inside
    hit = surface.hit(context.views[0].camera_mm, board)
    uy, ux = np.gradient(hit.across_mm, step)
    vy, vx = np.gradient(hit.up_mm, step)
    area = float(np.nanmedian(np.abs(ux * vy - uy * vx)[inside]))
    return board.period_mm / max(np.sqrt(area), 1e-3)


def _round(dots: Dots, spline: Spline | None, surface: Surface, context: Context) -> _Fitted:
    """Dots onto the surface, hits to slopes, a surface through them, level."""
    view, board, grid = context.views[0], context.mirrored_board, context.grid
    camera_mm = view.camera_mm
    x, y = on_panel(view, dots.blobs, spline, surface, grid)
    if spline is not None:
        shift_x, shift_y = disc_shift(dots, spline, x, y, context)
        x, y = x - shift_x, y - shift_y
    dots.x, dots.y = x, y
    z, p, q = (
        (sample(v, x, y, grid) for v in (surface.z, surface.p, surface.q))
        if spline is None
        else spline.at(x, y)
    )
    hit = hit_board(x, y, z, p, q, camera_mm=camera_mm, board=board)
    # The lattice's shift is what the levelled surface makes of it.
    use = dots.used & np.isfinite(hit.across_mm)
    wanted = board.period_mm * dots.number.astype(float)
    offset = [
        float(np.median((h - w)[use])) for h, w in ((hit.across_mm, wanted[:, 0]), (hit.up_mm, wanted[:, 1]))
    ]
    for _ in range(2):
        hit = hit_board(x, y, z, p, q, camera_mm=camera_mm, board=board)
        du, dv = wanted[:, 0] + offset[0] - hit.across_mm, wanted[:, 1] + offset[1] - hit.up_mm
        (ua, ub), (va, vb) = hit.d_across, hit.d_up
        det = ua * vb - ub * va
        with np.errstate(divide="ignore", invalid="ignore"):
            p = p + (du * vb - dv * ub) / det
            q = q + (dv * ua - du * va) / det
    use &= np.isfinite(p) & np.isfinite(q) & (np.hypot(p, q) < 1)
    dots.used = use
    fresh = fit_slopes(x[use], y[use], p[use], q[use], box_mm=dots.box_mm(grid), spacing_mm=dots.spacing_mm)
    fresh = _level(fresh, context.level_at_mm)
    at = fresh.at(x, y)
    # The tilt that levelling took is no misfit.
    misfit = np.column_stack([p - at[1], q - at[2]])
    misfit = misfit - np.median(misfit[use], 0)
    gz, gp, gq = fresh.on_grid(grid.x_mm, grid.y_mm)
    return _Fitted(Surface(surface.x, surface.y, gz, gp, gq), fresh, misfit)


def _level(spline: Spline, level_at_mm: Array) -> Spline:
    """Take the plane through the tags off; a plane's B-spline coefficients are its heights at the knots' middles."""
    at = spline.at(level_at_mm[:, 0], level_at_mm[:, 1])[0]
    tilt = np.linalg.lstsq(np.column_stack([np.ones(len(at)), level_at_mm]), at, rcond=None)[0]
    ny, nx = spline.coefficients.shape
    x = spline.x0_mm + spline.step_mm * (np.arange(nx) - 1.0)
    y = spline.y0_mm + spline.step_mm * (np.arange(ny) - 1.0)
    plane = tilt[0] + tilt[1] * x[None, :] + tilt[2] * y[:, None]
    return Spline(spline.x0_mm, spline.y0_mm, spline.step_mm, spline.coefficients - plane)


def _gain(surface: Surface, context: Context) -> float:
    """Board millimetres per unit slope, the lesser of both directions."""
    hit = surface.hit(context.views[0].camera_mm, context.mirrored_board)
    inside = context.inside
    return min(float(np.nanmedian(np.hypot(*slope)[inside])) for slope in (hit.d_across, hit.d_up))


def _drop_unfit(dots: Dots, crossed: Array, limit: float) -> None:
    """Take dots out that no surface through their neighbours has: wrong numbers, flecks, folds."""
    size = np.nan_to_num(np.hypot(crossed[:, 0], crossed[:, 1]))
    dots.used &= size < limit


def _finish(dots: Dots, fitted: _Fitted, context: Context, rounds: int) -> Reading:
    """Flags, noise by the dots' centroids, unevenness by leaving dots out, quality."""
    surface, view, grid = fitted.surface, context.views[0], context.grid
    board, inside = context.mirrored_board, context.inside
    column, row = project(surface.x, surface.y, surface.z, camera=view.camera, pose=view.pose)
    hit = surface.hit(view.camera_mm, board)
    flags, measured = _flags(dots, hit, column, row, context)
    gains = np.array([float(np.nanmedian(np.hypot(*slope)[inside])) for slope in (hit.d_across, hit.d_up)])
    crossed = crossed_misfit(dots, fitted.spline, fitted.misfit, grid)
    seen_crossed = np.isfinite(crossed).any()
    crossed_rms = float(np.sqrt(np.nanmean(crossed**2))) if seen_crossed else 0.0
    # Where a fault is only a few dots wide, the surface between them is least certain: the worst half percent counts.
    crossed_worst = float(np.nanpercentile(np.abs(crossed), 99.5)) if seen_crossed else 0.0
    spacing = dots.spacing_mm
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    stretch = board.period_mm / spacing
    noise = centroid_noise_px(dots, view) * pitch * stretch / float(gains.min()) * spacing
    noise *= float(np.sqrt(southwell(dots.used.sum())))
    nan = np.where(measured, 0.0, np.nan)
    return Reading(
        grid=grid,
        height_mm=surface.z + nan,
        p=surface.p + nan,
        q=surface.q + nan,
        noise_mm=noise,
        uneven_mm=crossed_worst * spacing / (2 * np.pi),
        flags=flags,
        closure_mrad=1e3 * crossed_rms,
        gain_mm=gains,
        period_mm=np.full(2, spacing),
        rounds=rounds,
        quality=(_quality(dots, view, column, row, measured, inside),),
    )


def _flags(dots: Dots, hit: Hit, column: Array, row: Array, context: Context) -> tuple[Array, Array]:
    """Flags of all cells, and those that were measured."""
    view, inside = context.views[0], context.inside
    flags = context.region.copy()
    covered, wrong = cover(dots, context)
    uy, ux = np.gradient(hit.across_mm)
    vy, vx = np.gradient(hit.up_mm)
    area = ux * vy - uy * vx
    turned = area * np.sign(np.nanmedian(area[inside])) <= 0
    height, width = view.photo.image.shape
    out = ~((column > 1) & (column < width - 2) & (row > 1) & (row < height - 2))
    measured = covered & ~wrong & ~out & ~turned
    flags[inside & out] |= bit("out_of_view")
    flags[inside & ~out & ~on_board(hit, context.mirrored_board)] |= bit("off_board")
    flags[inside & (wrong | turned)] |= bit("fold")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            f"{view.photo.file}: the dots can't be read on this panel",
            found=f"{int(measured.sum())} cells measured",
            cure="check the board's pose and that the whole panel reflects it",
            allowed=f"at least {ENOUGH} cells",
        )
    return flags, measured


def _quality(
    dots: Dots, view: View, column: Array, row: Array, measured: Array, inside: Array
) -> QualityMaps:
    """The photo's quality, by the light between the dots and the dots' contrast to it."""
    blown = view.photo.saturated
    clipped = np.zeros(measured.shape, bool)
    at = column.astype(np.float32), row.astype(np.float32)
    if blown.any():
        clipped = inside & (cv2.remap(blown.astype(np.uint8), *at, cv2.INTER_NEAREST) > 0)
    contrast = float(np.median(dots.blobs.contrast[dots.used]))
    ground = cv2.remap(view.photo.image, *at, cv2.INTER_AREA).astype(float)
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    return QualityMaps(
        lit=measured,
        clipped=clipped,
        modulation=0.5 * contrast / np.maximum(ground + 0.5 * contrast, 1e-6),
        level=ground,
        stripe_px=dots.spacing_mm / pitch,
        stripes_across=float(np.ptp(dots.number[dots.used], axis=0).min()),
        misprints=0,
    )
