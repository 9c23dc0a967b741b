"""Phase of a stepped series: least squares per pixel for any known steps, absolute order from several periods.

Brightness of frame k at a pixel is ``level + amplitude * cos(phase + step_k)``. Three or more steps give the three
unknowns by least squares (for even steps, the N-step formula); what is left over tells a frame that moved or
that is not what the list says. A screen is not linear: its harmonics pull on the phase as a function of the phase
itself, the same all over the picture, and are fitted and taken off as such. One period says where in a stripe
a pixel looks; two or more together say in which stripe.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.records import Array
from surfscan.core.robust import robust_spread

__all__ = ["StepFit", "bend_of_screen", "find_place", "fit_steps", "odd_frames", "straighten", "tell_steps"]

LEAST_SPREAD = 0.15
"""Smallest singular value of the steps' design matrix over sqrt(N), below which they do not span the circle."""


@dataclass(frozen=True, slots=True)
class StepFit:
    """What a series of steps shows at each pixel.

    Attributes
    ----------
    phase_rad : ndarray (H, W), float64
        -pi to pi; NaN where the amplitude is nothing.
    amplitude, level : ndarray (H, W), float64
        Units of the frames.
    residual : ndarray (N, H, W), float32
        Frame minus fit. All zero for three steps.
    """

    phase_rad: Array
    amplitude: Array
    level: Array
    residual: Array


def _design(step_rad: Array) -> Array:
    return np.stack([np.ones_like(step_rad), np.cos(step_rad), -np.sin(step_rad)], -1)


def _spans(step_rad: Array) -> bool:
    """Whether the steps can tell level and wave apart."""
    if step_rad.size < 3:
        return False
    least = np.linalg.svd(_design(step_rad), compute_uv=False)[-1]
    return bool(least > LEAST_SPREAD * np.sqrt(step_rad.size))


def fit_steps(frames: Array, step_rad: Array) -> StepFit:
    """Fit level and wave to a stepped series, pixel by pixel.

    Parameters
    ----------
    frames : ndarray (N, H, W)
        Linear light, N at least 3.
    step_rad : ndarray (N,) or (N, H, W)
        Phase step of each frame, rad; a map for each frame when the camera was not still.

    Returns
    -------
    StepFit

    Raises
    ------
    ValueError
        With fewer than three frames, or steps that do not span the circle.

    Notes
    -----
    Noise of the phase for even steps: sqrt(2/N) sigma / amplitude, which is the Cramer-Rao bound (Surrel 1997,
    Appl. Opt. 36, 271).
    """
    steps = np.asarray(step_rad, float)
    typical = steps if steps.ndim == 1 else np.median(steps.reshape(len(steps), -1), 1)
    if len(frames) != len(steps) or not _spans(typical):
        raise ValueError("a stepped series needs at least three frames whose steps span the circle")
    if steps.ndim == 1:
        # float64 sums: the phase is asked to a thousandth of a radian over the whole picture.
        a, c, s = np.tensordot(np.linalg.pinv(_design(steps)), np.asarray(frames, np.float64), 1)
        fit = np.tensordot(_design(steps), np.stack([a, c, s]), 1)
    else:
        rows = np.moveaxis(_design(steps), 0, -2)  # (H, W, N, 3)
        values = np.moveaxis(np.asarray(frames, np.float64), 0, -1)
        normal = np.einsum("...ni,...nj->...ij", rows, rows)
        right = np.einsum("...ni,...n->...i", rows, values)
        found = np.linalg.solve(normal + 1e-12 * np.eye(3), right[..., None])[..., 0]
        a, c, s = np.moveaxis(found, -1, 0)
        fit = np.moveaxis(np.einsum("...ni,...i->...n", rows, found), -1, 0)
    amplitude = np.hypot(c, s)
    phase = np.where(amplitude > 0, np.arctan2(s, c), np.nan)
    return StepFit(phase, amplitude, a, (frames - fit).astype(np.float32))


def tell_steps(frames: Array, seen: Array, *, smooth_px: float) -> tuple[Array, Array]:
    """Read the steps of a series from the frames alone, up to a common offset and the sense of turning.

    Parameters
    ----------
    frames : ndarray (N, H, W)
    seen : ndarray (H, W), bool
    smooth_px : float
        Standard deviation of the window that takes each frame's own level off; about one stripe period.

    Returns
    -------
    angle_rad : ndarray (N,)
        Relative step of each frame; the first is 0.
    belongs : ndarray (N,)
        Share of each frame's waves that is explained by the two dimensions of one wave, 0 to 1.

    Notes
    -----
    Over many periods the mean product of two frames' waves is ``amplitude^2/2 * cos(step_j - step_k)``: the
    matrix of these products has rank two, and its two eigenvectors are the cosines and sines of the steps.
    """
    weight = seen.astype(np.float32)
    share = np.maximum(cv2.GaussianBlur(weight, (0, 0), smooth_px), 1e-3)
    waves = []
    for frame in frames:
        flat = np.where(seen, frame, 0).astype(np.float32)
        level = cv2.GaussianBlur(flat, (0, 0), smooth_px) / share
        waves.append(((flat - level) * weight)[seen])
    stack = np.stack(waves).astype(float)
    gram = np.einsum("ip,jp->ij", stack, stack) / max(stack.shape[1], 1)
    values, vectors = np.linalg.eigh(gram)
    plane = vectors[:, -2:] * np.sqrt(np.maximum(values[-2:], 0))
    angle = np.arctan2(plane[:, 0], plane[:, 1])
    belongs = np.sum(plane**2, 1) / np.maximum(np.diag(gram), 1e-30)
    return np.angle(np.exp(1j * (angle - angle[0]))), belongs


