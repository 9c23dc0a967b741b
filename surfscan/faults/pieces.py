"""A small fault as each photo shows it: a piece of the photo around it, enlarged, with a ring."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.colour import shown_grey
from surfscan.core.reading import View
from surfscan.optics.lens import project

__all__ = ["MOST_CUT", "SIDE_PX", "cut_out"]

SIDE_PX = 240
"""Of a piece's picture."""

MOST_CUT = 60
"""Faults that have pieces; the clearest come first."""

LEAST_PX = 40.0
"""Least part of the photo that is shown, each way: less shows pixels and no panel."""

AROUND = 4.0
"""What is shown, over the fault's length."""

_RING = 24, 255


def cut_out(view: View, place_mm: Sequence[float] | Array, length_mm: float) -> Array | None:
    """Cut a fault out of a photo.

    Parameters
    ----------
    view : View
    place_mm : (x, y, z)
        Its middle.
    length_mm : float

    Returns
    -------
    ndarray (SIDE_PX, SIDE_PX), uint8, or None
        Grey, sRGB, with a ring around the fault; None where the photo does not show the place.
    """
    x, y, z = place_mm
    reach = max(float(length_mm), 0.1) / 2 * np.array([[0, 0], [1, 0], [0, 1]])
    column, row = project(x + reach[:, 0], y + reach[:, 1], z, camera=view.camera, pose=view.pose)
    ends = np.stack([column, row], -1)
    middle, radius = ends[0], float(np.max(np.linalg.norm(ends[1:] - ends[0], axis=1)))
    half = max(AROUND * radius, LEAST_PX / 2)
    tall, wide = view.photo.image.shape
    if not (np.isfinite(ends).all() and 0 <= middle[0] < wide and 0 <= middle[1] < tall):
        return None
    left, top = (int(max(np.floor(c - half), 0)) for c in middle)
    right, low = (int(min(np.ceil(c + half) + 1, most)) for c, most in zip(middle, (wide, tall), strict=True))
    piece = view.photo.image[top:low, left:right]
    grey = shown_grey(piece)
    scale = SIDE_PX / max(piece.shape)
    size = [max(1, round(n * scale)) for n in piece.shape]
    picture = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    picture[: size[0], : size[1]] = cv2.resize(grey, size[::-1], interpolation=cv2.INTER_CUBIC)
    centre = tuple(round((c + 0.5 - start) * scale) for c, start in zip(middle, (left, top), strict=True))
    for shade, thick in zip(_RING, (4, 2), strict=True):
        cv2.circle(picture, centre, round((radius + 2) * scale), shade, thick, cv2.LINE_AA)
    return picture
