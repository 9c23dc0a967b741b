"""First poses from points on the panel plane: where a fit may start."""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.records import Array

__all__ = ["planar_starts"]


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
