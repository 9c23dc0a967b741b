"""Whether a video's frames come from one fixed lens: stabilisation shifts and crops each by itself.

Each frame's tags tell by how much the optical axis and the focal length would have to be off for it (three numbers,
with their covariance). A wrong lens, or tags laid a little off, do so slowly, as the view changes; so frames a tenth of
a second apart are held against each other, by second differences.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from surfscan.core.records import Array, Camera, TagSeen
from surfscan.optics.lens import undistort
from surfscan.optics.pose import PoseFit
from surfscan.optics.pose_checks import CORNER_NOISE_PX
from surfscan.optics.pose_fit import pose_model

__all__ = ["AXIS_PX", "STRETCH", "lens_drift"]

AXIS_PX = 20.0
"""Shift of the optical axis with which a pose is fitted again."""

STRETCH = 0.01
"""The same of the focal length, as a share."""

LARGEST = 1.0
"""How far off a lens may be, in these steps (one standard deviation)."""

LEAST = 5
"""Fewest triples of frames that tell anything."""

LARGEST = 1.0
"""How far off a lens may be, in these steps (one standard deviation)."""

LEAST = 5
"""Fewest triples of frames that tell anything."""


def lens_drift(
    frames: Iterable[tuple[list[TagSeen], PoseFit]],
    *,
    centres_mm: Mapping[int, tuple[float, ...]],
    side_mm: float,
    camera: Camera,
) -> float:
    """Variance of the lens between frames, as a multiple of what the tags' corners would make of a fixed one.

    Parameters
    ----------
    frames : iterable of (list of TagSeen, PoseFit)
        About 0.1 s apart, in order: tags free of rolling shutter, and their pose by `camera`.
    centres_mm, side_mm, camera
        As in `surfscan.optics.pose.pose_from_tags`.
    """
    column, row = camera.centre_px
    lenses = (
        camera,
        replace(camera, centre_px=(column + AXIS_PX, row)),
        replace(camera, centre_px=(column, row + AXIS_PX)),
        replace(camera, focal_px=camera.focal_px * (1 + STRETCH)),
    )
    rows = []
    noise2, free = 0.0, 0
    for tags, fit in frames:
        misses = _misses(fit, tags, lenses, centres_mm, side_mm)
        moved = (misses[1:] - misses[0]).T
        loose = np.linalg.lstsq(moved, misses[0], rcond=None)[0]
        left = misses[0] - moved @ loose
        # Each pose takes six numbers, each tag three.
        free += left.size - 9 - 3 * (left.size // 8)
        noise2 += float(left @ left)
        rows.append((misses[0], moved))
    if len(rows) < LEAST + 2:
        return 0.0
    noise2 /= max(free, 1)
    # The tags leave some lenses open to hundreds of pixels, others in each frame: no lens is off by as much as that.
    held = noise2 / LARGEST**2 * np.eye(3)
    spread = np.array([np.linalg.inv(moved.T @ moved + held) for _, moved in rows])
    off = np.array([-s @ moved.T @ miss for s, (miss, moved) in zip(spread, rows, strict=True)])
    spread = noise2 * spread
    step = off[:-2] - 2 * off[1:-1] + off[2:]
    usual = spread[:-2] + 4 * spread[1:-1] + spread[2:]
    ratio = [float(s @ np.linalg.solve(u, s)) / 3 for s, u in zip(step, usual, strict=True)]
    return float(np.median(ratio))


def _misses(
    fit: PoseFit,
    tags: list[TagSeen],
    lenses: Sequence[Camera],
    centres_mm: Mapping[int, tuple[float, ...]],
    side_mm: float,
) -> Array:
    """Corner misses (L, 8 N), px, that each lens leaves with the pose fitted again, to first order."""
    known = [tag for tag in tags if tag.id in fit.tag_turn_rad]
    middle = np.array([centres_mm[tag.id] for tag in known], float)
    own = np.array([[fit.tag_turn_rad[tag.id], *fit.tag_tilt[tag.id]] for tag in known])
    misses, slopes = [], []
    for lens in lenses:
        ideal = np.stack([undistort(tag.corners_px, camera=lens) for tag in known])
        linear = pose_model(ideal, middle, side_mm, lens.focal_px / CORNER_NOISE_PX)
        miss, slope = linear(fit.pose.rotation, fit.pose.shift_mm, own)
        misses.append(miss)
        slopes.append(slope)
    miss, slope = np.stack(misses, -1), slopes[0]  # one slope for all: lenses this near are alike in it
    left = miss - slope @ (np.linalg.pinv(slope) @ miss)
    return np.asarray(left[: 8 * len(known)].T * CORNER_NOISE_PX)
