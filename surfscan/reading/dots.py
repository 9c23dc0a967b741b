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
from scipy.spatial import cKDTree

from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import QualityMaps, Reading, View
from surfscan.core.records import Array, Board, Grid
from surfscan.optics.field import FINE, pixel_pitch
from surfscan.optics.lens import project, undistort
from surfscan.optics.mirror import Hit, hit_board
from surfscan.phase.dots import Blobs, find_blobs, number_lattice
from surfscan.reading.follow import Surface, on_board
from surfscan.reading.settle import level_on
from surfscan.surface.scattered import Spline, fit_slopes

__all__ = ["dots_grid_mm", "read_dots"]

FEWEST = 30
"""Fewest dots that make a surface."""

REACH = 0.5
"""How far beyond the outermost dots the surface is still given, in reflected spacings."""

UNFIT = 0.5
"""A dot that lies this far, in lattice steps, from where the surface through its neighbours would have it is wrong:
another dot would be nearer."""

ADOPTED = 0.35
"""A dot without a number takes the one that the surface gives it when it lies within this many lattice steps."""

AROUND = 2.5
"""How far around dots that fit nothing the surface is not given, in reflected spacings."""


def dots_grid_mm(size_mm: tuple[float, float], view: View, board: Board) -> float:
    """Coarse grid step for one photo of dots: eight cells to a reflected spacing, never finer than the photo."""
    camera_mm = view.pose.centre_mm
    hit = _plane_hit(np.array([0.0, 1.0]), np.zeros(2), camera_mm, board)
    stretch = abs(float(np.diff(hit.across_mm)[0]))
    pitch = pixel_pitch(size_mm, camera=view.camera, pose=view.pose)
    step = max(board.period_mm / max(stretch, 1e-3) / 8, FINE * pitch)
    return float(np.clip(step, np.sqrt(size_mm[0] * size_mm[1] / 1e6), min(size_mm) / 60))


def _plane_hit(x: Array, y: Array, camera_mm: Array, board: Board) -> Hit:
    return hit_board(x, y, 0.0, 0.0, 0.0, camera_mm=camera_mm, board=board)


@dataclass(slots=True)
class _Dots:
    """The dots in use: photo places, lattice numbers; what the last round made of them."""

    blobs: Blobs
    number: Array
    known: Array
    x: Array
    y: Array
    used: Array


def read_dots(
    view: View,
    *,
    board: Board,
    grid: Grid,
    region: Array,
    level_at_mm: Array,
    start_curvature: Array | None = None,
    progress: Callable[[float], None] | None = None,
    rounds: int = 10,
) -> Reading:
    """Read slopes and height from one photo of a lattice of round lights.

    Parameters
    ----------
    view : View
        ``varies`` is not used.
    board : Board
        ``period_mm`` is the spacing of the lights.
    grid, region, level_at_mm, start_curvature, progress
        As in `read_stripes`.
    rounds : int
        Most rounds.

    Returns
    -------
    Reading
        ``period_mm`` is the reflected spacing in both directions; one picture.

    Raises
    ------
    NotMeasuredError
        Too few dots, or dots in no lattice.
    """
    inside = region == 0
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    a, b, c = np.zeros(3) if start_curvature is None else np.asarray(start_curvature, float)
    start = Surface(x, y, 0.5 * (a * x * x + 2 * b * x * y + c * y * y), a * x + b * y, b * x + c * y)
    surface = level_on(start, grid, level_at_mm)
    spacing = _spacing_mm(surface, inside, view, board, grid)
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    usable = _usable(view, grid)
    blobs = find_blobs(view.photo.image, usable, spacing_px=spacing / pitch)
    enough = len(blobs.column) >= FEWEST
    dots = _number(blobs, view, surface, board, grid) if enough else None
    if dots is None or dots.known.sum() < FEWEST:
        raise NotMeasuredError(
            f"{view.photo.file}: no lattice of dots on the panel",
            found=f"{len(blobs.column)} dots, {0 if dots is None else int(dots.known.sum())} of them in a lattice",
            allowed=f"at least {FEWEST}",
            cure="place the board so that the whole panel reflects it; darken the room, or wet the panel",
        )
    spacing = _seen_spacing(dots)
    dots.used = dots.known.copy()
    box = (grid.x_mm[0], grid.x_mm[-1], grid.y_mm[0], grid.y_mm[-1])
    box = (box[0] - spacing, box[1] + spacing, box[2] - spacing, box[3] + spacing)
    spline, misfit, turn, last = None, np.zeros((len(blobs.column), 2)), 0, np.inf
    while turn < rounds:
        fresh, spline, misfit = _round(dots, spline, surface, view, board, grid, level_at_mm, box, spacing)
        change = float(np.abs(fresh.z - surface.z)[inside].max())
        surface = fresh
        turn += 1
        if progress is not None:
            progress(turn / rounds)
        if turn == 2:
            gain = _gain(surface, view, board, inside)
            _drop_unfit(dots, _crossed(dots, spline, misfit, box, spacing), UNFIT * board.period_mm / gain)
        if turn > 1 and _adopt(dots, surface, view, board, grid):
            last = np.inf
            continue
        if turn > 3 and (change < 1e-4 or change > 0.9 * last):
            break
        last = change
    return _finish(dots, spline, misfit, surface, view, board, grid, region, box, spacing, turn)


