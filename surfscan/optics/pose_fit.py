"""The least-squares fit of a camera's pose with each tag's own turn and tilt."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from surfscan.core.records import Array
from surfscan.optics.tag_shape import tag_corners

__all__ = ["TILT_PRIOR_RAD", "State", "fit_state", "pose_model", "seen_points"]

TILT_PRIOR_RAD = 0.3
"""Standard deviation of a tag's tilt: wide enough for the rim of a panel of 1 m radius."""

State = tuple[Array, Array, Array]
"""Rotation (3, 3), shift (3,), and each tag's own turn and slopes (N, 3)."""


MOST_STEPS = 100
"""Evaluations of a fit: one that settles takes ten to thirty; one that does not is no pose however long it goes on."""


def fit_state(
    linear: Callable[[Array, Array, Array], tuple[Array, Array]], state: State
) -> tuple[State, Array, Array]:
    """Least squares by MINPACK; returns the state, its residual and Jacobian. Turns are taken from the left."""
    from scipy.optimize import least_squares

    rotation, shift, own = state

    def at(x: Array) -> State:
        return cv2.Rodrigues(np.ascontiguousarray(x[:3]))[0] @ rotation, x[3:6], x[6:].reshape(own.shape)

    kept: dict[bytes, tuple[Array, Array]] = {}

    def both(x: Array) -> tuple[Array, Array]:
        """Residual and slope come together, and are asked for one after the other at one place."""
        key = x.tobytes()
        if key not in kept:
            kept.clear()
            kept[key] = linear(*at(x))
        return kept[key]

    def slope(x: Array) -> Array:
        jac = both(x)[1]
        return np.concatenate([jac[:, :3] @ _left_jacobian(x[:3]), jac[:, 3:]], 1)

    start = np.concatenate([np.zeros(3), shift, own.ravel()])
    found = least_squares(
        lambda x: both(x)[0],
        start,
        jac=slope,
        method="lm",
        x_scale="jac",
        xtol=1e-12,
        ftol=1e-12,
        max_nfev=MOST_STEPS,
    )
    miss, jac = linear(*at(found.x))
    return at(found.x), miss, jac


def _left_jacobian(turn: Array) -> Array:
    """What a change of a rotation vector is as a small turn from the left."""
    size = float(np.linalg.norm(turn))
    if size < 1e-6:
        return np.eye(3)
    x, y, z = turn / size
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(
        np.eye(3) + (1 - np.cos(size)) / size * cross + (1 - np.sin(size) / size) * cross @ cross
    )


def pose_model(
    ideal: Array, middle: Array, side: float, scale: float
) -> Callable[[Array, Array, Array], tuple[Array, Array]]:
    """Residual and slope of a pose with each tag's own turn and tilt: corners over their noise, tilts over theirs."""
    count = len(middle)
    prior = np.zeros((2 * count, 6 + 3 * count))
    tag = np.arange(count)
    for k in range(count):
        prior[2 * k, 7 + 3 * k] = prior[2 * k + 1, 8 + 3 * k] = 1 / TILT_PRIOR_RAD
    # Each tag as it lies, and with its turn and both slopes a little larger, all in one call.
    steps = np.concatenate([np.zeros((1, 3)), 1e-6 * np.eye(3)])
    places = np.tile(middle, (4, 1))
    rows = 8 * tag[:, None, None] + np.arange(8)
    columns = 6 + 3 * tag[:, None, None] + np.arange(3)[:, None]

    def linear(rotation: Array, shift: Array, own: Array) -> tuple[Array, Array]:
        lies = (own + steps[:, None]).reshape(-1, 3)
        points = tag_corners(lies, places, side).reshape(4, count, 4, 3)
        seen, jac = seen_points(points[0].reshape(-1, 3), rotation, shift)
        whole = np.zeros((8 * count, 6 + 3 * count))
        whole[:, :6] = jac
        by_point = (jac[:, 3:6].reshape(count, 8, 3) @ rotation).reshape(count, 4, 2, 3)
        change = (points[1:] - points[0]) * 1e6
        effect = np.einsum("ncij,ancj->naci", by_point, change).reshape(count, 3, 8)
        whole[rows, columns] = effect
        miss = ((seen - ideal.reshape(-1, 2)) * scale).ravel()
        return np.concatenate([miss, (own[:, 1:] / TILT_PRIOR_RAD).ravel()]), np.concatenate(
            [whole * scale, prior]
        )

    return linear


def seen_points(points: Array, rotation: Array, shift: Array) -> tuple[Array, Array]:
    """Ideal places (N, 2) of points (N, 3), and their Jacobian (2 N, 6) by a turn from the left and the shift."""
    a, b, c = (points @ rotation.T).T
    near = 1 / (c + shift[2])
    seen = np.empty((len(points), 2))
    u, v = seen.T
    u[:], v[:] = (a + shift[0]) * near, (b + shift[1]) * near
    # d(place)/d(camera point), and that times camera point by turn (-[R P]x).
    jac = np.zeros((len(points), 2, 6))
    du, dv = u * near, v * near
    jac[:, 0, 0], jac[:, 0, 1], jac[:, 0, 2] = -du * b, near * c + du * a, -near * b
    jac[:, 1, 0], jac[:, 1, 1], jac[:, 1, 2] = -near * c - dv * b, dv * a, near * a
    jac[:, 0, 3], jac[:, 0, 5] = near, -du
    jac[:, 1, 4], jac[:, 1, 5] = near, -dv
    return seen, jac.reshape(-1, 6)
