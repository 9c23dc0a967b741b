"""The sRGB transfer function of IEC 61966-2-1, from light to the value that a picture stores."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["to_srgb"]


def to_srgb(light: NDArray[Any]) -> NDArray[Any]:
    """Encode linear light.

    Parameters
    ----------
    light : ndarray
        0 black to 1 white.

    Returns
    -------
    ndarray
        0 to 1, of the same shape and precision.
    """
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