def odd_frames(
    told_rad: Array, belongs: Array, step_rad: Array, *, tolerance_rad: float = 0.5
) -> tuple[list[int], list[int]]:
    """Compare the steps that frames show with those of the list.

    Parameters
    ----------
    told_rad, belongs : ndarray (N,)
        From `tell_steps`.
    step_rad : ndarray (N,)
        From the list.
    tolerance_rad : float
        How far a frame may be off. Steps are rarely closer than pi/4, and a screen's harmonics and unequal
        brightness move what is told by up to a third of a radian.

    Returns
    -------
    strange : list of int
        Frames that show no such wave at all: of another period, of another direction, or of something else.
    displaced : list of int
        Frames that show a wave at another step than the list says.
    """
    strange = [int(k) for k in np.flatnonzero(belongs < 0.5)]
    use = np.setdiff1d(np.arange(len(step_rad)), strange)
    best: list[int] | None = None
    for sense in (1.0, -1.0):
        gap = np.exp(1j * (sense * told_rad - step_rad))
        for k in use:  # each frame in turn is trusted: the offset that most others share wins
            off = np.abs(np.angle(gap * np.conj(gap[k])))
            out = [int(j) for j in use if off[j] > tolerance_rad]
            if best is None or len(out) < len(best):
                best = out
    return strange, best or []


def bend_of_screen(
    phase_rad: Array, residual_rad: Array, good: Array, *, orders: tuple[int, ...], smooth_px: float
) -> Array:
    """Fit how a screen's harmonics pull on the phase: a Fourier series in the phase itself.

    Parameters
    ----------
    phase_rad : ndarray (H, W)
        Measured phase, wrapped or not.
    residual_rad : ndarray (H, W)
        The same, continuous, less a prediction; what changes over less than a stripe is the pull, once
        averaged over all places of the same phase.
    good : ndarray (H, W), bool
    orders : tuple of int
        Orders of the series: multiples of N for N even steps, whose other harmonics cancel.
    smooth_px : float
        Standard deviation of the high pass, about 0.7 stripe periods.

    Returns
    -------
    ndarray (2 * len(orders),)
        Coefficients of cos and sin of each order, rad; for `straighten`.
    """
    weight = good.astype(np.float32)
    share = np.maximum(cv2.GaussianBlur(weight, (0, 0), smooth_px), 1e-3)
    pick = np.zeros(good.shape, bool)
    skip = max(1, int(np.sqrt(good.sum() / 40000)))
    pick[::skip, ::skip] = True
    pick &= good & (share > 0.5)
    if pick.sum() < 20 * len(orders):
        return np.zeros(2 * len(orders))

    def sharp(a: Array) -> Array:
        flat = np.where(good, a, 0).astype(np.float32)
        return np.asarray((flat - cv2.GaussianBlur(flat, (0, 0), smooth_px) / share)[pick], dtype=float)

    terms = np.stack([sharp(f(n * phase_rad)) for n in orders for f in (np.cos, np.sin)], 1)
    value = sharp(residual_rad)
    root: Array = np.ones(int(pick.sum()))
    found = np.zeros(terms.shape[1])
    for _ in range(4):
        found = np.linalg.lstsq(terms * root[:, None], value * root, rcond=None)[0]
        miss = value - terms @ found
        root = 1 / np.sqrt(1 + (miss / (robust_spread(miss, 3) + 1e-9)) ** 2)
    return np.asarray(found)


def straighten(phase_rad: Array, bend: Array, *, orders: tuple[int, ...]) -> Array:
    """Correction to add to a measured phase, from the coefficients of `bend_of_screen`; same shape, rad."""
    pull = np.zeros(np.shape(phase_rad))
    for k, n in enumerate(orders):
        pull += bend[2 * k] * np.cos(n * phase_rad) + bend[2 * k + 1] * np.sin(n * phase_rad)
    return -pull


def find_place(
    phases_rad: list[Array], periods_mm: list[float], *, near_mm: Array, reach_mm: float
) -> tuple[Array, Array]:
    """Find the place on the board that all phases agree on: brute force over the stripes within reach.

    Parameters
    ----------
    phases_rad : list of ndarray (...)
        Wrapped phase of each period: ``2 pi place / period``.
    periods_mm : list of float
    near_mm : ndarray (...)
        About where the place is.
    reach_mm : float
        How far from there to search. Places that agree equally well (a whole beat apart) are told by nearness.

    Returns
    -------
    place_mm : ndarray (...)
        By the shortest period, in the stripe that fits best.
    misfit_mm : ndarray (...)
        Root mean square disagreement of the periods there, mm; 0 for a single period.
    """
    first = int(np.argmin(periods_mm))
    period = periods_mm[first]
    base = period * phases_rad[first] / (2 * np.pi)
    base = base + period * np.round((near_mm - base) / period)
    others = [k for k in range(len(periods_mm)) if k != first]
    count = int(np.ceil(reach_mm / period)) if others else 0
    best = np.full(np.shape(base), np.inf)
    place, misfit = base.copy(), np.zeros(np.shape(base))
    for k in sorted(range(-count, count + 1), key=abs):
        trial = base + k * period
        square = np.zeros(np.shape(base))
        for j in others:
            turn = trial / periods_mm[j] - phases_rad[j] / (2 * np.pi)
            square += (periods_mm[j] * (turn - np.round(turn))) ** 2
        square = np.sqrt(square / max(len(others), 1))
        # Nearness decides only between places that the phases can't tell apart.
        cost = square + 1e-3 * np.abs(trial - near_mm)
        better = cost < best
        best = np.where(better, cost, best)
        place, misfit = np.where(better, trial, place), np.where(better, square, misfit)
    return place, misfit
