"""Two photos of reflected stripes to slopes and height.

The surface as known so far predicts, for each photo, where its stripes should lie; the lock-in measures how
far off they are; the two photos' corrections become slopes, the slopes a height, and the height a better
place to rectify the photos on. Three to six rounds settle it, crowned panels included.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.reading import Reading, View
from surfscan.core.records import Array, Board, Grid
from surfscan.job.photo_quality import THRESHOLDS
from surfscan.optics.field import FINE, Cutout, cut_out, rectify
from surfscan.optics.mirror import hit_board
from surfscan.phase.carrier import Tiles, tile_frequencies
from surfscan.reading.approach import check_stripes, fit_crown, predict_frequency
from surfscan.reading.finish import finish
from surfscan.reading.fold import find_folds
from surfscan.reading.follow import FOLD_ROUND, Surface, Track, follow, on_board
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import continue_smoothly, newton_step

__all__ = ["read_stripes"]

TOLD = 0.5
"""Information, against what is usual, from which a slope counts fully: set-up errors make the two photos disagree
a little everywhere, and weights that changed from place to place would turn that into false shape."""

UNTOLD = 0.1
"""Weight under which a slope is taken from the height instead of from its photo."""

SETTLED = 0.006
"""Rms change in radians below which the rounds end: 0.1 um of height on usual boards."""

SETTLED_PEAK = 0.03
"""The same for the largest changes."""

CLEARLY_FEW = 2.7
"""Stripes that the sheet's board would show across the panel, under which no photo of it need be looked at."""

ENOUGH = 400
"""Fewest measured cells that make a reading."""


def read_stripes(
    views: list[View],
    *,
    board: Board,
    grid: Grid,
    region: Array,
    level_at_mm: Array,
    start_curvature: Array | None = None,
    progress: Callable[[float], None] | None = None,
    rounds: int = 8,
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
    if inside.sum() < ENOUGH:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(inside.sum())} cells of {grid.step_mm:.2g} mm",
            cure="judge a larger region or leave less out",
        )
    reach = 0.1 * float(
        np.hypot(np.ptp(grid.x_mm), np.ptp(grid.y_mm))
    )  # a crown of 1 m radius stands off less
    cutouts = [cut_out(view, grid, reach_mm=reach) for view in views]
    surface = _carry(cutouts, board, grid, region, level_at_mm, start_curvature)
    tracks = [Track(cutout) for cutout in cutouts]
    measured, last, closure = inside, np.inf, float("nan")
    folded = np.zeros(grid.shape, bool)
    odd = np.zeros(grid.shape, bool)
    turn = 0
    with ThreadPoolExecutor(2) as pool:
        while turn < rounds:
            use = inside & ~folded & ~odd
            # Each photo on its own thread; nothing is shared but what nobody writes, so the result is the same on one.
            followed = list(
                pool.map(
                    lambda track, t=turn, s=surface, u=use: follow(
                        track, t, s, board=board, grid=grid, inside=u
                    ),
                    tracks,
                )
            )
            change = max(found.change_rad for found in followed)
            peak = max(found.peak_rad for found in followed)
            measured = tracks[0].found.good & tracks[1].found.good
            if measured.sum() < ENOUGH:
                break
            surface, closure = _settle(surface, tracks, board, measured, grid, level_at_mm)
            turn += 1
            if progress is not None:
                progress(turn / rounds)
            if turn == FOLD_ROUND + 1:
                folded, odd = find_folds([track.found for track in tracks], measured, grid=grid)
                if folded.any() or odd.any():
                    rounds += 2  # the neighbours were led astray and need time to recover
                    continue
            # A small spot still moving hides in the rms, so the largest changes count too.
            settled = change < SETTLED and peak < SETTLED_PEAK
            if turn > FOLD_ROUND and (settled or change > 0.9 * last):
                break
            last = change
    weights = _weights(tracks, measured)
    return finish(
        tracks, surface, measured, weights, folded, odd, closure, turn, board=board, grid=grid, region=region
    )


