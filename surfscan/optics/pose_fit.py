"""The least-squares fit of a camera's pose with each tag's own turn and tilt."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from surfscan.core.records import Array

__all__ = ["State", "fit_state"]

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
