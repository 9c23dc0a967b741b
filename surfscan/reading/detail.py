"""What is finer than the stripes tell.

Hard stripes tell the surface at their edges, twice a period, and the rounds smooth over a share of a period. A
spot of two periods from foot to foot is therefore found less surely than a wide one: cut short, or overshot where an
edge lies well. Which of both a photo does not say, so it is no correction but an uncertainty.
"""

from __future__ import annotations

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import Reading
from surfscan.core.robust import masked_mean

__all__ = ["stripes_on_panel", "unresolved"]

WINDOW = 0.22
"""Standard deviation of the smoothing, in stripe periods on the panel."""

LEFT = 0.27
"""Standard uncertainty over what that smoothing, done twice, takes away: by the interval score (Gneiting and Raftery
2007, JASA 102, 359) of 130 spots of tests/bench/study_unseen.py."""

OCTAVES = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Windows that are worked out, over the panel's median; a place's own lies between two of them."""


def stripes_on_panel(reading: Reading) -> Array:
    """Stripe period on the panel at each cell, the longer one of the photos.

    Parameters
    ----------
    reading : Reading
        With traces.

    Returns
    -------
    ndarray (H, W), mm
        Where a photo does not tell it, its median there.
    """
    longest = np.zeros(reading.height_mm.shape)
    for trace in reading.traces:
        gy, gx = np.gradient(trace.place_mm, reading.grid.step_mm)
        stretch = np.hypot(gx, gy)
        usual = float(np.nanmedian(stretch)) if np.isfinite(stretch).any() else 1.0
        stretch = np.where(np.isfinite(stretch), stretch, usual)
        longest = np.maximum(longest, trace.period_mm / np.maximum(stretch, usual / OCTAVES[-1]))
    return longest


def unresolved(reading: Reading, deviation_mm: Array) -> Array:
    """Standard uncertainty from what is finer than the stripes tell.

    Parameters
    ----------
    reading : Reading
    deviation_mm : ndarray (H, W)
        From the fair form; NaN where not measured.

    Returns
    -------
    ndarray (H, W), mm
        0 for lights whose every pixel tells its place (stepped), and where not measured.
    """
    valid = np.isfinite(deviation_mm)
    if reading.told is None or not reading.traces or not valid.any():
        return np.zeros(deviation_mm.shape)
    window = WINDOW * stripes_on_panel(reading) / reading.grid.step_mm
    usual = float(np.median(window[valid]))
    deviation = np.where(valid, deviation_mm, 0).astype(np.float32)
    at = np.clip(np.log2(window / (usual * OCTAVES[0])), 0, len(OCTAVES) - 1)
    power = np.zeros(deviation.shape, np.float32)
    for k, octave in enumerate(OCTAVES):
        near = np.maximum(1 - np.abs(at - k), 0).astype(np.float32)
        if not near[valid].any():
            continue
        sigma = usual * octave
        twice, _ = masked_mean(masked_mean(deviation, valid, sigma)[0], valid, sigma)
        power += near * (deviation - twice) ** 2
    # A peak lies between its flanks: what is lost of the spot as a whole counts at each of its cells.
    around = masked_mean(power, valid, usual)[0]
    return np.asarray(np.where(valid, LEFT * np.sqrt(np.maximum(power, around)), 0.0), dtype=float)
