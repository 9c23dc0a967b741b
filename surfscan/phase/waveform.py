"""The stripes' own waveform, read off the picture, and pictures drawn with it.

Printed stripes are square, lit ones smooth, and a lens softens both. Locking in on a picture drawn from the
predicted phase with the same waveform, and taking the difference, cancels whatever the window does to the
harmonics: at the true surface both pictures are the same.
"""

from __future__ import annotations

import numpy as np

from surfscan.core.records import Array

__all__ = ["blind_share", "draw_stripes", "fold_waveform", "mean_by_phase", "phase_slots", "steepness"]

BINS = 64
"""Samples of one period."""


def phase_slots(phase_rad: Array) -> tuple[Array, Array, Array]:
    """The bin below each phase, the bin above it, and how far it lies between them, 0 to 1."""
    place = phase_rad * (BINS / (2 * np.pi))
    slot = np.floor(place)
    low = slot.astype(np.int64) % BINS
    return low, (low + 1) % BINS, place - slot


def mean_by_phase(shade: Array, slots: tuple[Array, Array, Array]) -> tuple[Array, Array]:
    """Mean shade at each bin, (BINS,), by linear interpolation, and how many samples made it (0 where none did)."""
    low, high, part = slots
    count = np.bincount(low, 1 - part, BINS) + np.bincount(high, part, BINS)
    total = np.bincount(low, (1 - part) * shade, BINS) + np.bincount(high, part * shade, BINS)
    return total / np.maximum(count, 1e-300), count


def fold_waveform(shade: Array, phase_rad: Array) -> Array:
    """Average shade over phase.

    Parameters
    ----------
    shade : ndarray (N,)
        Stripe brightness less its level, over the amplitude of its fundamental.
    phase_rad : ndarray (N,)
        Measured phase there; any number of turns.

    Returns
    -------
    ndarray (BINS,), float64
        Waveform at phases 2 pi k / BINS, mean 0, its fundamental exactly cos(phase). A plain cosine when there
        is too little to average.
    """
    grid = 2 * np.pi * np.arange(BINS) / BINS
    cosine = np.cos(grid)
    if shade.size < 20 * BINS:
        return cosine
    wave, count = mean_by_phase(shade, phase_slots(phase_rad))
    if count.min() <= 0.02 * count.mean():
        return cosine
    wave -= wave.mean()
    first = 2 * np.mean(wave * np.exp(-1j * grid))
    if not 0.3 < abs(first) < 3:
        return cosine
    # Whole spectrum turned and scaled so that the fundamental is cos(phase): offsets belong to the phase.
    spectrum = np.fft.rfft(wave / abs(first))
    spectrum *= np.exp(-1j * np.angle(first) * np.arange(spectrum.size))
    spectrum[-1] = 0
    return np.asarray(np.fft.irfft(spectrum, BINS))


FLAT = 0.2
"""A waveform this much less steep than at its steepest tells no phase to speak of."""


def blind_share(waveform: Array) -> float:
    """Longest part of a period in which the waveform is flat, over what a cosine has at its crests.

    Parameters
    ----------
    waveform : ndarray (BINS,)
        From `fold_waveform`.

    Returns
    -------
    float
        Share of a period: 0 for a cosine, towards 0.44 for hard stripes as wide as their gaps.
    """
    flat = np.abs(steepness(waveform))
    flat = flat < FLAT * flat.max()
    if flat.all() or not flat.any():
        return 0.0
    turned = np.roll(
        flat, -int(np.flatnonzero(~flat)[0])
    )  # starts on a slope, so that no flat part is cut in two
    edges = np.flatnonzero(np.diff(np.r_[0, turned.astype(np.int8), 0]))
    longest = float((edges[1::2] - edges[::2]).max()) / BINS
    return max(longest - 2 * FLAT / (2 * np.pi), 0.0)


def draw_stripes(waveform: Array, phase_rad: Array, amplitude: Array) -> Array:
    """Draw stripes of a waveform.

    Parameters
    ----------
    waveform : ndarray (BINS,)
        From `fold_waveform`.
    phase_rad, amplitude : ndarray (H, W)

    Returns
    -------
    ndarray (H, W), float32
        Brightness about its level.
    """
    fine = 16
    table = np.interp(np.arange(BINS * fine) / fine, np.arange(BINS + 1), np.append(waveform, waveform[0]))
    slot = np.rint(phase_rad * (BINS * fine / (2 * np.pi))).astype(np.int32) % (BINS * fine)
    drawn: Array = table.astype(np.float32)[slot] * amplitude.astype(np.float32)
    return drawn


def steepness(waveform: Array, *, harmonics: float = 12.0) -> Array:
    """Derivative of a waveform by phase, (BINS,): where it is zero, the picture does not tell the phase.

    Parameters
    ----------
    waveform : ndarray (BINS,)
    harmonics : float
        Order at which harmonics are down to 1/e: a pixel and the lens round the edges, and so must this, or a
        hard edge would count without bound.
    """
    spectrum = np.fft.rfft(waveform)
    order = np.arange(spectrum.size)
    return np.asarray(np.fft.irfft(1j * order * np.exp(-((order / harmonics) ** 2)) * spectrum, BINS))
