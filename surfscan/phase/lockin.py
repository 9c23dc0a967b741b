"""Phase of one stripe photo by a lock-in that follows the stripes (mask-normalised local least squares).

Around each pixel the picture is fitted, under a Gaussian window and over valid pixels only, by
``level + cosine * cos(f) + sine * sin(f)``, with f the phase predicted from the surface as known so far.
The angle of the fitted wave is what the prediction lacks. Because level and wave are fitted together, a
window cut by the mask does not leak the level into the phase, and square stripes leak only their third
harmonic, two carriers away, where the window passes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.records import Array

__all__ = ["LockIn", "follow_stripes"]


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
    size = [int(2 * np.ceil(3.0 * s) + 1) for s in sigma_px]
    shape = picture.shape[1] // every, picture.shape[0] // every

    def smooth(a: Array) -> Array:
        soft = cv2.GaussianBlur(a, size, sigma_px[0], sigmaY=sigma_px[1], borderType=cv2.BORDER_CONSTANT)
        return cv2.resize(soft, shape, interpolation=cv2.INTER_AREA) if every > 1 else soft

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
