"""Four published ways from stripes to phase, each in a few dozen lines, for comparison only.

All take the rectified picture (H, W), the mask of cells that count, and a smooth carrier phase (H, W) whose
stripes run roughly upright; all return the wrapped phase and its amplitude, (H, W).
"""

from __future__ import annotations

import cv2
import numpy as np
import scipy.fft

Array = np.ndarray


def frequency(carrier: Array) -> tuple[float, float]:
    """Mean carrier frequency (fx, fy), cycles per cell."""
    gy, gx = np.gradient(carrier)
    return float(np.median(gx)) / (2 * np.pi), float(np.median(gy)) / (2 * np.pi)


def _filled(picture: Array, valid: Array) -> Array:
    return np.where(valid, picture - picture[valid].mean(), 0.0)


def fourier_transform(picture: Array, valid: Array, carrier: Array) -> tuple[Array, Array]:
    """Fourier-transform method: Takeda, Ina and Kobayashi 1982, J. Opt. Soc. Am. 72, 156.

    One band round the carrier: full within half the carrier frequency (section 1 of their paper asks only that
    the level and the second order stay out), falling to nothing at three quarters of it.
    """
    fx, fy = frequency(carrier)
    f0 = np.hypot(fx, fy)
    h, w = picture.shape
    shape = scipy.fft.next_fast_len(h), scipy.fft.next_fast_len(w)
    away = np.hypot(np.fft.fftfreq(shape[1])[None] - fx, np.fft.fftfreq(shape[0])[:, None] - fy) / f0
    band = np.clip((0.75 - away) / 0.25, 0, 1)
    band = band * band * (3 - 2 * band)
    wave = scipy.fft.ifft2(scipy.fft.fft2(_filled(picture, valid), shape) * band)[:h, :w]
    return np.angle(wave), 2 * np.abs(wave)


def windowed_fourier(
    picture: Array, valid: Array, carrier: Array, *, sigma: float = 10.0
) -> tuple[Array, Array]:
    """Windowed Fourier filtering: Qian Kemao 2004, Appl. Opt. 43, 2695 (sigma 10 cells as in his papers).

    The picture is cut into Gaussian windows' spectra, weak coefficients dropped, the rest put together again.
    """
    fx, fy = frequency(carrier)
    f0 = np.hypot(fx, fy)
    h, w = picture.shape
    shape = scipy.fft.next_fast_len(h + int(6 * sigma)), scipy.fft.next_fast_len(w + int(6 * sigma))
    spectrum = scipy.fft.fft2(_filled(picture, valid), shape)
    gx, gy = 2 * np.pi * np.fft.fftfreq(shape[1])[None], 2 * np.pi * np.fft.fftfreq(shape[0])[:, None]
    step = 1.0 / sigma  # windows of one sigma's spacing in frequency overlap to a constant within 1 %
    reach = np.arange(-np.ceil(0.7 * 2 * np.pi * f0 / step), np.ceil(0.9 * 2 * np.pi * f0 / step) + 1) * step
    across = np.arctan2(fy, fx)
    total = np.zeros(shape, complex)
    for u in reach:
        for v in reach[np.abs(reach) <= 0.5 * 2 * np.pi * f0]:
            cx = 2 * np.pi * fx + u * np.cos(across) - v * np.sin(across)
            cy = 2 * np.pi * fy + u * np.sin(across) + v * np.cos(across)
            if np.hypot(cx, cy) < 0.35 * 2 * np.pi * f0:
                continue  # level
            gauss = np.exp(-0.5 * sigma**2 * ((gx - cx) ** 2 + (gy - cy) ** 2))
            part = scipy.fft.ifft2(spectrum * gauss)
            part[np.abs(part) < 0.05 * np.percentile(np.abs(part), 99.5)] = 0
            total += scipy.fft.fft2(part) * gauss
    wave = scipy.fft.ifft2(total)[:h, :w] * (step * sigma) ** 2 / np.pi
    return np.angle(wave), 2 * np.abs(wave)


