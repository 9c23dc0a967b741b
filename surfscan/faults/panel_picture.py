"""A picture of the panel at the photos' own pitch, and the way of each photo's window to it."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.records import Grid
from surfscan.faults.leftover import Leftover
from surfscan.optics.lens import project

__all__ = ["PanelPicture", "blobs_of"]

LINK_PX = 4
"""Parts no farther apart than this are one fault."""


class PanelPicture:
    """A picture of the panel at the photos' own pitch, and each photo's way to it."""

    def __init__(self, leftovers: Sequence[Leftover], grid: Grid, height_mm: Array) -> None:
        self.pitch_mm = min(float(np.sqrt(np.nanmedian(lo.pixel_mm2(8)))) for lo in leftovers)
        self.left_mm, self.low_mm = float(grid.x_mm[0]), float(grid.y_mm[0])
        wide = int(np.ceil((grid.x_mm[-1] - self.left_mm) / self.pitch_mm)) + 1
        tall = int(np.ceil((grid.y_mm[-1] - self.low_mm) / self.pitch_mm)) + 1
        self.shape = tall, wide
        x, y = np.meshgrid(grid.x_mm, grid.y_mm)
        z = np.where(np.isfinite(height_mm), height_mm, np.nanmedian(height_mm))
        self.maps = []
        for lo in leftovers:
            column, row = project(x, y, z, camera=lo.view.camera, pose=lo.view.pose)
            self.maps.append(
                tuple(self._fine(v, grid) - low for v, low in ((column, lo.corner[0]), (row, lo.corner[1])))
            )

    def _fine(self, value: Array, grid: Grid) -> Array:
        tall, wide = self.shape
        scale = self.pitch_mm / grid.step_mm
        turn = np.array([[scale, 0, 0], [0, scale, 0]])
        return np.asarray(
            cv2.warpAffine(
                np.nan_to_num(value, nan=-1e4).astype(np.float32),
                turn,
                (wide, tall),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
        )

    def carry(self, k: int, picture: Array) -> Array:
        """A photo's window on the panel; 0 where it does not reach."""
        across, down = self.maps[k]
        return np.asarray(cv2.remap(picture, across, down, cv2.INTER_LINEAR, borderValue=0.0))

    def pixels(self, k: int, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Column and row in a photo's window of places of the panel, to the nearest cell."""
        column = np.clip(np.rint((x_mm - self.left_mm) / self.pitch_mm).astype(int), 0, self.shape[1] - 1)
        row = np.clip(np.rint((y_mm - self.low_mm) / self.pitch_mm).astype(int), 0, self.shape[0] - 1)
        across, down = self.maps[k]
        return across[row, column], down[row, column]


def blobs_of(core: Array) -> list[tuple[Array, tuple[int, int]]]:
    """Connected parts, small gaps bridged."""
    size = 2 * (LINK_PX // 2) + 1
    joined = cv2.dilate(core.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(joined, connectivity=8)
    blobs = []
    for k in range(1, count):
        left, top, wide, tall, _ = stats[k]
        box = slice(top, top + tall), slice(left, left + wide)
        blobs.append(((labels[box] == k) & core[box], (int(top), int(left))))
    return blobs
