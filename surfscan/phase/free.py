"""Phase of one photo of stripes when nothing else is known: no tags, no board, no camera.

The stripe frequency is read tile by tile, a smooth carrier is fitted to it, and the lock-in then follows the
stripes from there, with their own waveform once it can be read. Without geometry nothing says which stripe is
which, nor how the phase turns into slope: the result serves a relative look, and says itself how far it can be
trusted.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.poisson import label_islands
from surfscan.core.records import Array
from surfscan.phase.free_carrier import (
    TILE_PX,
    find_tiles,
    fit_carrier,
    median_of_weighted,
    rescaled,
    shrink_picture,
)
from surfscan.phase.lockin import LockIn, follow_stripes
from surfscan.phase.order import unwrap
from surfscan.phase.waveform import draw_stripes, fold_waveform

__all__ = ["DOUBTED", "FreePhase", "free_phase"]

WORK_PX = 16.0
"""Stripe period after shrinking, pixels: sixteen samples carry a square stripe's fifth harmonic with room."""

WINDOW = (0.5, 0.25)
"""Standard deviations of the lock-in's window across and along the stripes, in periods."""

ROUNDS = 7
WAVEFORM_ROUND = 3
"""The round from which the stripes' own waveform is used."""

WEAK = 0.15
"""Stripes weaker than this share of the usual amplitude don't count."""

UNEXPLAINED = 0.35
"""Where stripes leave more than this share of the local variance unexplained, the phase does not count."""

OUTSTANDING = (0.05, 4.0)
"""Nor where they leave more than this share and this many times what is usual on the photo: a glare's halo, a
rim, a second reflection stand out on clean gloss long before they hide the stripes."""

LARGEST_SIGMA = 0.4
"""Above this the phase error is no longer normal (Rathjen 1995, JOSA A 12, 1997): not valid, in radians."""

WOBBLE = 2.0
"""Phase noise per relative wobble of the amplitude. What adds to the stripes wobbles both alike; the high-pass
that tells the wobble from the gloss's own course keeps about half of it."""

DOUBTED = 0.3
"""Trust under which the photo should not be used. Measured: black glass 0.63, a lit phone's glass 0.14 to 0.20
(tests/bench/study_real_stripes.py)."""

TRUSTED_SIGMA = 0.15
"""Median phase noise at which trust is down by half, radians."""


@dataclass(frozen=True, slots=True)
class FreePhase:
    """Phase of one photo and how good it is; maps have the photo's shape (H, W).

    Attributes
    ----------
    phase_rad : ndarray, float64
        Phase, increasing along the axis in which the stripes repeat faster. Continuous within each part of
        `valid`; each part has its own unknown number of whole turns. NaN where not valid.
    amplitude, level : ndarray, float64
        Amplitude of the fundamental and local mean, in units of the image.
    modulation : ndarray, float64
        Amplitude over level.
    residual : ndarray, float64
        Share of the local variance that the stripes don't explain, 0 to 1.
    sigma_rad : ndarray, float64
        Standard deviation of the phase from what is left beside the stripes, radians.
    valid : ndarray, bool
        Unsaturated, strong enough and explained by stripes.
    period_px : float
        Median stripe period, pixels.
    trust : float
        0 to 1: share of the lit area that is valid, times the share of its variance that stripes explain, less
        for phase noise. Clean gloss keeps more than half even with a third of it in the dark; a picture that
        shows through, or no stripes at all, bring it under `DOUBTED`.
    """

    phase_rad: Array
    amplitude: Array
    level: Array
    modulation: Array
    residual: Array
    sigma_rad: Array
    valid: Array
    period_px: float
    trust: float


def free_phase(
    image: Array, *, valid: Array | None = None, direction: float | None = None, white: float | None = None
) -> FreePhase:
    """Measure the phase of one photo of stripes without any geometry.

    Parameters
    ----------
    image : ndarray (H, W)
        Luminance; linear light is best. Integers or floats, finite where `valid`.
    valid : ndarray (H, W), bool, optional
        Where the object is. Default everywhere.
    direction : float, optional
        Angle of the line across the stripes, degrees from the rows' direction (0: upright stripes, 90: level
        ones, counted from +column to +row). Tiles more than 30 degrees off are left out. Default: any.
    white : float, optional
        Value at which the photo saturates. Default 1 for floats, the largest number for integers; 2 % under
        it counts as saturated.

    Returns
    -------
    FreePhase

    Raises
    ------
    ValueError
        For an image that is not two-dimensional, or a mask of another shape.
    NotMeasuredError
        When no tile shows stripes.
    """
    image = np.asarray(image)
    if image.ndim != 2 or min(image.shape) < TILE_PX:
        raise ValueError(f"image must be (H, W) with at least {TILE_PX} rows and columns, not {image.shape}")
    if valid is not None and valid.shape != image.shape:
        raise ValueError(f"valid has shape {valid.shape}, the image {image.shape}")
    top = white if white is not None else _white(image.dtype)
    picture = image.astype(np.float32)
    good = np.isfinite(picture) if valid is None else np.asarray(valid, bool) & np.isfinite(picture)
    good &= picture < 0.98 * top
    return _free_phase(np.where(good, picture, 0), good, direction)


