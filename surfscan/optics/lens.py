"""Points to pixels and back: a pinhole with OpenCV's distortion of five or eight coefficients.

The formula is written out here, rather than called from OpenCV, because the rectification projects whole
panel grids many times; a test holds it against ``cv2.projectPoints``.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Array, Camera, Pose
from surfscan.optics.rolling import as_exposed

__all__ = ["project", "undistort"]


def project(
    x_mm: Array, y_mm: Array, z_mm: Array | float, *, camera: Camera, pose: Pose
) -> tuple[Array, Array]:
    """Project panel points into a photo.

    Parameters
    ----------
    x_mm, y_mm, z_mm : ndarray, broadcastable to one shape
        Points in the panel frame, mm.
    camera, pose : Camera, Pose

    Returns
    -------
    column, row : ndarray
        Pixel places of the common shape, float64; NaN for points behind the camera.

    Notes
    -----
    Brown's model in OpenCV's form: x'' = x'(1 + k1 r^2 + k2 r^4 + k3 r^6) + 2 p1 x'y' + p2(r^2 + 2x'^2); with
    eight coefficients the bracket is divided by 1 + k4 r^2 + k5 r^4 + k6 r^6.
    """
    rot, shift = pose.rotation, pose.shift_mm
    xc = rot[0, 0] * x_mm + rot[0, 1] * y_mm + (rot[0, 2] * z_mm + shift[0])
    yc = rot[1, 0] * x_mm + rot[1, 1] * y_mm + (rot[1, 2] * z_mm + shift[1])
    zc = rot[2, 0] * x_mm + rot[2, 1] * y_mm + (rot[2, 2] * z_mm + shift[2])
    zc = np.where(zc > 0, zc, np.nan)
    if pose.sway.any():
        xc, yc, zc = as_exposed(xc, yc, zc, pose)
    u, v = _distort(xc / zc, yc / zc, camera.distortion)
    return camera.focal_px * u + camera.centre_px[0], camera.focal_px * v + camera.centre_px[1]


def _distort(u: Array, v: Array, distortion: tuple[float, ...]) -> tuple[Array, Array]:
    if not any(distortion):
        return u, v
    k1, k2, p1, p2, k3 = distortion[:5]
    r2 = u * u + v * v
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    if len(distortion) == 8:
        k4, k5, k6 = distortion[5:]
        radial = radial / (1 + r2 * (k4 + r2 * (k5 + r2 * k6)))
    return (
        u * radial + 2 * p1 * u * v + p2 * (r2 + 2 * u * u),
        v * radial + p1 * (r2 + 2 * v * v) + 2 * p2 * u * v,
    )


def undistort(points_px: NDArray[np.float64], *, camera: Camera) -> NDArray[np.float64]:
    """Turn pixels into ideal pinhole directions.

    Parameters
    ----------
    points_px : ndarray (N, 2)
        Columns and rows.
    camera : Camera

    Returns
    -------
    ndarray (N, 2)
        x/z and y/z in the camera frame.
    """
    shaped = np.ascontiguousarray(points_px, dtype=np.float64).reshape(-1, 1, 2)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-12)
    known = camera.matrix, np.array(camera.distortion)
    ideal = (
        cv2.undistortPointsIter(shaped, *known, None, None, criteria)
        if hasattr(cv2, "undistortPointsIter")  # before OpenCV 5
        else cv2.undistortPoints(shaped, *known, criteria=criteria)
    )
    return np.asarray(ideal, dtype=np.float64).reshape(-1, 2)