def _carry(
    cutouts: list[Cutout], board: Board, grid: Grid, region: Array, level_at_mm: Array, start: Array | None
) -> Surface:
    """The crown, and with it a first surface to predict stripes from."""
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    curvature = np.zeros(3) if start is None else np.asarray(start, float)

    def crown() -> Surface:
        a, b, c = curvature
        z = 0.5 * (a * x * x + 2 * b * x * y + c * y * y)
        tilt = _tags_plane(z, grid, level_at_mm)
        z = z - (tilt[0] + tilt[1] * x + tilt[2] * y)
        return Surface(x, y, z, a * x + b * y - tilt[1], b * x + c * y - tilt[2])

    for cutout in cutouts:
        _check_board(crown(), cutout.view, board, region == 0, crown_known=start is not None)
    for turn in range(2):
        z = crown().z
        sets = []
        for cutout in cutouts:
            view = cutout.view
            picture, state = rectify(cutout, x, y, z)
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
                check_stripes(
                    tiles, axes, varies=view.varies, file=view.photo.file, crown_known=start is not None
                )
            sets.append((cx, cy, tiles, view.pose.centre_mm, view.varies))
        curvature = fit_crown(sets, board=board, start=curvature)
    return crown()


def _check_board(surface: Surface, view: View, board: Board, inside: Array, *, crown_known: bool) -> None:
    """Refuse a board that the panel can't reflect into the camera, or of which it would show too few stripes."""
    hit = hit_board(
        surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
    )
    share = float(np.mean(on_board(hit, board)[inside]))
    if share < 0.05:
        raise RefusedError(
            f"{view.photo.file}: the panel does not reflect the board where the sheet puts it",
            found=f"{100 * share:.0f} % of the panel reflects it into the camera",
            cure="check board.centre_mm, board.up and board.size_mm: x to the right, y up along the panel, z out of it",
        )
    place = hit.across_mm if view.varies == "across" else hit.up_mm
    low, high = np.nanpercentile(place[inside], (0.5, 99.5))
    if crown_known and (high - low) / board.period_mm < CLEARLY_FEW:
        raise RefusedError(
            f"{view.photo.file}: too few stripes across the panel",
            found=f"{(high - low) / board.period_mm:.1f} periods",
            allowed=f"at least {THRESHOLDS['stripes_across_least']:g}",
            cure="use narrower stripes, or move the board away",
        )


def _settle(
    surface: Surface, tracks: list[Track], board: Board, measured: Array, grid: Grid, level_at_mm: Array
) -> tuple[Surface, float]:
    """Solve for slopes, integrate, level on the tags' plane, and continue the surface where it is not seen."""
    found = [track.found for track in tracks]
    # One Newton step a round, from the hits that the round has traced anyway; the rounds do the rest.
    dp, dq = newton_step(*((r.hit, r.wanted_mm, t.view.varies) for t, r in zip(tracks, found, strict=True)))
    solved = measured & np.isfinite(dp) & np.isfinite(dq)
    p, q = surface.p + np.where(solved, dp, 0), surface.q + np.where(solved, dq, 0)
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    x, y = grid.x_mm / reach, grid.y_mm / reach
    p = continue_smoothly(p, measured, x, y, reach_px=8.0)
    q = continue_smoothly(q, measured, x, y, reach_px=8.0)
    wp, wq = _weights(tracks, measured)
    z, _ = integrate_slopes(p, q, step_mm=grid.step_mm, weight=(wp, wq), tolerance=1e-5, start=surface.z)
    tilt = _tags_plane(z, grid, level_at_mm)
    z = z - (tilt[0] + tilt[1] * surface.x + tilt[2] * surface.y)
    p, q = p - tilt[1], q - tilt[2]
    if found[0].telling is not None:  # where a photo tells nothing, the height knows better
        zy, zx = np.gradient(z, grid.step_mm)
        p, q = np.where(wp < UNTOLD, zx, p), np.where(wq < UNTOLD, zy, q)
    closure = _closure(p, q, measured, grid.step_mm)
    return Surface(surface.x, surface.y, z, p, q), closure


def _weights(tracks: list[Track], measured: Array) -> tuple[Array, Array]:
    """Weights of p and q, each by the photo that tells it: the axes of a board turned on its side swap their parts."""
    out = []
    tells_p = max(range(len(tracks)), key=lambda k: _lean(tracks[k], measured))
    for track in (tracks[tells_p], tracks[1 - tells_p]):
        told = (
            np.ones(measured.shape)
            if track.found.telling is None
            else np.minimum(track.found.telling / TOLD, 1.0) ** 3
        )
        out.append(np.where(measured, np.maximum(told, 1e-3), 1e-3))
    return out[0], out[1]


def _lean(track: Track, measured: Array) -> float:
    """How much more of p than of q a photo's stripes tell, -1 to 1."""
    hit = track.found.hit
    slopes = hit.d_across if track.view.varies == "across" else hit.d_up
    by_p, by_q = (float(np.sum(np.abs(slope[measured][::17]))) for slope in slopes)
    return (by_p - by_q) / max(by_p + by_q, 1e-12)


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
