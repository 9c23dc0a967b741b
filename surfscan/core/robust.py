"""Robust statistics and means over masks."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from surfscan.core.carrier import Array

__all__ = ["MAD_TO_SIGMA", "masked_mean", "robust_spread"]

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation: 1 / normal quantile 0.75."""


def robust_spread(miss: Array, times: float = 1.0) -> Any:
    """Standard deviation of what scatters about zero, by the median of its size.

    Parameters
    ----------
    miss : ndarray
        Deviations, at least one.
    times : float
        How many standard deviations to give.

    Returns
    -------
    float
        Of the deviations' precision.
    """
    return times * MAD_TO_SIGMA * np.median(np.abs(miss))


def masked_mean(value: Array, valid: Array, sigma_px: float) -> tuple[Array, Array]:
    """Gaussian mean of a map over its valid cells alone (normalised convolution).

    Parameters
    ----------
    value : ndarray (H, W)
        What is not valid is not looked at, so it may be NaN.
    valid : ndarray (H, W), bool
    sigma_px : float
        Standard deviation of the window, cells.

    Returns
    -------
    mean : ndarray (H, W), float32
        0 far from any valid cell.
    share : ndarray (H, W), float32
        How much of the window is valid, 0 to 1.
    """
    share = cv2.GaussianBlur(valid.astype(np.float32), (0, 0), sigma_px)
    total = cv2.GaussianBlur(np.where(valid, value, 0).astype(np.float32), (0, 0), sigma_px)
    return np.asarray(total / np.maximum(share, 1e-3)), np.asarray(share)