def _white(dtype: np.dtype) -> float:
    return float(np.iinfo(dtype).max) if np.issubdtype(dtype, np.integer) else 1.0


def _free_phase(picture: Array, good: Array, direction: float | None) -> FreePhase:
    tiles = find_tiles(picture, good, direction)
    period_px = 1 / float(median_of_weighted(np.hypot(tiles.fx, tiles.fy), tiles.strength))
    shrink = max(1, int(period_px / WORK_PX))
    small, seen = shrink_picture(picture, good, shrink)
    carrier = fit_carrier(rescaled(tiles, shrink), small.shape)
    maps = _follow(small, seen, carrier, period_px / shrink)
    return _grown(maps, good, shrink, period_px)


@dataclass(slots=True)
class _Maps:
    phase: Array
    lock: LockIn
    residual: Array
    sigma: Array
    valid: Array
    lit: Array


def _follow(picture: Array, seen: Array, carrier: Array, period_px: float) -> _Maps:
    """Lock-in rounds on the shrunk picture."""
    gy, gx = np.gradient(carrier)
    across = (WINDOW[0] * period_px, WINDOW[1] * period_px)
    sigma = across if np.median(np.abs(gx)) >= np.median(np.abs(gy)) else across[::-1]
    phase, good, lock, wave = carrier, seen, None, None
    residual = noise = np.zeros(picture.shape)
    for turn in range(ROUNDS):
        base = picture if lock is None else picture - _spread(lock.level, good, 0.7 * period_px)
        firm = 0.0 if lock is None else 1.0
        fresh = follow_stripes(base, seen, phase, sigma_px=sigma, level_known=firm)
        away = fresh.residual_rad
        if turn >= WAVEFORM_ROUND and lock is not None:
            strength = np.maximum(_spread(lock.amplitude, good, 0.35 * period_px), 1e-6)
            wave = fold_waveform((base / strength)[good], phase[good])
            drawn = draw_stripes(wave, phase, strength)
            twin = follow_stripes(drawn, seen, phase, sigma_px=sigma, level_known=firm)
            away = np.angle(np.exp(1j * (away - twin.residual_rad)))
        level = fresh.level + (picture - base)
        lock = LockIn(fresh.residual_rad, fresh.amplitude, level, fresh.support)
        ok = seen & np.isfinite(away) & (fresh.support > 0.25)
        lit = ok & (fresh.amplitude > WEAK * _usual(fresh.amplitude, ok))
        away = unwrap(away, lit) if turn < 2 else np.where(lit, away, np.nan)
        count, labels = label_islands(lit)
        if count == 0:
            good = lit
            break
        # Small parts have their own whole turns; they wait for the end.
        smooth = _spread(np.nan_to_num(away), lit & (labels == 1) if turn < 2 else lit, 0.3 * period_px)
        phase = phase + (smooth if turn < ROUNDS - 1 else np.where(lit, away, smooth))
        residual, noise = _quality(picture, seen, phase, lock, wave, sigma, period_px)
        good = lit & (residual < _limit(residual, lit)) if turn >= 2 else lit
        if good.sum() < 100:
            good = lit
    assert lock is not None
    if lit.any():
        noise = np.hypot(noise, WOBBLE * _wobble(lock.amplitude, good, period_px))
    valid = lit & (residual < _limit(residual, lit)) & (noise < LARGEST_SIGMA)
    return _Maps(phase, lock, residual, noise, valid, lit)


def _limit(residual: Array, lit: Array) -> float:
    usual = float(np.median(residual[lit])) if lit.any() else 0.0
    return min(UNEXPLAINED, max(OUTSTANDING[0], OUTSTANDING[1] * usual))


def _wobble(amplitude: Array, good: Array, period_px: float) -> Array:
    """Relative wobble of the amplitude over a stripe or so: rms about its course."""
    course = np.maximum(_spread(amplitude, good, 0.7 * period_px), 1e-9)
    away = np.where(good, amplitude / course - 1, 0) ** 2
    return np.sqrt(np.maximum(_spread(away, good, 0.6 * period_px), 0))


def _usual(amplitude: Array, ok: Array) -> float:
    return float(np.percentile(amplitude[ok], 75)) if ok.any() else np.inf


