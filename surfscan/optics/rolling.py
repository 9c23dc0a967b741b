"""Rolling shutter: a frame whose rows are exposed one after another while the camera moves.

Within one frame the camera turns and shifts at constant rates (`Pose.sway`); the pose itself is the one as the optical
axis is exposed. Turns are some milliradians, so a rotation is written out to second order. (Constant-velocity model of
rolling shutter cameras: Meingast, Geyer and Sastry 2005, from memory.)
"""

from __future__ import annotations

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.records import Pose

__all__ = ["as_exposed", "eye_of", "ray_of"]

ROUNDS = 2
"""Of where a point is exposed and what the pose is then: each is some hundred times closer, so two leave a thousandth
of a pixel."""


def as_exposed(
    x: Array, y: Array, z: Array, pose: Pose, *, rounds: int = ROUNDS
) -> tuple[Array, Array, Array]:
    """Points in the frame of the camera as each is exposed, from those in the pose's own frame, mm."""
    a, b, c = x - pose.shift_mm[0], y - pose.shift_mm[1], z - pose.shift_mm[2]
    shift = pose.shift_mm
    for _ in range(rounds):
        change = _change(pose, x / z, y / z)
        ta, tb, tc = _turned(a, b, c, change)
        x, y, z = ta + shift[0] + change[3], tb + shift[1] + change[4], tc + shift[2] + change[5]
    return x, y, z


def eye_of(pose: Pose, x_mm: Array, y_mm: Array, z_mm: Array) -> Array:
    """Camera centre as each panel point is exposed, in the panel frame: (3, ...); (3,) without a rolling shutter."""
    if not pose.sway.any():
        return pose.centre_mm
    points = np.stack([x_mm, y_mm, z_mm], -1) @ pose.rotation.T + pose.shift_mm
    x, y, z = np.moveaxis(points, -1, 0)
    x, y, z = as_exposed(x, y, z, pose, rounds=1)
    return _centre(pose, _change(pose, x / z, y / z))


def ray_of(pose: Pose, u: Array, v: Array) -> tuple[Array, Array]:
    """Camera centre, (3,) or (3, ...), and direction (3, ...), not normalised, of the rays at x/z and y/z."""
    if not pose.sway.any():
        return pose.centre_mm, np.moveaxis(np.stack([u, v, np.ones_like(u)], -1) @ pose.rotation, -1, 0)
    change = _change(pose, u, v)
    ray = np.stack(_turned(u, v, np.ones_like(u), [-part for part in change[:3]]), -1) @ pose.rotation
    return _centre(pose, change), np.moveaxis(ray, -1, 0)


def _centre(pose: Pose, change: list[Array]) -> Array:
    """Camera centre (3, ...) after a change of the pose."""
    a, b, c = (pose.shift_mm[k] + change[3 + k] for k in range(3))
    back = _turned(a, b, c, [-part for part in change[:3]])
    return -np.moveaxis(np.stack(back, -1) @ pose.rotation, -1, 0)


def _change(pose: Pose, u: Array, v: Array) -> list[Array]:
    """Turn and shift since the optical axis was exposed."""
    if not pose.sway[0].any():  # rows are read, as most cameras held level do
        return [v * each for each in pose.sway[1]]
    return [u * first + v * second for first, second in pose.sway.T]


def _turned(a: Array, b: Array, c: Array, turn: list[Array]) -> tuple[Array, Array, Array]:
    """Vectors turned by small rotation vectors, to second order."""
    x, y, z = turn[:3]
    da, db, dc = y * c - z * b, z * a - x * c, x * b - y * a
    return (
        a + da + 0.5 * (y * dc - z * db),
        b + db + 0.5 * (z * da - x * dc),
        c + dc + 0.5 * (x * db - y * da),
    )
