"""The sRGB transfer function of IEC 61966-2-1, from light to the value that a picture stores."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["shown_grey", "to_srgb"]


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


def shown_grey(light: NDArray[Any]) -> NDArray[np.uint8]:
    """Encode a picture for a bright shop: no darker than a good exposure.

    Parameters
    ----------
    light : ndarray (H, W)
        Linear.

    Returns
    -------
    ndarray (H, W), uint8
        sRGB; 0.8 of white is where all but a hundredth of the picture is darker.
    """
    bright = float(np.percentile(light[::8, ::8], 99.0))
    steps = 4095
    gain = 0.8 / bright if bright > 0 else 1.0
    index = np.clip(light * np.float32(gain * steps), 0, steps).astype(np.int32)
    return np.asarray(np.rint(to_srgb(np.arange(steps + 1) / steps) * 255).astype(np.uint8)[index])
