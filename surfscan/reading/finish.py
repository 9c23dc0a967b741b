"""The end of a reading of stripes: flags, gain, noise and quality of each photo, and the reading itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.flags import bit
from surfscan.core.reading import Context, QualityMaps, Reading, Trace, View
from surfscan.optics.field import FINE, pixel_pitch
from surfscan.phase.waveform import blind_share
from surfscan.reading.follow import Track, strong
from surfscan.reading.settle import close_islands, integrated_noise
from surfscan.reading.surface import Surface, on_board

__all__ = ["Settled", "end_track", "finish", "flag_photo", "stripe_figures", "track_noise"]


@dataclass(frozen=True, slots=True)
class Settled:
    """What the rounds left; maps on the coarse grid.

    Attributes
    ----------
    surface : Surface
    measured, folded, odd : ndarray (H, W), bool
        Cells with slopes; cells of a fold; cells that fit no smooth surface for another reason.
    rounds : int
    """

    surface: Surface
    measured: Array
    folded: Array
    odd: Array
    rounds: int


def finish(
    tracks: list[Track], settled: Settled, *, context: Context, weights: tuple[Array, Array], closure: float
) -> Reading:
    """Flags, noise and the height of each island by itself."""
    surface, measured, inside = settled.surface, settled.measured, context.inside
    flags = context.region.copy()
    quality, gains, traces, white = [], [], [], 0.0
    for track in tracks:
        axis = track.view.varies
        slope = surface.hit(track.view.pose, context.mirrored_board).lever(axis)
        gains.append(float(np.nanmedian(np.hypot(slope[0], slope[1])[inside])))
        place = np.where(track.found.good & measured, track.found.wanted_mm, np.nan)
        lever = np.array([np.nanmedian(part[inside]) for part in slope])
        blind = 0.0 if track.waveform is None else blind_share(track.waveform)
        period = context.mirrored_board.period_mm
        traces.append(Trace(track.view, place, lever, period, blind, track.found.spacing_mm))
        quality.append(end_track(track, surface, flags, context))
        white += track_noise(track, context, gains[-1]) ** 2 / 2
    flags[inside & settled.folded] |= bit("fold")
    flags[inside & settled.odd] |= bit("inconsistent")
    flags[inside & ~measured & (flags == 0)] |= bit("weak_stripes")
    periods = np.array([track.found.spacing_mm for track in tracks])
    widest = float(periods.max())
    height, p, q = close_islands(surface, measured, weights, flags, context, least_mm2=widest**2)
    told = [track.found.telling for track in tracks if track.found.telling is not None]
    return Reading(
        grid=context.grid,
        height_mm=height,
        p=p,
        q=q,
        noise_mm=integrated_noise(white, measured, context.grid.step_mm),
        uneven_mm=1e-3 * closure * widest / (2 * np.pi),
        flags=flags,
        closure_mrad=closure,
        gain_mm=np.array(gains),
        period_mm=periods,
        rounds=settled.rounds,
        quality=tuple(quality),
        told=np.minimum(1.0, np.min(told, axis=0) / 0.5) if told else None,
        traces=tuple(traces),
        start_rad=tuple(track.found.offset_rad for track in tracks),
    )


def end_track(track: Track, surface: Surface, flags: Array, context: Context) -> QualityMaps:
    """One photo's flags, put into `flags`, and its quality."""
    found, board = track.found, context.mirrored_board
    on = on_board(surface.hit(track.view.pose, board), board)
    clear = context.inside & (found.state == 0)
    readable = strong(found.lock, clear)
    flag_photo(flags, context.inside, found.state, on, readable)
    lit = readable & on & clear
    place = np.where(lit, found.wanted_mm, np.nan)
    stripe_px, across = stripe_figures(track.view, place, board.period_mm, context.grid.step_mm)
    return QualityMaps(
        lit=lit,
        clipped=context.inside & ((found.state & bit("saturated")) != 0),
        modulation=found.lock.modulation,
        level=found.lock.level,
        stripe_px=stripe_px,
        stripes_across=across,
        misprints=0 if track.misprint is None else int(np.count_nonzero(track.misprint.shift_mm)),
    )


def flag_photo(flags: Array, inside: Array, state: Array, on: Array, readable: Array) -> None:
    """Put what one photo does not show into `flags`: its own state, off the board, too weak."""
    clear = inside & (state == 0)
    flags |= np.where(inside, state, 0)
    flags[clear & ~on] |= bit("off_board")
    flags[clear & ~readable] |= bit("weak_stripes")


def stripe_figures(view: View, place_mm: Array, period_mm: float, step_mm: float) -> tuple[float, float]:
    """Least stripe period in photo pixels, and periods across, of board places (H, W), NaN where none is seen."""
    gy, gx = np.gradient(place_mm, step_mm)
    stretch = np.hypot(gx, gy) / period_mm  # periods per mm of panel
    worst = float(np.nanpercentile(stretch, 95)) if np.isfinite(stretch).any() else np.nan
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    seen = np.isfinite(place_mm).any()
    across = float(np.nanpercentile(place_mm, 99.5) - np.nanpercentile(place_mm, 0.5)) if seen else 0.0
    return 1 / (worst * pitch) if worst > 0 else 0.0, across / period_mm


def track_noise(track: Track, context: Context, gain_mm: float) -> float:
    """White slope noise of one photo per coarse cell."""
    found = track.found
    amplitude = float(np.median(found.lock.amplitude[found.good])) if found.good.any() else np.inf
    period = context.mirrored_board.period_mm
    return float(np.sqrt(2.0) * found.grain / (amplitude * FINE) * period / (2 * np.pi) / gain_mm)
