"""First poses from points on the panel plane: where a fit may start."""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.records import Array
from surfscan.optics.tag_shape import tag_corners, tag_middle

__all__ = ["board_starts", "planar_starts"]


def planar_starts(points: Array, ideal: Array) -> list[tuple[Array, Array]]:
    """Both planar solutions that see the panel from its front."""
    _, rotations, shifts, _ = cv2.solvePnPGeneric(
        np.ascontiguousarray(points), np.ascontiguousarray(ideal), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    starts = []
    for rotation, shift in zip(rotations, shifts, strict=True):
        matrix = cv2.Rodrigues(rotation)[0]
        centre = -matrix.T @ shift.ravel()
        if centre[2] > 0 and np.isfinite(centre).all():
            starts.append((rotation.ravel().astype(float), shift.ravel().astype(float)))
    return starts or _square_on(points, ideal)


def board_starts(middles: Array, ideal: list[Array], side_mm: float) -> list[tuple[Array, Array]]:
    """First poses of a board, (rotation vector, shift) each, from its tags' middles and their corners without the lens.

    Parameters
    ----------
    middles : ndarray (N, 2)
        (across, up) on the board, mm.
    ideal : list of ndarray (4, 2)
    side_mm : float
    """
    spread = np.linalg.svd(middles - middles.mean(0), compute_uv=False)
    if len(middles) >= 4 and spread[1] > 0.5 * side_mm:
        centres = np.column_stack([middles, np.zeros(len(middles))])
        return planar_starts(centres, np.array([tag_middle(corners) for corners in ideal]))
    starts = []
    for quarter in range(4):  # few tags: their corners have to help, and prints lie in quarter turns
        turns = np.column_stack([np.full(len(middles), quarter * np.pi / 2), np.zeros((len(middles), 2))])
        points = tag_corners(turns, middles, side_mm).reshape(-1, 3)
        starts += planar_starts(points, np.concatenate(ideal))
    return starts


def _square_on(points: Array, ideal: Array) -> list[tuple[Array, Array]]:
    """The pose of the homography, for a view so exactly square on that the solver divides by zero."""
    plane, _ = cv2.findHomography(np.ascontiguousarray(points[:, :2]), np.ascontiguousarray(ideal))
    if plane is None or not np.isfinite(plane).all():
        return []
    plane = plane * np.sign(plane[2] @ [*points[:, :2].mean(0), 1.0])  # in front of the camera
    scale = float(np.sqrt(np.linalg.norm(plane[:, 0]) * np.linalg.norm(plane[:, 1])))
    if scale <= 0:
        return []
    first, second, shift = (plane / scale).T
    left, _, right = np.linalg.svd(np.column_stack([first, second, np.cross(first, second)]))
    rotation = left @ right
    if np.linalg.det(rotation) < 0 or (-rotation.T @ shift)[2] <= 0:
        return []
    return [(cv2.Rodrigues(rotation)[0].ravel(), shift)]
