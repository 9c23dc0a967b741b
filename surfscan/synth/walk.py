"""A phone carried past a panel: where it is at each moment, and the frames of a video with rolling shutter and blur."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from surfscan.core.records import Pose
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Scene

__all__ = ["Walk", "frames", "walk_past"]

Array = NDArray[Any]

TREMOR_HZ = (1.1, 2.3, 4.7, 8.5)
"""Of a hand: sway of the body, and physiological tremor at 8 to 12 Hz (common knowledge, from memory)."""

TREMOR_MM = (3.0, 1.2, 0.4, 0.12)
"""Amplitudes of the place at those."""

TREMOR_MRAD = (6.0, 4.0, 2.0, 1.0)
"""Amplitudes of the direction, and of the roll."""


@dataclass(frozen=True)
class Walk:
    """A path of a camera.

    Attributes
    ----------
    times_s, eyes_mm, targets_mm : ndarray (N,), (N, 3), (N, 3)
        Where it is, and what it looks at, at some times; between them a cubic spline.
    phases : ndarray (2, 3, K)
        Phases of the hand's tremor, rad: of place and direction, along three axes.
    shake : float
        How much of the usual tremor.
    """

    times_s: Array
    eyes_mm: Array
    targets_mm: Array
    phases: Array
    shake: float = 1.0

    def at(self, t: ArrayLike) -> tuple[Array, Array]:
        """Rotations (..., 3, 3) and centres (..., 3) at times (...,), s."""
        t = np.asarray(t, float)
        turns = 2 * np.pi * t[..., None, None] * np.array(TREMOR_HZ) + self.phases[:, None].reshape(
            2, *(1,) * t.ndim, 3, len(TREMOR_HZ)
        )
        moved = self.shake * np.sum(np.sin(turns[0]) * TREMOR_MM, -1)
        turned = 1e-3 * self.shake * np.sum(np.sin(turns[1]) * TREMOR_MRAD, -1)
        eye = CubicSpline(self.times_s, self.eyes_mm)(t) + moved
        ahead = CubicSpline(self.times_s, self.targets_mm)(t) - eye
        ahead = ahead / np.linalg.norm(ahead, axis=-1, keepdims=True)
        right = np.cross(ahead, [0.0, 1.0, 0.0])
        right = right / np.linalg.norm(right, axis=-1, keepdims=True)
        still = np.stack([right, np.cross(ahead, right), ahead], -2)
        return _turn(turned) @ still, eye

    def pose(self, t: float) -> Pose:
        """The pose at one time."""
        rotation, eye = self.at(t)
        return Pose(rotation, -rotation @ eye, np.zeros((6, 6)), 0.0)


def _turn(v: Array) -> Array:
    """Rotation matrices of small rotation vectors (..., 3), to second order made square again."""
    x, y, z = np.moveaxis(v, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack(
        [np.stack([zero, -z, y], -1), np.stack([z, zero, -x], -1), np.stack([-y, x, zero], -1)], -2
    )
    angle = np.linalg.norm(v, axis=-1)[..., None, None] + 1e-12
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * cross + (1 - np.cos(angle)) / angle**2 * cross @ cross
    )


def walk_past(
    scene: Scene,
    *,
    seconds: float,
    rng: np.random.Generator,
    passes: int = 2,
    reach: float = 0.36,
    distance_mm: float = 1000.0,
    shake: float = 1.0,
) -> Walk:
    """A walk to and fro, so that the middle of the board's reflection passes over the panel.

    Parameters
    ----------
    scene : Scene
        With a board.
    seconds : float
        How long it takes.
    rng : numpy.random.Generator
    passes : int
        How often the reflection crosses the panel, each time further up.
    reach : float
        How far from the panel's middle it goes, as a share of the panel's sides.
    distance_mm : float
        From panel to camera.
    shake : float
        How much of a hand's usual tremor.
    """
    assert scene.board is not None
    w, h = scene.panel.size_mm
    corners = []
    for k in range(passes):
        y = 0.0 if passes == 1 else (2 * k / (passes - 1) - 1) * reach * h
        corners += [(-reach * w, y), (reach * w, y)] if k % 2 == 0 else [(reach * w, y), (-reach * w, y)]
    legs = np.linalg.norm(np.diff(corners, axis=0), axis=1)
    way = np.r_[0.0, np.cumsum(legs)] / max(legs.sum(), 1e-9)
    times = np.linspace(0, 1, 4 * passes + 1)
    aims = np.stack([np.interp(times, way, [c[n] for c in corners]) for n in (0, 1)], -1)
    eyes = []
    for aim in aims + rng.uniform(-10, 10, aims.shape):
        p, q = (float(v) for v in scene.panel.form.slopes(*aim))
        normal = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
        place = np.array([*aim, float(scene.panel.form.height(*aim))])
        out = (scene.board.centre_mm - place) / np.linalg.norm(scene.board.centre_mm - place)
        eyes.append(place + (2 * (out @ normal) * normal - out) * distance_mm * rng.uniform(0.97, 1.03))
    targets = np.column_stack([rng.uniform(-20, 20, (len(aims), 2)), np.zeros(len(aims))])
    phases = rng.uniform(0, 2 * np.pi, (2, 3, len(TREMOR_HZ)))
    return Walk(seconds * times, np.array(eyes), targets, phases, shake)


def frames(  # house: each is a setting of the camera, and all but two have a default
    scene: Scene,
    walk: Walk,
    *,
    pattern: str = "crossed",
    varies: str = "across",
    rate_hz: float = 30.0,
    readout_s: float = 0.02,
    exposure_s: float = 0.008,
    part: int = 0,
    parts: int = 1,
) -> Iterator[Array]:
    """Each frame of a video in linear light, (H, W) float32, noiseless.

    Parameters
    ----------
    scene : Scene
    walk : Walk
        Frames are taken from its first time to its last; a frame's middle row is exposed about its time.
    pattern, varies : str
        As of `Exposure`.
    rate_hz : float
        Frames a second.
    readout_s : float
        From the first row's exposure to the last one's: rolling shutter.
    exposure_s : float
        How long each row is exposed: motion blur.
    part, parts : int
        Which frames: every so manieth, from that one on.
    """
    height = scene.image_size_px[1]
    first, last = walk.times_s[[0, -1]]
    margin = 0.5 * (readout_s + exposure_s)
    for t in np.arange(first + margin, last - margin, 1 / rate_hz)[part::parts]:

        def moving(rows: Array, t: float = float(t)) -> tuple[Array, Array]:
            of_rows = t + readout_s * ((rows + 0.5) / height - 0.5)
            return walk.at(np.stack([of_rows - 0.5 * exposure_s, of_rows + 0.5 * exposure_s]))

        shot = Exposure("frame", walk.pose(float(t)), pattern=pattern, varies=varies, moving=moving)
        yield render(replace(scene, shots=(shot,)), shot)
