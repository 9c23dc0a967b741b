"""One diverging pair of colours for the deviation: blue for low, orange for high, grey where fair.

Blue and orange stay apart for every common kind of colour blindness, and both darken with distance from
fair, so a black-and-white print still shows how far out a place is (the marks say which way).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["FAIR", "HIGH_INK", "LOW_INK", "colour_of", "nice_above", "strength_of"]

FAIR = (226, 226, 222)
LOW_INK = (10, 52, 128)  # outlines and marks of lows
HIGH_INK = (150, 62, 0)  # of highs

# Red, green, blue at: fair, just under the limit, at the limit, at the end of the scale.
_LOW = np.array([FAIR, (196, 207, 222), (120, 172, 226), (14, 50, 130)], np.float32)
_HIGH = np.array([FAIR, (228, 212, 190), (250, 178, 92), (158, 58, 0)], np.float32)


def _stops(limit_mm: float, end_mm: float) -> list[float]:
    return [0.0, 0.995 * limit_mm, limit_mm, max(end_mm, 1.001 * limit_mm)]


def colour_of(
    deviation_mm: NDArray[Any], *, low_mm: float, high_mm: float, end_mm: float
) -> NDArray[np.uint8]:
    """Return the colour of each deviation.

    Parameters
    ----------
    deviation_mm : ndarray (...)
        mm, + is high; NaN gives the fair colour (hatch it).
    low_mm, high_mm : float
        The limits, mm, over 0; the colour steps there.
    end_mm : float
        Deviation at the dark end, mm; beyond it the colour stays.

    Returns
    -------
    ndarray (..., 3), uint8
        Red, green, blue.
    """
    # One table over the whole scale: the picture has millions of pixels, the scale a few thousand shades.
    steps = 4096
    place = (np.clip(np.nan_to_num(deviation_mm), -end_mm, end_mm) + end_mm) * (steps / (2 * end_mm))
    level = np.linspace(-end_mm, end_mm, steps + 1)
    low_stops, high_stops = _stops(low_mm, end_mm), _stops(high_mm, end_mm)
    table = np.stack(
        [
            np.where(
                level < 0, np.interp(-level, low_stops, _LOW[:, k]), np.interp(level, high_stops, _HIGH[:, k])
            )
            for k in range(3)
        ],
        axis=-1,
    )
    colours: NDArray[np.uint8] = np.rint(table).astype(np.uint8)[(place + 0.5).astype(np.intp)]
    return colours


def strength_of(deviation_mm: NDArray[Any], *, low_mm: float, high_mm: float) -> NDArray[np.float32]:
    """Return how strongly to paint over a photo: 0 where fair (under half the limit), 1 from the limit on."""
    share = np.where(deviation_mm < 0, -deviation_mm / low_mm, deviation_mm / high_mm)
    strength: NDArray[np.float32] = np.clip(np.nan_to_num(2.0 * share - 1.0), 0.0, 1.0).astype(np.float32)
    return strength


_ROUND = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


def nice_above(value: float, *, steps: tuple[float, ...] = _ROUND) -> float:
    """Return the first of the steps (rising, up to 10) times a power of ten at or above `value` (over 0)."""
    power = 10.0 ** np.floor(np.log10(value))
    for step in steps:
        if step * power >= value * (1 - 1e-9):
            return float(step * power)
    return float(10.0 * power)
