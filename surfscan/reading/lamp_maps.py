"""What a lamp series leaves once it has settled: flags, noise, unevenness and quality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.flags import bit
from surfscan.core.reading import Context, QualityMaps, Reading
from surfscan.core.records import Array, Grid, Pose
from surfscan.reading.settle import seat_islands, southwell
from surfscan.shading.bend import Bends
from surfscan.shading.lamp import CellFit, LampSetting
from surfscan.shading.setting import SettingFit

__all__ = ["LampReading", "Turn", "finish"]

BLOCK_MM = 60.0
"""Length over which left-over brightness is averaged: about half a wide low."""


@dataclass(frozen=True, slots=True)
class LampReading:
    """A reading with what it learned about the light.

    Attributes
    ----------
    reading : Reading
        ``gain_mm`` and ``period_mm`` are empty: no board takes part. ``modulation`` of its quality maps is the
        share of the brightness that the fit explains, NaN where a photo was not used.
    setting : LampSetting
    albedo : ndarray (H, W)
        Linear light of the cell under a lamp 1 m away, square on; NaN where not measured.
    pose : Pose
        The common pose of all photos.
    scale_rel : float
        Standard uncertainty of depths as a share of them, from the room's light as fitted.
    bends : Bends
        What bends the map without being a share of a depth.
    """

    reading: Reading
    setting: LampSetting
    albedo: Array
    pose: Pose
    scale_rel: float
    bends: Bends


@dataclass(frozen=True, slots=True)
class Turn:
    """What one round leaves; `under` is the surface it was read on, `z` the one it found."""

    seen: Array
    blown: Array
    unseen: Array
    weight: Array
    lost: Array
    fit: CellFit
    answer: SettingFit
    noise: float
    scale_rel: float
    under: Array
    z: Array
    height: Array
    closure: float


def finish(
    state: Turn, bends: Bends, context: Context, judged: Array, pose: Pose, rounds: int
) -> LampReading:
    """Flags, noise and the height of each island by itself."""
    fit, inside, grid = state.fit, context.inside, context.grid
    flags = context.region.copy()
    flags[inside & ~judged] |= bit("edge")
    measured = np.isfinite(state.height)
    left_out = judged & ~measured
    flags[judged & (np.count_nonzero(state.unseen, axis=0) > 0) & left_out] |= bit("out_of_view")
    flags[left_out & state.blown.any(0)] |= bit("saturated")
    flags[left_out & state.lost] |= bit("inconsistent")
    flags[left_out & (flags == 0)] |= bit("shadow")
    height = state.height.copy()
    seat_islands(height, state.z, measured, flags, first=2)
    p, q = (_slope(state.z, own, measured, grid.step_mm, axis) for own, axis in ((fit.p, 1), (fit.q, 0)))
    u = float(np.sqrt(np.nanmedian(fit.u_p**2 + fit.u_q**2) / 2)) * state.noise
    noise_mm = u * grid.step_mm * float(np.sqrt(southwell(measured.sum())))
    uneven = _uneven(state, grid)
    quality = tuple(_quality(state, k, inside) for k in range(len(state.seen)))
    reading = Reading(
        grid=grid,
        height_mm=height,
        p=p,
        q=q,
        noise_mm=noise_mm,
        uneven_mm=uneven,
        flags=flags,
        closure_mrad=1e3 * state.closure,
        gain_mm=np.empty(0),
        period_mm=np.empty(0),
        rounds=rounds,
        quality=quality,
    )
    albedo = np.where(measured, fit.albedo, np.nan)
    return LampReading(reading, state.answer.setting, albedo, pose, state.scale_rel, bends)


def _slope(z: Array, own: Array, measured: Array, step_mm: float, axis: int) -> Array:
    """Central differences inside; at a rim the cell's own slope, since beyond it the surface is only continued."""
    ahead, behind = (np.roll(measured, k, axis) for k in (-1, 1))
    inside = ahead & behind
    inside.swapaxes(0, axis)[[0, -1]] = False
    slope = np.where(inside, np.gradient(z, step_mm, axis=axis), own)
    return np.asarray(np.where(measured, slope, np.nan))


def _uneven(state: Turn, grid: Grid) -> float:
    """Height error from what no noise explains: the brightness left over on blocks of `BLOCK_MM`.

    A left-over that is smooth over a block length bends slopes by its share of the brightness times the
    slopes' own answer to it, and the height by that times the block length over pi.
    """
    factor = min(max(1, round(BLOCK_MM / grid.step_mm)), max(1, min(state.z.shape) // 4))
    h, w = (n // factor * factor for n in state.z.shape)
    good = np.isfinite(state.fit.left) & (state.weight > 0)
    shape = (-1, h // factor, factor, w // factor, factor)
    root = np.where(good, np.sqrt(state.weight) * np.nan_to_num(state.fit.left), 0.0)[:, :h, :w]
    share = good[:, :h, :w].reshape(shape).mean((2, 4))
    mean = root.reshape(shape).mean((2, 4))[share > 0.8]
    if mean.size < 8:
        return 0.0
    excess = max(float(np.median(mean**2)) / 0.455 - state.noise**2 / factor**2, 0.0)
    u = float(np.sqrt(np.nanmedian(state.fit.u_p**2 + state.fit.u_q**2) / 2))
    return float(np.sqrt(excess) * u * factor * grid.step_mm / np.pi)


def _quality(state: Turn, k: int, inside: Array) -> QualityMaps:
    lit = inside & (state.weight[k] > 0) & np.isfinite(state.fit.p)
    level = state.seen[k]
    with np.errstate(divide="ignore", invalid="ignore"):
        explained = 1 - np.abs(state.fit.left[k]) / np.maximum(level, 1e-6)
    return QualityMaps(
        lit=lit,
        clipped=inside & state.blown[k],
        modulation=np.where(lit, np.clip(explained, 0, 1), np.nan),
        level=level,
        stripe_px=float("nan"),
        stripes_across=float("nan"),
        misprints=0,
    )
