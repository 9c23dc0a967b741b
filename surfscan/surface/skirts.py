"""How far spots reach: what stands out of a fair form, and the skirts that no threshold shows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.records import Array

__all__ = ["Skirts", "find_skirts"]

STRETCH = 2.0
"""Skirts are taken to run out this much more slowly than a Gaussian spot's of the same depth and size."""

LEAST_MM = 8.0
"""Least standard deviation of that Gaussian."""


@dataclass(frozen=True, slots=True)
class Skirts:
    """What stands out of a form, and what it may do to the metal around it.

    Attributes
    ----------
    spot : ndarray (H, W), int
        Number of the spot that a cell is nearest to, from 1; all 0 when there is none.
    out : ndarray (H, W), bool
        The spots themselves.
    height_mm : ndarray (H, W)
        Signed height that the spot's skirt may have there; 0 where nothing of the form is learned.
    weight : ndarray (H, W)
        noise^2 / (noise^2 + skirt^2): 1 far from any spot, 0 in one.
    """

    spot: Array
    out: Array
    height_mm: Array
    weight: Array


def find_skirts(
    residual_mm: Array, valid: Array, *, least_mm: float, noise_mm: float, step_mm: float, close_mm: float
) -> Skirts:
    """Find the spots that stand out of a form, and how far each may still pull it.

    A Gaussian spot of peak h that stands out by more than t over a radius R has the standard deviation
    S = R / sqrt(2 ln(h / t)), and d outside of that radius still t exp(-(2 R d + d^2) / (2 S^2)). So much, with d
    divided by `STRETCH`, a skirt may pull the form.

    Parameters
    ----------
    residual_mm : ndarray (H, W)
        Deviation from a form; 0 where not measured.
    valid : ndarray (H, W), bool
    least_mm : float
        What stands out by more is a spot.
    noise_mm : float
        Standard deviation of the fair metal.
    step_mm : float
    close_mm : float
        Closer than this to a spot, nothing counts.

    Returns
    -------
    Skirts
    """
    labels = np.zeros(valid.shape, int)
    peaks, radii, signs = [least_mm], [0.0], [0.0]
    for sign in (1.0, -1.0):  # a low beside a high is a spot of its own
        side = sign * residual_mm
        out: Array = (valid & (side > least_mm)).astype(np.uint8)
        # A lone cell is noise, not a spot.
        out = cv2.morphologyEx(out, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        count, parts, stats, _ = cv2.connectedComponentsWithStats(out, connectivity=8)
        inner = cv2.distanceTransform(np.pad(out, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
        for k in range(1, count):
            cells = parts == k
            labels[cells] = len(peaks)
            peaks.append(float(side[cells].max()))
            signs.append(sign)
            area = float(stats[k, cv2.CC_STAT_AREA])
            radii.append(min(float(np.sqrt(area / np.pi)), 1.5 * float(inner[cells].max())) * step_mm)
    standing = labels > 0
    if not standing.any():
        return Skirts(labels, standing, np.zeros(valid.shape), np.ones(valid.shape))
    peak, radius = np.array(peaks), np.array(radii)
    far, near = cv2.distanceTransformWithLabels(
        (~standing).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    of_pixel = np.zeros(int(near.max()) + 1, int)
    of_pixel[near[standing]] = labels[standing]
    square = np.maximum(radius**2 / (2 * np.log(np.maximum(peak / least_mm, 1.2))), LEAST_MM**2)
    of_cell = of_pixel[near]
    away = np.maximum(far * step_mm - close_mm, 0) / STRETCH
    fall = (2 * radius[of_cell] + away) * away / (2 * square[of_cell])
    skirt = np.where(away > 0, least_mm * np.exp(-fall), 0.0)
    weight = np.where(away > 0, 1 / (1 + (skirt / noise_mm) ** 2), 0.0)
    return Skirts(of_cell, standing, np.array(signs)[of_cell] * skirt, weight)
