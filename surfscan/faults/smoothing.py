"""The measured shape without what is finer than stripes tell, for drawing stripes where it puts them."""

from __future__ import annotations

import numpy as np

from surfscan.core.carrier import Array
from surfscan.surface.slopes import polynomial_terms

__all__ = ["cubic_trend", "gaussian_sigma"]


def cubic_trend(value: Array, good: Array, *, every: int) -> Array:
    """Cubic of a map by least squares over every so many of its good cells, on all cells.

    Parameters
    ----------
    value : ndarray (H, W)
    good : ndarray (H, W), bool
    every : int

    Returns
    -------
    ndarray (H, W)
    """
    y, x = np.meshgrid(*[np.linspace(-1, 1, n) for n in value.shape], indexing="ij")
    terms = polynomial_terms(x, y, 3)
    return np.asarray(terms @ np.linalg.lstsq(terms[good][::every], value[good][::every], rcond=None)[0])


def gaussian_sigma(cutoff: float) -> float:
    """Standard deviation of the Gaussian of ISO 16610-61 that lets half of a wave as long as the cut-off through.

    Its weight is exp(-pi (r / (alpha cut-off))^2), alpha = sqrt(ln 2 / pi).
    """
    return float(cutoff * np.sqrt(np.log(2) / 2) / np.pi)
