"""Two photos of reflected stripes to slopes and height.

The surface as known so far predicts, for each photo, where its stripes should lie; the lock-in measures how
far off they are; the two photos' corrections become slopes, the slopes a height, and the height a better
place to rectify the photos on. Three to five rounds settle it, crowned panels included.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.errors import NotMeasuredError
from surfscan.flags import bit
from surfscan.optics.field import FINE, pixel_pitch, rectify, to_fine
from surfscan.optics.mirror import Hit, hit_board
from surfscan.phase.carrier import Tiles, tile_frequencies
from surfscan.phase.lockin import LockIn, follow_stripes
from surfscan.phase.misprint import Misprint, find_misprint, repair
from surfscan.phase.order import unwrap
from surfscan.phase.waveform import draw_stripes, fold_waveform, steepness
from surfscan.poisson import label_islands
from surfscan.reading.approach import check_stripes, fit_crown, predict_frequency
from surfscan.records import Array, Board, Grid, Picture, Reading, View
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly, fit_polynomial, newton_step, polynomial_terms

__all__ = ["read_stripes"]

WINDOW = (0.45, 0.3)
"""Window across the stripes, in periods: the first, before the stripes' waveform is known, passes 2 % of a
period-long ripple and nothing of the third harmonic; later the waveform takes the harmonics off, and a shorter
window follows small spots sooner."""

MISPRINT_ROUND = 2
"""The round that looks for displaced stripe edges: by then the surface is known to a few micrometres."""

WAVEFORM_ROUND = 2
"""The round from which the stripes' own waveform is used."""

UNTOLD = 0.1
"""Weight under which a slope is taken from the height instead of from its photo."""

WINDOW_ALONG = 0.2
"""Window along the stripes, in periods: enough to quieten noise, short enough to keep small spots."""


@dataclass(slots=True)
class _Track:
    """What is carried from round to round for one photo."""

    view: View
    misprint: Misprint | None = None
    waveform: Array | None = None
    telling: Array | None = None
    period_mm: float = 0.0
    offset_rad: float = 0.0
    spacing_mm: float = 0.0
    lock: LockIn | None = None
    state: Array | None = None
    grain: float = 0.0
    wanted_mm: Array | None = None
    good: Array | None = None


@dataclass(slots=True)
class _Surface:
    """The surface as known so far, everywhere on the coarse grid."""

    x: Array
    y: Array
    z: Array
    p: Array
    q: Array


def read_stripes(
    views: list[View],
    *,
    board: Board,
    grid: Grid,
    region: Array,
    level_at_mm: Array,
    start_curvature: Array | None = None,
    progress: Callable[[float], None] | None = None,
    rounds: int = 6,
) -> Reading:
    """Read slopes and height from two photos of stripes.

    Parameters
    ----------
    views : list of two View
        One with ``varies`` "across", one with "up".
    board : Board
    grid : Grid
        The coarse grid.
    region : ndarray (H, W), int32
        Flags of the judged region, 0 inside.
    level_at_mm : ndarray (N, 2)
        Places, at least three and not in line, whose heights define z = 0 (the tags).
    start_curvature : ndarray (3,), optional
        First guess of (z_xx, z_xy, z_yy), 1/mm.
    progress : callable, optional
        Told a share from 0 to 1.
    rounds : int
        Most rounds.

    Returns
    -------
    Reading

    Raises
    ------
    RefusedError, NotMeasuredError
        When the stripes can't be read at all.
    """
    inside = region == 0
    if inside.sum() < 400:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(inside.sum())} cells of {grid.step_mm:g} mm",
            cure="judge a larger region or leave less out",
        )
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    surface = _carry(views, board, grid, region, x, y, start_curvature)
    fine_region = (
        cv2.resize(inside.astype(np.uint8), None, fx=FINE, fy=FINE, interpolation=cv2.INTER_NEAREST) > 0
    )
    fine_region[[0, -1]] = fine_region[:, [0, -1]] = False
    measured, last, closure, turn = inside, np.inf, np.nan, 0
    tracks = [_Track(view, period_mm=board.period_mm) for view in views]
    for turn in range(rounds):
        change = max(_follow(track, turn, surface, board, grid, inside, fine_region) for track in tracks)
        measured = np.logical_and(*(track.good for track in tracks))
        if measured.sum() < 400:
            break
        surface, closure = _settle(surface, tracks, board, measured, grid, reach, level_at_mm)
        if progress is not None:
            progress((turn + 1) / rounds)
        if turn >= 3 and (change < 0.004 or change > 0.9 * last):
            break
        last = change
    return _finish(tracks, board, grid, region, surface, measured, closure, turn + 1)


