"""A small fault as the photo shows it: a piece of the photo around it, enlarged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import cv2
import numpy as np

from surfscan.core.records import CheckResult
from surfscan.report.figures import _on_form, _upright_grey
from surfscan.report.legend import Pixels

__all__ = ["draw_fault_crop"]

SIDE_PX = 360
"""Of the picture."""

LEAST_PX = 40.0
"""Least part of the photo that is shown, each way: less shows pixels and no panel."""

AROUND = 4.0
"""What is shown, over the fault's length."""

_RING = (24, 24, 24), (255, 255, 255)


def draw_fault_crop(result: CheckResult, fault: Mapping[str, Any]) -> Pixels | None:
    """Cut a fault out of the photo that a result is drawn on.

    Parameters
    ----------
    result : CheckResult
        With its photo.
    fault : mapping
        A row of ``details["faults"]``.

    Returns
    -------
    ndarray (360, 360, 3), uint8, or None
        With a ring around the fault; None where the photo does not show the place.
    """
    at = _on_form(result.height, np.array([[fault["x_mm"], fault["y_mm"]]]))
    reach = max(float(fault["length_mm"]), 0.1) / 2
    middle, right, up = result.project(at + reach * np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]))
    radius = float(max(np.linalg.norm(right - middle), np.linalg.norm(up - middle)))
    half = max(AROUND * radius, LEAST_PX / 2)
    high, wide = result.overlay_photo.shape
    if not (np.isfinite(middle).all() and 0 <= middle[0] < wide and 0 <= middle[1] < high):
        return None
    left, top = (int(max(np.floor(c - half), 0)) for c in middle)
    end, bottom = int(min(np.ceil(middle[0] + half) + 1, wide)), int(min(np.ceil(middle[1] + half) + 1, high))
    piece = _upright_grey(result.overlay_photo[top:bottom, left:end], 1.0)
    scale = SIDE_PX / max(piece.shape[:2])
    picture = np.zeros((SIDE_PX, SIDE_PX, 3), np.uint8)
    size = max(1, round(piece.shape[1] * scale)), max(1, round(piece.shape[0] * scale))
    picture[: size[1], : size[0]] = cv2.resize(piece, size, interpolation=cv2.INTER_CUBIC)
    centre = tuple(round((c + 0.5 - start) * scale) for c, start in zip(middle, (left, top), strict=True))
    ring = round((radius + 2) * scale)
    for colour, thick in zip(_RING, (4, 2), strict=True):
        cv2.circle(picture, centre, ring, colour, thick, cv2.LINE_AA)
    return picture
