"""Corners of small or oblique tags: the tag's whole known print laid over the photo until both agree.

A tag of 15 pixels has cells of two or three, and sides too short to fit lines to. Its print is known, though, so all
of its edges together say where it is: the four corners, a blur and the light on it are fitted by least squares to
the pixels' linear light (image registration by Gauss-Newton: Lucas and Kanade 1981, from memory).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Array

__all__ = ["align_tag"]

_SUB = 4  # samples along a pixel's side, averaged as the sensor does
_TEXELS = 8  # along a cell: edges ramp over an eighth of a cell, so that derivatives are smooth
_MARGIN = 0.6  # cells of the white paper around the black square that are looked at
_STEP = 0.05  # pixels, for the derivatives
_ROUNDS = 12
_LEAST_MATCH = 0.9  # correlation of print and photo: a right tag under noise reaches 0.97


def align_tag(image: Array, corners: Array, bits: NDArray[np.uint8]) -> Array | None:
    """Fit a tag's corners to all of its pixels.

    Parameters
    ----------
    image : ndarray (H, W), float32
        Linear light.
    corners : ndarray (4, 2)
        First guess, good to about a cell: upper left, upper right, lower right, lower left of the print.
    bits : ndarray (n, n), uint8
        The tag's cells with its black rim, 1 white, row 0 at its top.

    Returns
    -------
    ndarray (4, 2) or None
        None when the photo does not show this print there.
    """
    n = bits.shape[0]
    margin = _MARGIN / n
    reach = 2.0 + margin * float(np.abs(corners - corners.mean(0)).max()) * 2
    low = np.floor(corners.min(0) - reach).astype(int)
    high = np.ceil(corners.max(0) + reach).astype(int) + 1
    height, width = image.shape
    if (low < 0).any() or high[0] > width or high[1] > height:
        return None
    patch = image[low[1] : high[1], low[0] : high[0]].astype(np.float64)
    texture = np.kron(np.pad(bits.astype(np.float32), 1, constant_values=1.0), np.ones((_TEXELS, _TEXELS)))
    inside = _paper(corners - low, patch.shape, margin)
    if inside.sum() < 60:
        return None
    state = np.concatenate([(corners - low).ravel(), [0.5]])
    miss, match = _miss(state, patch, texture, n, inside)
    for _ in range(_ROUNDS):
        jac = np.empty((miss.size, 9))
        for k in range(9):
            moved = state.copy()
            moved[k] += _STEP
            jac[:, k] = (_miss(moved, patch, texture, n, inside)[0] - miss) / _STEP
        normal = jac.T @ jac
        if not np.trace(normal) > 0:  # a pattern that reads as a tag, and has none of its brightness
            return None
        step = np.linalg.solve(normal + 1e-6 * np.trace(normal) / 9 * np.eye(9), -jac.T @ miss)
        step[:8] = np.clip(step[:8], -1.0, 1.0)
        share = 1.0
        for _ in range(5):
            trial = state + share * step
            trial[8] = np.clip(trial[8], 0.2, 3.0)
            fresh, fits = _miss(trial, patch, texture, n, inside)
            if fresh @ fresh <= miss @ miss:
                break
            share *= 0.5
        else:
            break
        state, miss, match = trial, fresh, fits
        if np.abs(share * step[:8]).max() < 2e-3:
            break
    found: Array = state[:8].reshape(4, 2) + low
    side = float(np.linalg.norm(corners[0] - corners[2])) / np.sqrt(2)
    if match < _LEAST_MATCH or np.abs(found - corners).max() > 0.25 * side + 1:
        return None
    return found


def _paper(corners: Array, shape: tuple[int, int], margin: float) -> Array:
    """Pixels wholly on the square and its margin."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    turn = cv2.getPerspectiveTransform(corners.astype(np.float32), unit)
    c, r = np.meshgrid(np.arange(shape[1]), np.arange(shape[0]))
    place = cv2.perspectiveTransform(np.stack([c, r], -1).reshape(-1, 1, 2).astype(np.float64), turn)
    place = place.reshape(*shape, 2)
    return np.asarray(((place > -margin) & (place < 1 + margin)).all(-1))


def _miss(state: Array, patch: Array, texture: Array, n: int, inside: Array) -> tuple[Array, float]:
    """What the print, best lit, leaves of the patch; and their correlation."""
    corners, blur = state[:8].reshape(4, 2), float(state[8])
    # The texture's corners of the black square lie one cell in from its own; pixel centres at whole numbers.
    a, b = _TEXELS - 0.5, _TEXELS * (n + 1) - 0.5
    square = np.array([[a, a], [b, a], [b, b], [a, b]], np.float32)
    # In the finer raster of the samples.
    fine = (corners + 0.5) * _SUB - 0.5
    turn = cv2.getPerspectiveTransform(fine.astype(np.float32), square)
    size = patch.shape[1] * _SUB, patch.shape[0] * _SUB
    drawn = cv2.warpPerspective(
        texture.astype(np.float32),
        turn,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    drawn = cv2.GaussianBlur(drawn, (0, 0), blur * _SUB)
    drawn = cv2.resize(drawn, (patch.shape[1], patch.shape[0]), interpolation=cv2.INTER_AREA)
    r, c = np.nonzero(inside)
    seen, print_ = patch[inside], drawn[inside].astype(np.float64)
    terms = np.column_stack([np.ones(r.size), print_, c - c.mean(), r - r.mean()])
    light, *_ = np.linalg.lstsq(terms, seen, rcond=None)
    miss = seen - terms @ light
    if light[1] <= 0:
        return seen - seen.mean(), 0.0
    share = 1 - float(miss @ miss) / max(float(np.sum((seen - seen.mean()) ** 2)), 1e-30)
    return miss, float(np.sqrt(max(share, 0.0)))