def _usable(view: View, grid: Grid) -> Array:
    """Where in the photo the panel is: inside its rectangle, off the tags. Dots beyond the judged region help."""
    x, y = grid.x_mm, grid.y_mm
    edge = 0.5 * grid.step_mm
    n = 40
    top, side = np.linspace(x[0] - edge, x[-1] + edge, n), np.linspace(y[0] - edge, y[-1] + edge, n)
    ring_x = np.concatenate([top, np.full(n, x[-1] + edge), top[::-1], np.full(n, x[0] - edge)])
    ring_y = np.concatenate([np.full(n, y[0] - edge), side, np.full(n, y[-1] + edge), side[::-1]])
    column, row = project(ring_x, ring_y, 0.0, camera=view.camera, pose=view.pose)
    outline = np.nan_to_num(np.column_stack([column, row]), nan=-1e4)
    mask = np.zeros(view.photo.image.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(np.clip(outline, -1e5, 1e5) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    for hidden in view.hidden_px:
        cv2.fillConvexPoly(mask, np.rint(hidden * 16).astype(np.int32), 0, cv2.LINE_8, 4)
    return np.asarray(cv2.erode(mask, np.ones((3, 3), np.uint8), borderValue=0) > 0)


def _spacing_mm(surface: Surface, inside: Array, view: View, board: Board, grid: Grid) -> float:
    """Reflected spacing that the surface predicts, mm on the panel."""
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    uy, ux = np.gradient(hit.across_mm, grid.step_mm)
    vy, vx = np.gradient(hit.up_mm, grid.step_mm)
    area = float(np.nanmedian(np.abs(ux * vy - uy * vx)[inside]))
    return board.period_mm / max(np.sqrt(area), 1e-3)


def _on_panel(
    view: View, blobs: Blobs, spline: Spline | None, surface: Surface, grid: Grid
) -> tuple[Array, Array]:
    """Panel places (N,) that the dots' pixels look at, on the surface as known so far."""
    ideal = undistort(np.column_stack([blobs.column, blobs.row]), camera=view.camera)
    ray = np.column_stack([ideal, np.ones(len(ideal))]) @ view.pose.rotation
    centre = view.pose.centre_mm
    z = np.zeros(len(ideal))
    x = y = z
    for _ in range(4):
        t = (z - centre[2]) / ray[:, 2]
        x, y = centre[0] + t * ray[:, 0], centre[1] + t * ray[:, 1]
        z = _sample(surface.z, x, y, grid) if spline is None else spline.at(x, y)[0]
    return x, y


def _sample(value: Array, x: Array, y: Array, grid: Grid) -> Array:
    """Linear interpolation of a grid map at places (N,)."""
    column = ((x - grid.x_mm[0]) / grid.step_mm).astype(np.float32)
    row = ((y - grid.y_mm[0]) / grid.step_mm).astype(np.float32)
    flat = cv2.remap(value, column[None], row[None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat[0], dtype=float)


def _number(blobs: Blobs, view: View, surface: Surface, board: Board, grid: Grid) -> _Dots:
    x, y = _on_panel(view, blobs, None, surface, grid)
    z, p, q = (_sample(v, x, y, grid) for v in (surface.z, surface.p, surface.q))
    hit = hit_board(x, y, z, p, q, camera_mm=view.pose.centre_mm, board=board)
    u, v = np.nan_to_num(hit.across_mm, nan=1e6), np.nan_to_num(hit.up_mm, nan=1e6)
    number, known = number_lattice(u, v, spacing=board.period_mm)
    return _Dots(blobs, number, known, x, y, known.copy())


def _seen_spacing(dots: _Dots) -> float:
    """Median distance on the panel of dots that are neighbours in the lattice, mm."""
    place = {tuple(n): k for k, n in enumerate(dots.number) if dots.known[k]}
    gaps = [
        np.hypot(dots.x[k] - dots.x[other], dots.y[k] - dots.y[other])
        for (i, j), k in place.items()
        for other in (place.get((i + 1, j)), place.get((i, j + 1)))
        if other is not None
    ]
    return float(np.median(gaps)) if gaps else 1.0


def _round(
    dots: _Dots,
    spline: Spline | None,
    surface: Surface,
    view: View,
    board: Board,
    grid: Grid,
    level_at_mm: Array,
    box: tuple[float, float, float, float],
    spacing: float,
) -> tuple[Surface, Spline, Array]:
    """Dots onto the surface, hits to slopes, a surface through them, level."""
    camera_mm = view.pose.centre_mm
    x, y = _on_panel(view, dots.blobs, spline, surface, grid)
    if spline is not None:
        shift_x, shift_y = _disc_shift(dots, spline, x, y, camera_mm, board, view)
        x, y = x - shift_x, y - shift_y
    dots.x, dots.y = x, y
    z, p, q = (
        (_sample(v, x, y, grid) for v in (surface.z, surface.p, surface.q))
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
    fresh = fit_slopes(x[use], y[use], p[use], q[use], box_mm=box, spacing_mm=spacing)
    fresh = _level(fresh, level_at_mm)
    at = fresh.at(x, y)
    # The tilt that levelling took is no misfit.
    misfit = np.column_stack([p - at[1], q - at[2]])
    misfit = misfit - np.median(misfit[use], 0)
    gz, gp, gq = fresh.on_grid(grid.x_mm, grid.y_mm)
    return Surface(surface.x, surface.y, gz, gp, gq), fresh, misfit


def _level(spline: Spline, level_at_mm: Array) -> Spline:
    """Take the plane through the tags off; a plane's B-spline coefficients are its heights at the knots' middles."""
    at = spline.at(level_at_mm[:, 0], level_at_mm[:, 1])[0]
    tilt = np.linalg.lstsq(np.column_stack([np.ones(len(at)), level_at_mm]), at, rcond=None)[0]
    ny, nx = spline.coefficients.shape
    x = spline.x0_mm + spline.step_mm * (np.arange(nx) - 1.0)
    y = spline.y0_mm + spline.step_mm * (np.arange(ny) - 1.0)
    plane = tilt[0] + tilt[1] * x[None, :] + tilt[2] * y[:, None]
    return Spline(spline.x0_mm, spline.y0_mm, spline.step_mm, spline.coefficients - plane)


def _disc_shift(
    dots: _Dots, spline: Spline, x: Array, y: Array, camera_mm: Array, board: Board, view: View
) -> tuple[Array, Array]:
    """How far the centroid of a light's image lies from the image of its centre, mm on the panel.

    The image of a disc of radius r, with K = dx/du the inverse of the reflection's Jacobian: its mean is off by
    r^2/4 (1/2 tr(d2x/du2) + K grad ln det K), to second order in r.
    """
    step = 0.25 * spline.step_mm

    def hits(dx: float, dy: float) -> Array:
        z, p, q = spline.at(x + dx, y + dy)
        hit = hit_board(x + dx, y + dy, z, p, q, camera_mm=camera_mm, board=board)
        return np.stack([hit.across_mm, hit.up_mm])

    mid, right, left = hits(0, 0), hits(step, 0), hits(-step, 0)
    above, below = hits(0, step), hits(0, -step)
    mixed = hits(step, step) - hits(step, -step) - hits(-step, step) + hits(-step, -step)
    jacobian = np.moveaxis(np.stack([right - left, above - below]) / (2 * step), (1, 0), (1, 2))  # (N, a, i)
    bend = np.empty((x.size, 2, 2, 2))  # (N, a, i, m)
    bend[:, :, 0, 0] = ((right - 2 * mid + left) / step**2).T
    bend[:, :, 1, 1] = ((above - 2 * mid + below) / step**2).T
    bend[:, :, 0, 1] = bend[:, :, 1, 0] = (mixed / (4 * step**2)).T
    det = np.linalg.det(jacobian)
    usual = np.nanmedian(np.abs(det))
    fine = np.isfinite(bend).all((1, 2, 3)) & (np.abs(det) > 0.1 * usual)
    inverse = np.linalg.inv(np.where(fine[:, None, None], jacobian, np.eye(2)))  # K (N, i, a)
    bend = np.where(fine[:, None, None, None], bend, 0.0)
    square = np.einsum("nia,nma->nim", inverse, inverse)  # K K^T
    first = -0.5 * np.einsum(
        "nia,naim->nm", inverse, np.einsum("nakl,nkl->na", bend, square)[:, :, None, None] * np.eye(2)
    )
    slope = -np.einsum("nia,naim->nm", inverse, bend)  # grad_x ln det K
    second = np.einsum("nim,nm->ni", square, slope)
    # The light's radius from the area of its image: px to panel to board.
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    radius2 = float(np.nanmedian((dots.blobs.area_px * pitch**2 * np.abs(det))[dots.used])) / np.pi
    shift = 0.25 * radius2 * (first + second)
    limit = 0.1 * spline.step_mm * 2.5
    shift = np.where(fine[:, None], np.clip(shift, -limit, limit), 0.0)
    return shift[:, 0], shift[:, 1]


def _gain(surface: Surface, view: View, board: Board, inside: Array) -> float:
    """Board millimetres per unit slope, the lesser of both directions."""
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    return min(float(np.nanmedian(np.hypot(*slope)[inside])) for slope in (hit.d_across, hit.d_up))


def _drop_unfit(dots: _Dots, crossed: Array, limit: float) -> None:
    """Take dots out that no surface through their neighbours has: wrong numbers, flecks, folds."""
    size = np.nan_to_num(np.hypot(crossed[:, 0], crossed[:, 1]))
    dots.used &= size < limit


def _adopt(dots: _Dots, surface: Surface, view: View, board: Board, grid: Grid) -> bool:
    """Number dots that the chain did not reach, where the surface found says which they are."""
    z, p, q = (_sample(v, dots.x, dots.y, grid) for v in (surface.z, surface.p, surface.q))
    hit = hit_board(dots.x, dots.y, z, p, q, camera_mm=view.pose.centre_mm, board=board)
    place = np.column_stack([hit.across_mm, hit.up_mm]) / board.period_mm
    offset = np.median((place - dots.number)[dots.used], 0)
    turn = place - offset
    near = np.abs(turn - np.round(turn)).max(1) < ADOPTED
    fresh = ~dots.known & near & np.isfinite(turn).all(1)
    taken = {tuple(n) for n in dots.number[dots.known]}
    for k in np.flatnonzero(fresh):
        name = np.round(turn[k]).astype(np.int64)
        if tuple(name) not in taken:
            taken.add(tuple(name))
            dots.number[k], dots.known[k], dots.used[k] = name, True, True
    return bool(fresh.any())


def _cover(dots: _Dots, grid: Grid, inside: Array, spacing: float) -> tuple[Array, Array]:
    """Cells between dots in use, and cells around dots that fit nothing."""
    mask: Array = np.zeros(grid.shape, np.uint8)
    place = {tuple(n): k for k, n in enumerate(dots.number) if dots.used[k]}
    pixel = np.column_stack([dots.x - grid.x_mm[0], dots.y - grid.y_mm[0]]) / grid.step_mm
    for i, j in place:
        corners = [place.get((i + a, j + b)) for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))]
        there = [k for k in corners if k is not None]
        if len(there) >= 3:
            cv2.fillConvexPoly(mask, np.rint(pixel[there] * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    reach = max(1, round(REACH * spacing / grid.step_mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    mask = cv2.dilate(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel), kernel)
    wrong = np.zeros(grid.shape, np.uint8)
    stray = ~dots.used & np.isfinite(pixel).all(1)
    # One odd dot is a fleck; several together are a fold or another lattice.
    if stray.sum() > 1:
        tree = cKDTree(pixel[stray])
        for k in np.flatnonzero(stray):
            if len(tree.query_ball_point(pixel[k], 1.6 * spacing / grid.step_mm)) > 2:
                centre = tuple(int(v) for v in np.rint(pixel[k]))
                # Numbers next to a fold are doubtful too, and its rim pulls on the surface.
                cv2.circle(wrong, centre, round(AROUND * spacing / grid.step_mm), 1, cv2.FILLED)
    return inside & (mask > 0), inside & (wrong > 0)


def _crossed(
    dots: _Dots, spline: Spline, misfit: Array, box: tuple[float, float, float, float], spacing: float
) -> Array:
    """Misfit (N, 2) of dots against surfaces fitted without them: every fourth dot left out in turn."""
    i, j = dots.number[:, 0] % 2, dots.number[:, 1] % 2
    at = spline.at(dots.x, dots.y)
    p, q = at[1] + misfit[:, 0], at[2] + misfit[:, 1]  # as measured, level
    out = np.full((dots.x.size, 2), np.nan)
    for part in range(4):
        left = dots.used & (2 * i + j == part)
        rest = dots.used & ~left
        if left.sum() < 4 or rest.sum() < FEWEST:
            continue
        trial = fit_slopes(dots.x[rest], dots.y[rest], p[rest], q[rest], box_mm=box, spacing_mm=spacing).at(
            dots.x[left], dots.y[left]
        )
        out[left] = np.column_stack([trial[1] - p[left], trial[2] - q[left]])
    return out


def _finish(
    dots: _Dots,
    spline: Spline | None,
    misfit: Array,
    surface: Surface,
    view: View,
    board: Board,
    grid: Grid,
    region: Array,
    box: tuple[float, float, float, float],
    spacing: float,
    rounds: int,
) -> Reading:
    assert spline is not None
    flags, inside = region.copy(), region == 0
    covered, wrong = _cover(dots, grid, inside, spacing)
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    uy, ux = np.gradient(hit.across_mm)
    vy, vx = np.gradient(hit.up_mm)
    area = ux * vy - uy * vx
    turned = area * np.sign(np.nanmedian(area[inside])) <= 0
    column, row = project(surface.x, surface.y, surface.z, camera=view.camera, pose=view.pose)
    height, width = view.photo.image.shape
    out = ~((column > 1) & (column < width - 2) & (row > 1) & (row < height - 2))
    measured = covered & ~wrong & ~out & ~turned
    flags[inside & out] |= bit("out_of_view")
    flags[inside & ~out & ~on_board(hit, board)] |= bit("off_board")
    flags[inside & (wrong | turned)] |= bit("fold")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    if measured.sum() < 400:
        raise NotMeasuredError(
            f"{view.photo.file}: the dots can't be read on this panel",
            found=f"{int(measured.sum())} cells measured",
            cure="check the board's pose and that the whole panel reflects it",
        )
    gains = np.array([float(np.nanmedian(np.hypot(*slope)[inside])) for slope in (hit.d_across, hit.d_up)])
    crossed = _crossed(dots, spline, misfit, box, spacing)
    seen_crossed = np.isfinite(crossed).any()
    crossed_rms = float(np.sqrt(np.nanmean(crossed**2))) if seen_crossed else 0.0
    # Where a fault is only a few dots wide, the surface between them is least certain: the worst half percent counts.
    crossed_worst = float(np.nanpercentile(np.abs(crossed), 99.5)) if seen_crossed else 0.0
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    stretch = board.period_mm / spacing
    noise = _centroid_noise_px(dots, view) * pitch * stretch / float(gains.min()) * spacing
    size = max(float(np.sqrt(dots.used.sum())), 4.0)
    noise *= float(np.sqrt(np.log(size) / (2 * np.pi) + 0.15))
    uneven = crossed_worst * spacing / (2 * np.pi)
    nan = np.where(measured, 0.0, np.nan)
    blown = view.photo.saturated
    clipped = np.zeros(grid.shape, bool)
    if blown.any():
        light = cv2.remap(
            blown.astype(np.uint8), column.astype(np.float32), row.astype(np.float32), cv2.INTER_NEAREST
        )
        clipped = inside & (light > 0)
    contrast = float(np.median(dots.blobs.contrast[dots.used]))
    ground = cv2.remap(
        view.photo.image, column.astype(np.float32), row.astype(np.float32), cv2.INTER_AREA
    ).astype(float)
    across = float(np.ptp(dots.number[dots.used], axis=0).min())
    picture = QualityMaps(
        lit=measured,
        clipped=clipped,
        modulation=0.5 * contrast / np.maximum(ground + 0.5 * contrast, 1e-6),
        level=ground,
        stripe_px=spacing / pitch,
        stripes_across=across,
        misprints=0,
    )
    return Reading(
        grid,
        surface.z + nan,
        surface.p + nan,
        surface.q + nan,
        noise,
        uneven,
        flags,
        1e3 * crossed_rms,
        gains,
        np.full(2, spacing),
        rounds,
        (picture,),
    )


def _centroid_noise_px(dots: _Dots, view: View) -> float:
    """Noise of a centroid: grain times the second moment of its window over the light in it.

    With M pixels of noise s about a dot of total light L, var = s^2 * sum(r^2) / L^2 in each direction.
    """
    image = view.photo.image
    used = dots.used
    area, contrast = dots.blobs.area_px[used], dots.blobs.contrast[used]
    column, row = dots.blobs.column[used].astype(int), dots.blobs.row[used].astype(int)
    steps = []
    for c, r in zip(column, row, strict=True):
        patch = image[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
        if patch.size == 9:
            steps.append(float(patch[1, 1] - 0.5 * (patch[1, 0] + patch[1, 2])))
    grain = 1.4826 * float(np.median(np.abs(steps))) / np.sqrt(1.5) if steps else 0.0
    window = 2.0 * area  # the window reaches beyond the dot's rim
    moment = window**2 / (4 * np.pi)
    return float(np.median(grain * np.sqrt(moment) / (area * contrast)))