def phase_stepping(picture: Array, valid: Array, carrier: Array) -> tuple[Array, Array]:
    """Spatial-carrier phase stepping: neighbours a quarter period apart as five steps, by least squares.

    Known local steps from the carrier (Lai and Yatagai 1991, J. Opt. Soc. Am. A 8, 822, for steps of any size;
    spatial carriers: Servin and Cuevas 1995; both from memory). Window of five samples along the row.
    """
    fx, _ = frequency(carrier)
    hop = max(1, round(0.25 / abs(fx)))
    soft = cv2.blur(picture, (3, 3))
    matrix, right, ok = np.zeros((*picture.shape, 3, 3)), np.zeros((*picture.shape, 3)), valid.copy()
    for k in (-2, -1, 0, 1, 2):
        turned = np.roll(carrier, -k * hop, axis=1) - carrier
        row = np.stack([np.ones_like(turned), np.cos(turned), -np.sin(turned)], -1)
        matrix += row[..., :, None] * row[..., None, :]
        right += row * np.roll(soft, -k * hop, axis=1)[..., None]
        ok &= np.roll(valid, -k * hop, axis=1)
    ok[:, : 2 * hop] = ok[:, -2 * hop :] = False
    matrix[~ok] = np.eye(3)
    found = np.linalg.solve(matrix, right[..., None])[..., 0]
    return np.where(ok, np.arctan2(found[..., 2], found[..., 1]), np.nan), np.hypot(
        found[..., 1], found[..., 2]
    )


def edge_tracking(picture: Array, valid: Array, carrier: Array) -> tuple[Array, Array]:
    """Stripe edges along each row to a fraction of a cell, half a period apart, and lines between them.

    Edges are where the brightness crosses its local mean (over two periods); the phase between edges is
    interpolated along the row and then averaged along the stripes over a fifth of a period.
    """
    fx, _ = frequency(carrier)
    period = 1 / abs(fx)
    weight = valid.astype(np.float32)
    share = np.maximum(cv2.GaussianBlur(weight, (0, 0), period), 1e-3)
    level = cv2.GaussianBlur(np.where(valid, picture, 0).astype(np.float32), (0, 0), period) / share
    swing = np.where(valid, picture - level, np.nan)
    phase, columns = np.full(picture.shape, np.nan), np.arange(picture.shape[1])
    for r in range(picture.shape[0]):
        line = swing[r]
        with np.errstate(invalid="ignore"):
            left = np.flatnonzero(line[:-1] * line[1:] < 0)
        place = left + line[left] / (line[left] - line[left + 1])
        falls = line[left] > 0
        # Noise crosses twice within a few cells: such pairs go.
        keep = np.ones(place.size, bool)
        close = np.flatnonzero(np.diff(place) < 0.2 * period)
        keep[close] = keep[close + 1] = False
        place, falls = place[keep], falls[keep]
        if place.size < 2:
            continue
        edge = np.where(falls, 0.5 * np.pi, -0.5 * np.pi)
        step = np.diff(place)
        # A missed edge leaves two alike in a row: a whole period lies between them.
        turn = (
            np.concatenate([[0.0], np.cumsum(np.where(falls[1:] == falls[:-1], 2 * np.pi, np.pi))]) + edge[0]
        )
        line_phase = np.interp(columns, place, turn, left=np.nan, right=np.nan)
        slot = np.searchsorted(place, columns) - 1
        inside = (slot >= 0) & (slot < step.size)
        gap = np.where(inside, step[np.clip(slot, 0, step.size - 1)], np.inf)
        phase[r] = np.where(gap < 1.3 * period, line_phase, np.nan)
    known = np.isfinite(phase) & valid
    wave = np.where(known, np.exp(1j * np.nan_to_num(phase)), 0)
    size = (0, 0)
    re, im, held = (
        cv2.GaussianBlur(np.ascontiguousarray(v, np.float32), size, 0.6, sigmaY=0.2 * period)
        for v in (wave.real, wave.imag, known)
    )
    amplitude = np.hypot(re, im) / np.maximum(held, 1e-3)
    return np.where(known, np.arctan2(im, re), np.nan), np.where(known, amplitude, 0.0)
