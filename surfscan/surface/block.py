"""What a stiff sanding block rides on and what it bridges: the guide coat one would see."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.constants import SANDING_BLOCK_LENGTH
from surfscan.surface.contact import parts_of, read_between, rest

__all__ = ["BlockReach", "block_reach"]

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class BlockReach:
    """What a stiff block touches.

    Attributes
    ----------
    clearance_mm : ndarray (H, W), float64
        Smallest distance from the block's face, over all its places and directions, mm; NaN where not
        measured or where no place of the block could be worked out.
    ridden, bridged : ndarray (H, W), bool
        Clearance up to `ride_mm` (the guide coat comes off), and more (it stays). Neither where NaN.
    length_mm, width_mm, ride_mm : float
        The block, and the depth that counts as touched.
    """

    clearance_mm: Array
    ridden: Array
    bridged: Array
    length_mm: float
    width_mm: float
    ride_mm: float


def block_reach(
    height_mm: Array,
    *,
    step_mm: float,
    length_mm: float = SANDING_BLOCK_LENGTH.value,
    width_mm: float = 70.0,
    directions_deg: tuple[float, ...] = (0.0, 90.0),
    ride_mm: float = 0.01,
) -> BlockReach:
    """What a perfectly stiff flat block rides on and bridges: the guide coat one would see.

    The block lies along each direction in turn and is set down with its middle at every place. It rests like
    a ruler on the highest points of the strip it covers, is held level across its width, and takes nothing
    off. A place's clearance is the smallest distance from the block's face over all places of the block that
    cover it. Worked out on a grid about a seventieth of the block apart and read back at every cell.

    Parameters
    ----------
    height_mm : ndarray (H, W), float
        Heights, mm; NaN where not measured.
    step_mm : float
        Cell side, mm.
    length_mm, width_mm : float
        The block's face, mm.
    directions_deg : tuple of float
        How the block lies, from x towards y.
    ride_mm : float
        Clearance that still counts as touched, mm: about a guide coat and a few strokes (default, our
        choice).

    Returns
    -------
    BlockReach

    Raises
    ------
    ValueError
        For a length under two cells.
    """
    height = np.asarray(height_mm, dtype=np.float64)
    if height.ndim != 2:
        raise ValueError(f"height_mm must be 2-D; found {height.ndim}-D")
    if not length_mm >= 2 * step_mm > 0:
        raise ValueError(f"length_mm must be at least two cells; found {length_mm} with cells of {step_mm}")
    known = np.isfinite(height)
    height = np.where(known, height, np.nan)
    clearance = np.full(height.shape, np.nan)
    if known.any():
        # Each direction on its own thread: nothing is shared but the map, which nobody writes.
        with ThreadPoolExecutor(2) as pool:
            faces = list(pool.map(lambda d: _face(height, step_mm, length_mm, width_mm, d), directions_deg))
        for face in faces:
            clearance = np.fmin(clearance, np.maximum(face - height, 0.0))
    seen = np.isfinite(clearance)
    ridden = seen & (np.where(seen, clearance, np.inf) <= ride_mm)
    return BlockReach(clearance, ridden, seen & ~ridden, length_mm, width_mm, ride_mm)


def _face(height: Array, step: float, length: float, width: float, direction: float) -> Array:
    """Lowest place of the block's face over every cell, (H, W); NaN where the block can't be set down."""
    pitch = step * max(1, int(length / 70 / step))
    radians = math.radians(direction)
    dx, dy = math.cos(radians), math.sin(radians)
    rows, columns = height.shape
    # a grid along the block that holds the whole map, meeting the map's cells when it lies along an axis
    x = np.array([0, columns - 1, 0, columns - 1]) * step
    y = np.array([0, 0, rows - 1, rows - 1]) * step
    u, v = x * dx + y * dy, -x * dy + y * dx
    nu = math.ceil(np.ptp(u) / pitch - 1e-9) + 1
    nv = math.ceil(np.ptp(v) / pitch - 1e-9) + 1
    gu, gv = u.min() + np.arange(nu) * pitch, v.min() + np.arange(nv)[:, None] * pitch
    read = read_between(height, (gu * dy + gv * dx) / step, (gu * dx - gv * dy) / step)
    strip = 2 * int(width / 2 / pitch) + 1
    top = np.where(np.isnan(read), -np.inf, read)
    across = np.ones((strip, 1), dtype=np.uint8)
    # a repeated edge adds nothing: the edge itself is under the block already
    top = cv2.dilate(top, across, borderType=cv2.BORDER_REPLICATE)
    count = math.floor(length / 2 / pitch + 1e-9)
    t = np.arange(-count, count + 1) * pitch
    padded = np.pad(np.where(np.isinf(top), np.nan, top), ((0, 0), (count, count)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, t.size, axis=1).reshape(-1, t.size)
    rests = [rest(windows[part], t) for part in parts_of(len(windows))]
    level, slope = (np.concatenate([one[k] for one in rests]).reshape(nv, nu) for k in (0, 1))
    level = np.where(np.isnan(level), np.inf, level)
    slope = np.where(np.isnan(slope), 0.0, slope)
    face = np.full((nv, nu), np.inf)
    for k in range(-count, count + 1):
        to, of = slice(max(k, 0), nu + min(k, 0)), slice(max(-k, 0), nu + min(-k, 0))
        if to.stop > to.start:
            np.minimum(face[:, to], level[:, of] + slope[:, of] * (k * pitch), out=face[:, to])
    face = cv2.erode(face, across, borderType=cv2.BORDER_REPLICATE)
    face = np.where(np.isinf(face), np.nan, face)
    col, row = np.arange(columns) * step, np.arange(rows)[:, None] * step
    return read_between(
        face, (-col * dy + row * dx - v.min()) / pitch, (col * dx + row * dy - u.min()) / pitch
    )
