"""The end of a reading: flags, noise, and the height of each island by itself."""

from __future__ import annotations

import numpy as np

from surfscan.core.flags import bit
from surfscan.core.poisson import label_islands
from surfscan.core.reading import QualityMaps, Reading
from surfscan.core.records import Array, Board, Grid
from surfscan.optics.field import FINE, pixel_pitch
from surfscan.optics.mirror import hit_board
from surfscan.reading.follow import Surface, Track, on_board, strong
from surfscan.surface.integrate import integrate_slopes

__all__ = ["finish"]


def finish(
    tracks: list[Track],
    surface: Surface,
    measured: Array,
    weights: tuple[Array, Array],
    folded: Array,
    odd: Array,
    closure: float,
    rounds: int,
    *,
    board: Board,
    grid: Grid,
    region: Array,
) -> Reading:
    """Flags, noise and the height of each island by itself."""
    flags = region.copy()
    inside = region == 0
    pictures, gains, white = [], [], 0.0
    for track in tracks:
        view, lock = track.view, track.found.lock
        hit = hit_board(
            surface.x, surface.y, surface.z, surface.p, surface.q, camera_mm=view.pose.centre_mm, board=board
        )
        slope = hit.d_across if view.varies == "across" else hit.d_up
        gains.append(float(np.nanmedian(np.hypot(slope[0], slope[1])[inside])))
        flags |= np.where(inside, track.found.state, 0)
        flags[inside & (track.found.state == 0) & ~on_board(hit, board)] |= bit("off_board")
        clear = inside & (track.found.state == 0)
        readable = strong(lock, clear)
        flags[clear & ~readable] |= bit("weak_stripes")
        amplitude = float(np.median(lock.amplitude[track.found.good])) if track.found.good.any() else np.inf
        per_cell = (
            np.sqrt(2.0) * track.found.grain / (amplitude * FINE) * board.period_mm / (2 * np.pi) / gains[-1]
        )
        white += per_cell**2 / 2
        pictures.append(_picture(track, board, grid, inside, readable & on_board(hit, board) & clear))
    flags[inside & folded] |= bit("fold")
    flags[inside & odd] |= bit("inconsistent")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    p, q = np.where(measured, surface.p, np.nan), np.where(measured, surface.q, np.nan)
    periods = np.array([track.found.spacing_mm for track in tracks])
    height, _ = integrate_slopes(p, q, step_mm=grid.step_mm, weight=weights, start=surface.z, tolerance=1e-7)
    count, labels = label_islands(measured)
    for k in range(1, count + 1):
        part = labels == k
        height[part] += np.mean(surface.z[part] - height[part])
        if k > 1:
            flags[part] |= bit("island")
            if part.sum() * grid.step_mm**2 < float(periods.max()) ** 2:
                # Within a stripe period nothing can be told from the island's own free height and tilt.
                height[part] = p[part] = q[part] = np.nan
    size = max(np.sqrt(measured.sum()), 4.0)
    # Southwell's noise coefficient grows as ln(N)/(2 pi) (check: 0.8856 at N = 100, 1.2545 at N = 1000).
    noise = float(np.sqrt((np.log(size) / (2 * np.pi) + 0.15) * white)) * grid.step_mm
    uneven = 1e-3 * closure * float(periods.max()) / (2 * np.pi)
    told = [track.found.telling for track in tracks if track.found.telling is not None]
    return Reading(
        grid=grid,
        height_mm=height,
        p=p,
        q=q,
        noise_mm=noise,
        uneven_mm=uneven,
        flags=flags,
        closure_mrad=closure,
        gain_mm=np.array(gains),
        period_mm=periods,
        rounds=rounds,
        quality=tuple(pictures),
        told=np.minimum(1.0, np.min(told, axis=0) / 0.5) if told else None,
    )


def _picture(track: Track, board: Board, grid: Grid, inside: Array, lit: Array) -> QualityMaps:
    lock = track.found.lock
    place = np.where(lit, track.found.wanted_mm, np.nan)
    gy, gx = np.gradient(place, grid.step_mm)
    stretch = np.hypot(gx, gy) / board.period_mm  # periods per mm of panel
    worst = float(np.nanpercentile(stretch, 95)) if np.isfinite(stretch).any() else np.nan
    pitch = pixel_pitch((0.0, 0.0), camera=track.view.camera, pose=track.view.pose)
    across = float(np.nanpercentile(place, 99.5) - np.nanpercentile(place, 0.5)) if lit.any() else 0.0
    return QualityMaps(
        lit=lit,
        clipped=inside & ((track.found.state & bit("saturated")) != 0),
        modulation=lock.modulation,
        level=lock.level,
        stripe_px=1 / (worst * pitch) if worst > 0 else 0.0,
        stripes_across=across / board.period_mm,
        misprints=0 if track.misprint is None else int(np.count_nonzero(track.misprint.shift_mm)),
    )