def _carry(views, board, grid, region, x, y, start):  # type: ignore[no-untyped-def]
    """The crown, and with it a first surface to predict stripes from."""
    curvature = np.zeros(3) if start is None else np.asarray(start, float)
    for turn in range(2):
        a, b, c = curvature
        z = 0.5 * (a * x * x + 2 * b * x * y + c * y * y)
        sets = []
        for view in views:
            picture, state = rectify(view.photo, x, y, z, camera=view.camera, pose=view.pose)
            shrunk = cv2.resize(picture, (x.shape[1], x.shape[0]), interpolation=cv2.INTER_AREA)
            good = (region == 0) & (state[::FINE, ::FINE] == 0)
            tiles = tile_frequencies(shrunk, good, tile_px=48)
            cx = grid.x_mm[0] + tiles.column * grid.step_mm
            cy = grid.y_mm[0] + tiles.row * grid.step_mm
            tiles = Tiles(cx, cy, tiles.fx / grid.step_mm, tiles.fy / grid.step_mm, tiles.strength)
            if turn == 0:
                axes = {
                    axis: predict_frequency(
                        cx, cy, curvature, camera_mm=view.pose.centre_mm, board=board, varies=axis
                    )
                    for axis in ("across", "up")
                }
                check_stripes(tiles, axes, varies=view.varies, file=view.photo.file)
            sets.append((cx, cy, tiles, view.pose.centre_mm, view.varies))
        curvature = fit_crown(sets, board=board, start=curvature)
    a, b, c = curvature
    return _Surface(x, y, 0.5 * (a * x * x + 2 * b * x * y + c * y * y), a * x + b * y, b * x + c * y)


