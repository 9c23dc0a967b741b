"""Gaussian filters of ISO 16610 on a map with holes: waviness, what is left, and a band between two cut-offs.

The weights are those of ISO 16610-21 (profile) and -61 (areal, the product of two profile filters):
``s(x) = exp(-pi (x / (alpha lc))^2) / (alpha lc)``, ``alpha = sqrt(ln 2 / pi)``, so a wave as long as the
cut-off passes half. At edges and holes the filter is carried on as a local regression with the same weights
(ISO 16610-28 for profiles; -31 for the robust kind): order 0 is the weighted mean of what is there, order 1
keeps any plane exactly, order 2 keeps any second-degree surface exactly. Far from edges orders 0 and 1 are
the standard's filter; order 2 passes more at the cut-off, as the standard's order-2 regression does.

The standards' text was not at hand: the clause numbers above are from memory, the formula is checked by its
transmission in the tests.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft, irfft2, next_fast_len, rfft, rfft2

from surfscan.core.constants import GAUSSIAN_ALPHA

__all__ = ["band_pass", "low_pass"]

Array = NDArray[Any]

# exp(-pi / alpha^2) = 6.6e-7: what is cut off beyond one cut-off length can't be seen in a height map
_REACH = 1.0
# Tukey's constant of ISO 16610-31, in units of the median absolute residual (3 standard deviations)
_TUKEY = 4.4478
_ROBUST_PASSES = 10
# taps above which the spectrum is the quicker way
_LONG = 60


def low_pass(
    height_mm: Array, *, step_mm: float, cutoff_mm: float, order: int = 1, robust: bool = False
) -> Array:
    """Waviness: the areal Gaussian low-pass of a map with holes.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    cutoff_mm : float
        Cut-off wavelength, mm; at least two cells.
    order : {0, 1, 2}
        Order of the regression at edges and holes, see the module's text.
    robust : bool
        Weigh down places far from the result (Tukey's weights, 4.4478 times the median absolute residual,
        repeated until that median settles), so that spots pull less. After ISO 16610-31.

    Returns
    -------
    ndarray (H, W), float64
        mm; NaN exactly where `height_mm` is not finite.

    Raises
    ------
    ValueError
        For a cut-off under two cells, an unknown order, or an array that is not 2-D.
    """
    height = np.asarray(height_mm, dtype=np.float64)
    if height.ndim != 2:
        raise ValueError(f"height_mm must be 2-D; found {height.ndim}-D")
    if not step_mm > 0 or not cutoff_mm >= 2 * step_mm:
        raise ValueError(f"cutoff_mm must be at least two cells; found {cutoff_mm} with cells of {step_mm}")
    if order not in (0, 1, 2):
        raise ValueError(f"order must be 0, 1 or 2; found {order}")
    known = np.isfinite(height)
    out = np.full(height.shape, np.nan)
    if not known.any():
        return out
    # the middle is taken off first: moments of small numbers round less
    middle = float(height[known].mean())
    filled = np.where(known, height - middle, 0.0)
    weight = known.astype(np.float64)
    smooth = _regress(filled, weight, known, step_mm, cutoff_mm, order)
    if robust:
        smooth = _robust(filled, known, smooth, step_mm, cutoff_mm, order)
    out[known] = smooth[known] + middle
    return out


def band_pass(height_mm: Array, *, step_mm: float, short_mm: float, long_mm: float, order: int = 1) -> Array:
    """Waves between two cut-offs: low-pass at the short one less low-pass at the long one.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    short_mm, long_mm : float
        The cut-offs, mm, the short one below the long one. A short cut-off under two cells keeps everything
        the grid holds at that end.
    order : {0, 1, 2}
        As in `low_pass`.

    Returns
    -------
    ndarray (H, W), float64
        mm; NaN where not measured.

    Raises
    ------
    ValueError
        When `short_mm` is not below `long_mm`, or as in `low_pass`.
    """
    if not 0 <= short_mm < long_mm:
        raise ValueError(f"short_mm must be below long_mm; found {short_mm} and {long_mm}")
    fine: Array = np.asarray(height_mm, dtype=np.float64)
    if short_mm >= 2 * step_mm:
        fine = low_pass(fine, step_mm=step_mm, cutoff_mm=short_mm, order=order)
    coarse = low_pass(height_mm, step_mm=step_mm, cutoff_mm=long_mm, order=order)
    band: Array = fine - coarse
    return band


def _kernels(step_mm: float, cutoff_mm: float, top: int, longest: int) -> list[Array]:
    """Weights times t**k for k = 0..top, t in units of the cut-off so that all moments are of one size."""
    # nothing lies further off than the map is long
    half = min(math.ceil(_REACH * cutoff_mm / step_mm), longest)
    t = np.arange(-half, half + 1) * (step_mm / cutoff_mm)
    weight = np.exp(-np.pi * (t / GAUSSIAN_ALPHA.value) ** 2)
    weight /= weight.sum()
    return [weight * t**k for k in range(top + 1)]


def _filter(image: Array, kernel: list[Array], powers: list[tuple[int, int]]) -> list[Array]:
    """Sums of the image under kernel[i] along x times kernel[j] along y, nothing outside, for each (i, j)."""
    size = kernel[0].size
    if size <= _LONG or not image.size:
        constant = cv2.BORDER_CONSTANT
        return [
            cv2.sepFilter2D(image, cv2.CV_64F, kernel[i], kernel[j], borderType=constant) for i, j in powers
        ]
    # long kernels by their spectra, padded so that nothing wraps round
    rows, columns = image.shape
    half = size // 2
    shape = next_fast_len(rows + half, real=True), next_fast_len(columns + half, real=True)
    spectrum = rfft2(image, s=shape)
    # reversed, as the sums are correlations, and turned so that the middle weight comes first
    along_x = {i: rfft(_wrapped(kernel[i], shape[1])) for i in {i for i, _ in powers}}
    along_y = {j: fft(_wrapped(kernel[j], shape[0]))[:, np.newaxis] for j in {j for _, j in powers}}
    return [irfft2(spectrum * along_y[j] * along_x[i], s=shape)[:rows, :columns] for i, j in powers]


def _wrapped(kernel: Array, length: int) -> Array:
    """The kernel reversed on a circle of that length, its middle at 0; what is longer wraps and adds up."""
    half = kernel.size // 2
    out = np.zeros(length)
    np.add.at(out, np.arange(-half, half + 1) % length, kernel[::-1])
    return out


def _regress(
    filled: Array, weight: Array, wanted: Array, step_mm: float, cutoff_mm: float, order: int
) -> Array:
    """Weighted local regression of the given order, its value at each wanted cell (0 elsewhere)."""
    powers = [(i, n - i) for n in range(order + 1) for i in range(n, -1, -1)]
    kernel = _kernels(step_mm, cutoff_mm, 2 * order, max(filled.shape))
    weighted = filled * weight
    degrees = sorted({(i + k, j + m) for i, j in powers for k, m in powers})
    right = [part[wanted] for part in _filter(weighted, kernel, powers)]
    moment = {
        degree: part[wanted] for degree, part in zip(degrees, _filter(weight, kernel, degrees), strict=True)
    }
    # where all weight was lost the result is not used; it must only not overflow
    mass = np.maximum(moment[0, 0], 1e-12)
    mean = right[0] / mass
    out = np.zeros(filled.shape)
    if order == 0:
        out[wanted] = mean
        return out
    # a ridge far under rounding of any real neighbourhood: it settles the slopes that one row, one column or
    # one lone cell leave open (at zero), and changes no other result
    ridge = 1e-11
    if order == 1:
        mx, my = moment[1, 0] / mass, moment[0, 1] / mass
        cxx = moment[2, 0] / mass - mx * mx + ridge
        cyy = moment[0, 2] / mass - my * my + ridge
        cxy = moment[1, 1] / mass - mx * my
        bx = right[1] / mass - mx * mean
        by = right[2] / mass - my * mean
        det = np.maximum(cxx * cyy - cxy * cxy, ridge * ridge)
        out[wanted] = mean - (mx * (cyy * bx - cxy * by) + my * (cxx * by - cxy * bx)) / det
        return out
    n = len(powers)
    normal = np.empty((mass.size, n, n))
    rhs = np.empty((mass.size, n, 1))
    for a, (i, j) in enumerate(powers):
        rhs[:, a, 0] = right[a] / mass
        for b, (k, m) in enumerate(powers):
            normal[:, a, b] = moment[i + k, j + m] / mass
    normal[:, np.arange(1, n), np.arange(1, n)] += ridge
    normal[:, 0, 0] = 1.0  # also where all weight was lost
    out[wanted] = np.linalg.solve(normal, rhs)[:, 0, 0]
    return out


def _robust(
    filled: Array, known: Array, smooth: Array, step_mm: float, cutoff_mm: float, order: int
) -> Array:
    """Repeat the regression with Tukey's weights until the median residual changes by less than 1 %."""
    before = math.inf
    floor = 1e-12 * max(1.0, float(np.abs(filled).max()))
    for _ in range(_ROBUST_PASSES):
        residual = np.where(known, filled - smooth, 0.0)
        size = float(np.median(np.abs(residual[known])))
        if size <= floor or abs(before - size) <= 0.01 * size:
            break
        before = size
        weight = np.where(known, np.clip(1 - (residual / (_TUKEY * size)) ** 2, 0, None) ** 2, 0.0)
        # a neighbourhood that lost all its weight keeps its former value
        fresh = _regress(filled, weight, known, step_mm, cutoff_mm, order)
        kernel = _kernels(step_mm, cutoff_mm, 0, max(filled.shape))[0]
        held = _filter(weight, [kernel], [(0, 0)])[0] > 1e-3
        smooth = np.where(held, fresh, smooth)
    return smooth
