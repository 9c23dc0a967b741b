"""What a striped, stepped or dotted board shines with, sharp or seen through a satin surface.

s is counted in mm from the board's left edge along ``across``, or from its lower edge along ``up``.
A satin surface mixes neighbouring board points: that is a Gaussian blur of the pattern, of a width that
may differ from pixel to pixel, and is done in closed form (each harmonic of a stripe pattern is damped by
exp(-2 pi^2 k^2 sigma^2 / period^2)).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.special import erf

__all__ = ["dots", "inside", "on_screen", "stripes"]

Array = NDArray[Any]


def stripes(
    s_mm: Array,
    *,
    period_mm: float,
    phase_deg: float = 0.0,
    square: bool = False,
    duty: float = 0.5,
    sigma_mm: Array | float = 0.0,
    over_mm: Array | float = 0.0,
) -> Array:
    """Return the brightness of a stripe pattern, 0 dark to 1 bright.

    Parameters
    ----------
    s_mm : ndarray
        Distance from the board's edge, mm, any shape.
    period_mm, phase_deg : float
        Smooth stripes are 1/2 + 1/2 cos(2 pi s/period + phase).
    square : bool
        Hard black and white instead, bright where the cosine is above cos(pi*duty): the bright stripes
        have the same middles.
    duty : float
        Bright share of a period of square stripes, 0 to 1.
    sigma_mm : ndarray or float
        Standard deviation of the Gaussian blur on the board; 0 is sharp.
    over_mm : ndarray or float
        Stretch of s that a sample stands for: sharp square stripes are averaged over it, so that an edge moves with
        the sample's part on each side and not by whole samples. Blurred and smooth stripes need none.
    """
    if period_mm <= 0 or not 0 < duty < 1:
        raise ValueError("period_mm must be positive and duty between 0 and 1")
    turn = s_mm / period_mm + phase_deg / 360.0
    if not square:
        damp = np.exp(-2 * (np.pi * np.asarray(sigma_mm) / period_mm) ** 2)
        wave: Array = 0.5 + 0.5 * damp * np.cos(2 * np.pi * turn)
        return wave
    away = np.abs(turn - np.round(turn))  # 0 amid a bright stripe, 1/2 amid a dark one
    rel = np.asarray(sigma_mm) / period_mm
    if not np.any(rel > 0):
        over = np.minimum(np.asarray(over_mm) / period_mm, 1.0)
        hard = away < duty / 2
        if np.any(over > 0):
            hard = np.where(over > 1e-4, _averaged(turn, np.maximum(over, 1e-4), duty), hard)
        return np.asarray(hard, s_mm.dtype)
    # A blurred edge is an error function; neighbours two periods away count for nothing below rel = 0.5,
    # and above that every harmonic but the mean is damped under 1 %.
    width = np.sqrt(2) * np.maximum(rel, 1e-6)
    total = np.zeros(np.broadcast(away, width).shape)
    for n in (-2, -1, 0, 1, 2):
        total += 0.5 * (erf((away - n + duty / 2) / width) - erf((away - n - duty / 2) / width))
    return np.where(rel < 0.5, total, duty)


def _averaged(turn: Array, over: Array, duty: float) -> Array:
    """Mean of hard stripes over a stretch, both in periods: the difference of their running sums at its ends."""

    def total(t: Array) -> Array:
        whole = np.round(t)
        return np.asarray(whole * duty + np.clip(t - whole, -duty / 2, duty / 2))

    return (total(turn + over / 2) - total(turn - over / 2)) / over


def dots(
    a_mm: Array, b_mm: Array, *, spacing_mm: float, radius_mm: float, sigma_mm: Array | float = 0.0
) -> Array:
    """Return the brightness of a square lattice of round lights, one of them at the board's middle.

    `a_mm`, `b_mm` are counted from the board's middle. A blur `sigma_mm` softens the rim of each light as
    it does a straight edge; that is right while sigma is well under the radius.
    """
    da, db = (t - spacing_mm * np.round(t / spacing_mm) for t in (a_mm, b_mm))
    r = np.hypot(da, db)
    sigma = np.asarray(sigma_mm)
    if not np.any(sigma > 0):
        hard: Array = (r < radius_mm).astype(a_mm.dtype)
        return hard
    soft: Array = 0.5 * (1 + erf((radius_mm - r) / (np.sqrt(2) * np.maximum(sigma, 1e-6))))
    return soft


def on_screen(a_mm: Array, b_mm: Array, *, size_mm: tuple[float, float], picture: Array) -> Array:
    """Brightness of a screen that shows a picture, between its pixels' middles evenly (bilinear).

    Parameters
    ----------
    a_mm, b_mm : ndarray
        Places on the board, from its middle.
    size_mm : (width, height)
    picture : ndarray (H, W)
        Light, row 0 at the top.
    """
    height, width = picture.shape
    column = (a_mm / size_mm[0] + 0.5) * width - 0.5
    row = (0.5 - b_mm / size_mm[1]) * height - 0.5
    place = np.stack([np.clip(row, 0, height - 1).ravel(), np.clip(column, 0, width - 1).ravel()])
    return np.asarray(map_coordinates(picture, place, order=1).reshape(np.shape(a_mm)))


def inside(a_mm: Array, b_mm: Array, *, size_mm: tuple[float, float], sigma_mm: Array | float = 0.0) -> Array:
    """Return 1 on the board and 0 off it, with edges softened by `sigma_mm`; 0 where the place is NaN."""
    share: Array = np.ones(np.shape(a_mm))
    sigma = np.asarray(sigma_mm)
    for t, side in ((a_mm, size_mm[0]), (b_mm, size_mm[1])):
        t = np.where(np.isfinite(t), t, 1e9)
        if not np.any(sigma > 0):
            share = share * (np.abs(t) <= side / 2)
        else:
            width = np.sqrt(2) * np.maximum(sigma, 1e-6)
            share = share * 0.5 * (erf((side / 2 - t) / width) + erf((side / 2 + t) / width))
    return share