def _spread(value: Array, good: Array, sigma_px: float) -> Array:
    """Smooth a map over its good cells and continue it beyond them; far from any, its median.

    A plane under the Gaussian window, not a mean: at the rim of the good cells a one-sided mean would lag
    behind a level that falls away (normalised convolution of first order: Knutsson and Westin 1993).
    """
    if not good.any():
        return np.zeros(value.shape)
    h, w = value.shape
    usual = float(np.median(value[good]))
    y, x = np.mgrid[:h, :w].astype(np.float32)
    x, y = x - w / 2, y - h / 2
    weight = good.astype(np.float32)
    lifted = np.where(good, value - usual, 0.0).astype(np.float32)

    def mean(a: Array) -> Array:
        return np.asarray(_blur(a, (sigma_px, sigma_px)) / held, float)

    share = _blur(weight, (sigma_px, sigma_px))
    held = np.maximum(share, 1e-3)
    mx, my, mv = mean(weight * x), mean(weight * y), mean(lifted)
    # A small prior keeps the plane level where the window holds next to nothing.
    prior = 0.05 * sigma_px**2
    xx, yy = mean(weight * x * x) - mx * mx + prior, mean(weight * y * y) - my * my + prior
    xy = mean(weight * x * y) - mx * my
    xv, yv = mean(lifted * x) - mx * mv, mean(lifted * y) - my * mv
    det = xx * yy - xy * xy
    ahead = ((yy * xv - xy * yv) * (x - mx) + (xx * yv - xy * xv) * (y - my)) / det
    return np.asarray(np.where(share > 0.01, usual + mv + ahead, usual))


def _quality(
    picture: Array,
    seen: Array,
    phase: Array,
    lock: LockIn,
    wave: Array | None,
    sigma_px: tuple[float, float],
    period_px: float,
) -> tuple[Array, Array]:
    """Unexplained share of the local variance, and the phase noise of what is left.

    The noise is what the lock-in's own window passes of the remainder half-way between the stripes' first and
    second harmonic: white or not, it is measured where the stripes themselves have nothing.
    """
    amplitude = lock.amplitude
    shape = np.cos(phase) * amplitude if wave is None else draw_stripes(wave, phase, amplitude)
    rest = np.where(seen, picture - lock.level - shape, 0).astype(np.float32)
    share = np.maximum(_blur(seen.astype(np.float32), sigma_px), 1e-3)
    wide = (0.45 * period_px, 0.45 * period_px)
    around = np.maximum(_blur(seen.astype(np.float32), wide), 1e-3)
    left = _blur(rest * rest, wide) / around
    told = 0.5 * _blur(np.where(seen, amplitude, 0).astype(np.float32) ** 2, wide) / around
    turned = 1.5 * phase
    beat = (
        _blur((rest * np.cos(turned)).astype(np.float32), sigma_px) ** 2
        + _blur((rest * np.sin(turned)).astype(np.float32), sigma_px) ** 2
    ) / share**2
    power = _blur(np.where(seen, beat, 0).astype(np.float32), wide) / around
    # |windowed rest|^2 is sigma^2 sum(w^2); the phase variance is 2 sigma^2 sum(w^2) / B^2.
    noise = np.sqrt(2 * power) / np.maximum(amplitude, 1e-9)
    return np.asarray(left / np.maximum(left + told, 1e-12), float), np.asarray(noise, float)


def _blur(value: Array, sigma_px: tuple[float, float]) -> Array:
    return np.asarray(
        cv2.GaussianBlur(value, (0, 0), sigma_px[0], sigmaY=sigma_px[1], borderType=cv2.BORDER_CONSTANT)
    )


def _grown(maps: _Maps, good: Array, factor: int, period_px: float) -> FreePhase:
    """The maps at the photo's own size, and the trust."""
    explained = 1 - maps.residual
    trust = 0.0
    if maps.lit.any():
        noise = float(np.median(maps.sigma[maps.lit])) / TRUSTED_SIGMA
        trust = float(maps.valid.sum() / maps.lit.sum() * np.median(explained[maps.lit]) / (1 + noise**2))
    h, w = good.shape

    def grow(value: Array, how: int = cv2.INTER_CUBIC) -> Array:
        if factor == 1:
            return np.asarray(value, float)
        out = cv2.resize(value.astype(float), None, fx=factor, fy=factor, interpolation=how)
        rest = h - out.shape[0], w - out.shape[1]
        return np.asarray(cv2.copyMakeBorder(out, 0, rest[0], 0, rest[1], cv2.BORDER_REPLICATE))

    valid = (grow(maps.valid, cv2.INTER_NEAREST) > 0.5) & good
    amplitude, level = grow(maps.lock.amplitude), grow(maps.lock.level)
    return FreePhase(
        np.where(valid, grow(maps.phase), np.nan),
        amplitude,
        level,
        amplitude / np.maximum(level, 1e-9),
        np.clip(grow(maps.residual, cv2.INTER_LINEAR), 0, 1),
        grow(maps.sigma, cv2.INTER_LINEAR),
        valid,
        period_px,
        trust,
    )
