"""Phase of one stripe photo by a lock-in that follows the stripes (mask-normalised local least squares).

Around each pixel the picture is fitted, under a Gaussian window and over valid pixels only, by
``level + cosine * cos(f) + sine * sin(f)``, with f the phase predicted from the surface as known so far.
The angle of the fitted wave is what the prediction lacks. Because level and wave are fitted together, a
window cut by the mask does not leak the level into the phase, and square stripes leak only their third
harmonic, two carriers away, where the window passes nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.records import Array

__all__ = ["LockIn", "follow_stripes", "nudge_phase"]


@dataclass(frozen=True, slots=True)
class LockIn:
    """What the lock-in found, on the coarse grid.

    Attributes
    ----------
    residual_rad : ndarray (H, W), float64
        Phase to add to the prediction, -pi to pi; NaN where the window holds too little.
    amplitude : ndarray (H, W), float64
        Local amplitude of the fundamental, linear light.
    level : ndarray (H, W), float64
        Local mean, linear light.
    support : ndarray (H, W), float64
        Share of the window that was valid, 0 to 1.
    """

    residual_rad: Array
    amplitude: Array
    level: Array
    support: Array

    @property
    def modulation(self) -> Array:
        """Amplitude over level, 0 to about 1.3 for full square stripes."""
        ratio: Array = self.amplitude / np.maximum(self.level, 1e-6)
        return ratio


def follow_stripes(
    picture: Array,
    valid: Array,
    predicted_rad: Array,
    *,
    sigma_px: tuple[float, float],
    every: int = 1,
    level_known: float = 0.0,
) -> LockIn:
    """Measure how far the stripes are from their prediction.

    Parameters
    ----------
    picture : ndarray (every*H, every*W), float32
        Linear luminance on the fine grid; anything where not valid.
    valid : ndarray (every*H, every*W), bool
    predicted_rad : ndarray (every*H, every*W), float
        Predicted phase, finite.
    sigma_px : (sigma_x, sigma_y)
        Standard deviations of the Gaussian window along columns and rows, fine pixels. Across the stripes
        about 0.45 of their period keeps the level and the third harmonic out; along them less is enough.
    every : int
        Fine cells along one coarse cell; the result is on the coarse grid.
    level_known : float
        How firmly the level is held at zero, in windows of data, for a picture whose level has been taken off
        before: where a hollow stretches the stripes beyond the window, level and wave can't be told apart.

    Returns
    -------
    LockIn
    """
    weight = valid.astype(np.float32)
    seen = np.where(valid, picture, 0).astype(np.float32)
    turns = predicted_rad * (1 / (2 * np.pi))
    phase = ((turns - np.floor(turns)) * (2 * np.pi)).astype(np.float32)
    cos, sin = cv2.polarToCart(weight, phase)
    smooth = _smoother(picture.shape, sigma_px, every)
    w, c, s = smooth(weight), smooth(cos), smooth(sin)
    cc, cs = smooth(cos * cos), smooth(cos * sin)
    i, ic, is_ = smooth(seen), smooth(seen * cos), smooth(seen * sin)
    inv = 1 / np.maximum(w, 1e-6)
    held = w / np.maximum(w + level_known, 1e-6)
    # Centre by the window's own mean (the level), then a 2 x 2 system for the wave.
    c, s, level = (c * inv).astype(float), (s * inv).astype(float), (i * inv).astype(float)
    cc, cs, ss = cc * inv - held * c * c, cs * inv - held * c * s, (w - cc) * inv - held * s * s
    ic, is_ = ic * inv - held * level * c, is_ * inv - held * level * s
    det = cc * ss - cs * cs
    ok = (w > 0.02) & (det > 0.01)
    inv_det = np.where(ok, 1 / np.where(ok, det, 1), 0)
    a, b = (ss * ic - cs * is_) * inv_det, (cc * is_ - cs * ic) * inv_det
    # level + a cos f + b sin f = level + A cos(f + d), so a = A cos d and b = -A sin d.
    residual = np.where(ok, np.arctan2(-b, a), np.nan)
    return LockIn(residual, np.where(ok, np.hypot(a, b), 0), held * (level - a * c - b * s), np.minimum(w, 1))


def nudge_phase(
    rest: Array,
    slope: Array,
    probe: Array,
    valid: Array,
    *,
    sigma_px: tuple[float, float],
    every: int = 1,
    level_known: float = 1.0,
) -> tuple[Array, Array]:
    """Measure a small phase error against stripes drawn with their own waveform.

    Around each pixel ``rest = level + error * slope`` is fitted under a Gaussian window: one Gauss-Newton step
    of the least-squares fit of the drawn stripes to the picture. Only where the waveform is steep does it say
    anything, so that it stays right where a hollow stretches one stripe over the whole window.

    Parameters
    ----------
    rest : ndarray (every*H, every*W), float32
        Picture less drawn stripes, linear light.
    slope : ndarray (every*H, every*W), float32
        Derivative of the drawn stripes by phase.
    probe : ndarray (every*H, every*W), float32
        The same with its edges softened to a few pixels: what the picture is held against. A hard edge falls
        between pixels here and on one there, and the beat of that would look like changing information.
    valid : ndarray (every*H, every*W), bool
    sigma_px, every, level_known
        As in `follow_stripes`.

    Returns
    -------
    error_rad : ndarray (H, W), float64
        Phase to add to the prediction; NaN where the window says nothing.
    telling : ndarray (H, W), float64
        Slope times probe left after the level has taken its part, per pixel of the window: the information.
    """
    smooth = _smoother(rest.shape, sigma_px, every)
    weight = valid.astype(np.float32)
    rest, slope, probe = rest * weight, slope * weight, probe * weight
    w, s, t, r = smooth(weight), smooth(slope), smooth(probe), smooth(rest)
    held = 1 / np.maximum(w + level_known * np.maximum(w, 0.1), 1e-6)
    ss = (smooth(probe * slope) - held * t * s).astype(float)
    sr = (smooth(probe * rest) - held * t * r).astype(float)
    usual = float(np.median(ss[w > 0.5])) if (w > 0.5).any() else 0.0
    ok = (w > 0.02) & (ss > 1e-4 * usual) & (ss > 0)
    return np.where(ok, sr / np.where(ok, ss, 1), np.nan), np.where(ok, ss, 0.0)


def _smoother(shape: tuple[int, ...], sigma_px: tuple[float, float], every: int) -> Callable[[Array], Array]:
    """Window a fine map into the coarse grid: cell means first, then the rest of the Gaussian."""
    size = shape[1] // every, shape[0] // every
    sigma = [max(np.sqrt((s / every) ** 2 - (every**2 - 1) / (12 * every**2)), 0.3) for s in sigma_px]
    reach = [int(2 * np.ceil(3.0 * s) + 1) for s in sigma]

    def smooth(a: Array) -> Array:
        coarse = cv2.resize(a, size, interpolation=cv2.INTER_AREA) if every > 1 else a
        return cv2.GaussianBlur(coarse, reach, sigma[0], sigmaY=sigma[1], borderType=cv2.BORDER_CONSTANT)

    return smooth