def _follow(track, turn, surface, board, grid, inside, fine_region):  # type: ignore[no-untyped-def]
    """One round for one photo: where its stripes are now; returns the rms change in radians."""
    view = track.view
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    place = hit.across_mm if view.varies == "across" else hit.up_mm
    turned = 2 * np.pi / board.period_mm
    picture, state = rectify(view.photo, surface.x, surface.y, surface.z, camera=view.camera, pose=view.pose)
    gy, gx = np.gradient(place, grid.step_mm)
    fx, fy = np.nanmedian(np.abs(gx[inside])), np.nanmedian(np.abs(gy[inside]))
    track.spacing_mm = board.period_mm / max(float(np.hypot(fx, fy)), 1e-9)
    period_px = FINE * track.spacing_mm / grid.step_mm
    across, along = WINDOW[turn >= WAVEFORM_ROUND] * period_px, max(WINDOW_ALONG * period_px, 1.0)
    # A finite prediction everywhere: rays that miss the board are masked later by the board's size.
    predicted = to_fine(np.where(np.isfinite(place), place, 0.0)) * turned
    seen = fine_region & (state == 0)
    if turn == MISPRINT_ROUND or (turn == MISPRINT_ROUND + 1 and track.misprint is not None):
        track.misprint = _look_for_misprint(track, surface, board, grid, picture, seen)
    if track.misprint is not None and track.lock is not None:
        picture = repair(
            picture,
            predicted + track.offset_rad,
            to_fine(track.lock.amplitude),
            misprint=track.misprint,
            period_mm=board.period_mm,
            slope_turns=1 / period_px,
        )
    level = _level(track, picture, seen, period_px)
    picture = picture - level
    sigma = (across, along) if fx >= fy else (along, across)
    firm = 0.0 if turn == 0 else 1.0
    lock = follow_stripes(picture, seen, predicted, every=FINE, sigma_px=sigma, level_known=firm)
    lag = None
    if turn >= WAVEFORM_ROUND and track.lock is not None:
        # The same stripes drawn where they are predicted: what the window makes of those is no phase.
        strength = to_fine(
            np.maximum(_spread(track.lock.amplitude, track.good, 0.5 * period_px / FINE), 1e-6)
        )
        if track.waveform is None or turn == WAVEFORM_ROUND:
            calm = seen & (
                cv2.resize(track.good.astype(np.uint8), seen.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
            )
            measured = (predicted + track.offset_rad)[calm][::3]
            track.waveform = fold_waveform((picture[calm] / strength[calm])[::3], measured)
        drawn = draw_stripes(track.waveform, predicted + track.offset_rad, strength)
        twin = follow_stripes(drawn, seen, predicted, every=FINE, sigma_px=sigma, level_known=firm)
        lag = twin.residual_rad - track.offset_rad
        track.telling = _telling(track.waveform, predicted + track.offset_rad, seen, sigma)
    lock = replace(
        lock, level=lock.level + cv2.resize(level, lock.level.shape[::-1], interpolation=cv2.INTER_AREA)
    )
    worst = np.bitwise_or.reduce([state[a::FINE, b::FINE] for a in range(FINE) for b in range(FINE)])
    good = inside & (worst == 0) & np.isfinite(lock.residual_rad) & _on_board(hit, board)
    good &= _strong(lock, good)
    residual = lock.residual_rad if lag is None else lock.residual_rad - lag
    if turn < 2:
        residual = unwrap(residual, good)
        offset = float(np.median(residual[good])) if good.any() else 0.0
    else:
        near = np.angle(np.exp(1j * (residual - track.offset_rad)))
        offset = track.offset_rad + (float(np.median(near[good])) if good.any() else 0.0)
        residual = offset + np.angle(np.exp(1j * (residual - offset)))
    good &= np.isfinite(residual)
    residual = residual - offset
    track.offset_rad, track.lock, track.state, track.good = offset, lock, worst, good
    track.wanted_mm = place + residual / turned
    track.grain = _grain(picture, seen, 0 if fx >= fy else 1)
    return float(np.sqrt(np.mean(residual[good] ** 2))) if good.any() else 0.0


def _level(track: _Track, picture: Array, seen: Array, period_px: float) -> Array:
    """Smooth level to take off first: a level that changes across the stripes pulls on their phase."""
    if track.lock is None or track.good is None or not track.good.any():
        weight = seen.astype(np.float32)
        share = cv2.GaussianBlur(weight, (0, 0), period_px)
        return np.asarray(cv2.GaussianBlur(picture * weight, (0, 0), period_px) / np.maximum(share, 1e-3))
    smooth = _spread(track.lock.level, track.good, 0.7 * period_px / FINE)
    return np.asarray(to_fine(smooth), dtype=np.float32)


def _spread(value: Array, good: Array, sigma_px: float) -> Array:
    """Smooth a map over its good cells and continue it beyond them; far from any, its median."""
    weight = good.astype(np.float32)
    share = cv2.GaussianBlur(weight, (0, 0), sigma_px)
    soft = cv2.GaussianBlur(np.where(good, value, 0.0).astype(np.float32), (0, 0), sigma_px)
    return np.where(share > 1e-3, soft / np.maximum(share, 1e-3), np.median(value[good])).astype(float)


def _telling(waveform: Array, phase: Array, seen: Array, sigma_px: tuple[float, float]) -> Array:
    """How much the picture tells about the phase around each coarse cell, 1 for what is usual.

    Inside one stripe that a hollow has stretched wide, nothing changes with the phase: the other photo and the
    law that slopes have no curl must decide there.
    """
    power = draw_stripes(steepness(waveform), phase, seen.astype(np.float32)) ** 2
    size = [int(2 * np.ceil(3.0 * s) + 1) for s in sigma_px]
    around = cv2.GaussianBlur(power, size, sigma_px[0], sigmaY=sigma_px[1], borderType=cv2.BORDER_CONSTANT)
    coarse = cv2.resize(
        around, (phase.shape[1] // FINE, phase.shape[0] // FINE), interpolation=cv2.INTER_AREA
    )
    usual = float(np.median(coarse[coarse > 0])) if (coarse > 0).any() else 1.0
    return np.asarray(np.minimum(coarse / usual, 1.0), dtype=float)


def _grain(picture: Array, seen: Array, axis: int) -> float:
    """Noise of a rectified picture's cells: what changes from cell to cell along the stripes."""
    both = seen[1:] & seen[:-1] if axis == 0 else seen[:, 1:] & seen[:, :-1]
    step = np.diff(picture, axis=axis)[both][::7]
    return float(1.4826 * np.median(np.abs(step)) / np.sqrt(2)) if step.size else 0.0


def _look_for_misprint(track, surface, board, grid, picture, seen):  # type: ignore[no-untyped-def]
    """Compare the stripe edges with the course that a smooth panel would give them."""
    x, y = surface.x / np.abs(surface.x).max(), surface.y / np.abs(surface.y).max()
    good = track.good
    pick = np.zeros(good.shape, bool)
    pick[::3, ::3] = True
    pick &= good
    course = polynomial_terms(x, y, 5) @ fit_polynomial(x[pick], y[pick], track.wanted_mm[pick], 5)
    away = np.abs(track.wanted_mm - course)
    calm = good & (away < max(0.05 * board.period_mm, 2.5 * float(np.median(away[good]))))
    calm_fine = cv2.resize(calm.astype(np.uint8), seen.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    phase = to_fine(course) * (2 * np.pi / board.period_mm) + track.offset_rad
    # Level and amplitude over a few stripes: one displaced edge must not move its own reference.
    reach_px = 2.0 * track.spacing_mm / grid.step_mm
    level, amplitude = (to_fine(_spread(a, good, reach_px)) for a in (track.lock.level, track.lock.amplitude))
    return find_misprint(
        picture,
        seen & calm_fine,
        phase,
        level,
        amplitude,
        period_mm=board.period_mm,
        period_px=FINE * track.spacing_mm / grid.step_mm,
    )


def _on_board(hit: Hit, board: Board) -> Array:
    half_w, half_h = board.size_mm[0] / 2, board.size_mm[1] / 2
    with np.errstate(invalid="ignore"):
        return np.asarray((np.abs(hit.across_mm) < half_w) & (np.abs(hit.up_mm) < half_h))


def _strong(lock: LockIn, good: Array) -> Array:
    """Stripes at least a quarter as strong as is usual on this photo, seen through half a window."""
    usual = np.median(lock.amplitude[good]) if good.any() else 0.0
    return np.asarray((lock.amplitude > 0.25 * usual) & (lock.amplitude > 1e-4) & (lock.support > 0.25))


def _settle(surface, tracks, board, measured, grid, reach, level_at_mm):  # type: ignore[no-untyped-def]
    """Solve for slopes, integrate, level on the tags' plane, and continue the surface where it is not seen."""
    p, q = surface.p, surface.q
    for _ in range(2):
        sides = []
        for track in tracks:
            hit = hit_board(
                surface.x, surface.y, surface.z, p, q, camera_mm=track.view.pose.centre_mm, board=board
            )
            sides.append((hit, track.wanted_mm, track.view.varies))
        dp, dq = newton_step(sides[0], sides[1])
        solved = measured & np.isfinite(dp) & np.isfinite(dq)
        p, q = p + np.where(solved, dp, 0), q + np.where(solved, dq, 0)
    x, y = surface.x / reach, surface.y / reach
    wide = 8.0
    p = continue_smoothly(p, measured, x, y, reach_px=wide)
    q = continue_smoothly(q, measured, x, y, reach_px=wide)
    wp, wq = _weights(tracks, measured)
    z, _ = integrate_slopes(p, q, step_mm=grid.step_mm, weight=(wp, wq), tolerance=1e-5, start=surface.z)
    tilt = _tags_plane(z, grid, level_at_mm)
    z = z - (tilt[0] + tilt[1] * surface.x + tilt[2] * surface.y)
    p, q = p - tilt[1], q - tilt[2]
    if tracks[0].telling is not None:  # where a photo tells nothing, the height knows better
        zy, zx = np.gradient(z, grid.step_mm)
        p, q = np.where(wp < UNTOLD, zx, p), np.where(wq < UNTOLD, zy, q)
    closure = _closure(p, q, measured, grid.step_mm)
    return _Surface(surface.x, surface.y, z, p, q), closure


def _weights(tracks: list[_Track], measured: Array) -> tuple[Array, Array]:
    """Weights of p and q: the photo whose stripes vary across tells p, the other q."""
    out = []
    for axis in ("across", "up"):
        track = next(t for t in tracks if t.view.varies == axis)
        told = np.ones(measured.shape) if track.telling is None else np.maximum(track.telling, 1e-3) ** 2
        out.append(np.where(measured, told, 1e-3))
    return out[0], out[1]


def _tags_plane(z: Array, grid: Grid, level_at_mm: Array) -> Array:
    """Plane (constant, x, y) through the surface, continued under their paper, at the tags."""
    column = np.clip((level_at_mm[:, 0] - grid.x_mm[0]) / grid.step_mm, 0, grid.x_mm.size - 1)
    row = np.clip((level_at_mm[:, 1] - grid.y_mm[0]) / grid.step_mm, 0, grid.y_mm.size - 1)
    at = z[np.rint(row).astype(int), np.rint(column).astype(int)]
    design = np.column_stack([np.ones(len(at)), level_at_mm])
    return np.asarray(np.linalg.lstsq(design, at, rcond=None)[0])


def _closure(p: Array, q: Array, measured: Array, step_mm: float) -> float:
    """Root mean square disagreement of the two slopes, mrad: the curl over one cell."""
    curl = np.gradient(p, step_mm, axis=0) - np.gradient(q, step_mm, axis=1)
    inner = cv2.erode(measured.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    return float(1e3 * np.sqrt(np.mean(curl[inner] ** 2)) * step_mm) if inner.any() else float("nan")


def _finish(tracks, board, grid, region, surface, measured, closure, rounds):  # type: ignore[no-untyped-def]
    """Flags, noise and the height of each island by itself."""
    flags = region.copy()
    inside = region == 0
    pictures, gains, white = [], [], 0.0
    for track in tracks:
        view, lock = track.view, track.lock
        hit = hit_board(
            surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
        )
        slope = hit.d_across if view.varies == "across" else hit.d_up
        gains.append(float(np.nanmedian(np.hypot(slope[0], slope[1])[inside])))
        flags |= np.where(inside, track.state, 0)
        flags[inside & (track.state == 0) & ~_on_board(hit, board)] |= bit("off_board")
        clear = inside & (track.state == 0)
        strong = _strong(lock, clear)
        flags[clear & ~strong] |= bit("weak_stripes")
        amplitude = float(np.median(lock.amplitude[track.good])) if track.good.any() else np.inf
        per_cell = np.sqrt(2.0) * track.grain / (amplitude * FINE) * board.period_mm / (2 * np.pi) / gains[-1]
        white += per_cell**2 / 2
        pictures.append(_picture(track, grid, inside, strong & _on_board(hit, board) & clear))
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    p, q = np.where(measured, surface.p, np.nan), np.where(measured, surface.q, np.nan)
    height, _ = integrate_slopes(
        p, q, step_mm=grid.step_mm, weight=_weights(tracks, measured), start=surface.z, tolerance=1e-7
    )
    count, labels = label_islands(measured)
    for k in range(1, count + 1):
        part = labels == k
        height[part] += np.mean(surface.z[part] - height[part])
        if k > 1:
            flags[part] |= bit("island")
    periods = np.array([track.spacing_mm for track in tracks])
    size = max(np.sqrt(measured.sum()), 4.0)
    # Southwell's noise coefficient grows as ln(N)/(2 pi) (check: 0.8856 at N = 100, 1.2545 at N = 1000).
    noise = float(np.sqrt((np.log(size) / (2 * np.pi) + 0.15) * white)) * grid.step_mm
    uneven = 1e-3 * closure * float(periods.max()) / (2 * np.pi)
    return Reading(
        grid, height, p, q, noise, uneven, flags, closure, np.array(gains), periods, rounds, tuple(pictures)
    )


def _picture(track, grid, inside, lit):  # type: ignore[no-untyped-def]
    lock = track.lock
    place = np.where(lit, track.wanted_mm, np.nan)
    gy, gx = np.gradient(place, grid.step_mm)
    stretch = np.hypot(gx, gy) / track.period_mm  # periods per mm of panel
    worst = float(np.nanpercentile(stretch, 95)) if np.isfinite(stretch).any() else np.nan
    pitch = pixel_pitch((0.0, 0.0), camera=track.view.camera, pose=track.view.pose)
    across = float(np.nanpercentile(place, 99.5) - np.nanpercentile(place, 0.5)) if lit.any() else 0.0
    return Picture(
        lit=lit,
        clipped=inside & ((track.state & bit("saturated")) != 0),
        modulation=lock.modulation,
        level=lock.level,
        stripe_px=1 / (worst * pitch) if worst > 0 else 0.0,
        stripes_across=across / track.period_mm,
        misprints=0 if track.misprint is None else int(np.count_nonzero(track.misprint.shift_mm)),
    )
