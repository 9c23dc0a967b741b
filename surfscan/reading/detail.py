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

__all__ = ["unresolved", "unseen_mm"]

WINDOW = 0.22
"""Standard deviation of the smoothing, in stripe periods on the panel."""

HARD = 0.2
"""Blind share of a period from which stripes count as hard: small photos have 0.2 to 0.26, large ones 0.3 to 0.36, and
the same spots are read no better in those."""

LEFT = 0.36
"""Standard uncertainty over what that smoothing, done twice, takes away: by the interval score (Gneiting and Raftery
2007, JASA 102, 359) of 130 spots of tests/bench/study_unseen.py."""

MOST = 0.02
"""And at most this share of a stripe's worth of slope over a stripe's length: between two edges a surface can't do more
without moving one of them into sight. From the same spots."""

LEAST_CELLS = 0.3
"""A smaller window smooths nothing on the grid."""

OCTAVES = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Windows that are worked out, over the panel's median; a place's own lies between two of them."""


def unseen_mm(reading: Reading) -> Array:
    """Length on the panel over which a photo tells nothing, at each cell; the longest of the photos.

    Parameters
    ----------
    reading : Reading
        With traces.

    Returns
    -------
    ndarray (H, W), mm
        The stripe period there, for hard stripes; next to nothing for smooth ones, which tell their phase all over.
        Where a photo does not tell its period, its median.
    """
    longest = np.zeros(reading.height_mm.shape)
    for trace in reading.traces:
        gy, gx = np.gradient(trace.place_mm, reading.grid.step_mm)
        stretch = np.hypot(gx, gy)
        usual = float(np.nanmedian(stretch)) if np.isfinite(stretch).any() else 1.0
        stretch = np.where(np.isfinite(stretch), stretch, usual)
        hard = min(1.0, trace.blind / HARD)
        longest = np.maximum(longest, hard * trace.period_mm / np.maximum(stretch, usual / OCTAVES[-1]))
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
    window = WINDOW * unseen_mm(reading) / reading.grid.step_mm
    usual = float(np.median(window[valid]))
    if usual < LEAST_CELLS:
        return np.zeros(deviation_mm.shape)
    deviation = np.where(valid, deviation_mm, 0).astype(np.float32)
    at = np.clip(np.log2(np.maximum(window, 1e-9) / (usual * OCTAVES[0])), 0, len(OCTAVES) - 1)
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
    lost = LEFT * np.sqrt(np.maximum(power, around))
    slope = max(trace.period_mm / float(np.hypot(*trace.lever_mm)) for trace in reading.traces)
    most = MOST * slope * usual / WINDOW * reading.grid.step_mm  # its length has the stripes' hardness in it
    return np.asarray(np.where(valid, lost / np.hypot(1, lost / most), 0.0), dtype=float)
