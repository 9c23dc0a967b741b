"""First places of cameras and tags for a survey: tags taken as lying on one plane, photo joined to photo."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array
from surfscan.optics.planar_pose import planar_starts

__all__ = ["LEAST_SHARED", "Seen", "Starts", "first_places"]

LEAST_SHARED = 2
"""Fewest tags that join a photo to the others: one small square alone leaves their directions all but open."""

LEAST_TAGS = 3
"""Fewest tags of a survey, and of the photo that it begins with."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One photo's tags: numbers, and corners (N, 4, 2) as ideal directions x/z, y/z."""

    file: str
    ids: tuple[int, ...]
    ideal: Array


@dataclass(frozen=True, slots=True)
class Starts:
    """Where a fit begins, in a frame whose plane z = 0 lies through the tags.

    Attributes
    ----------
    ids : tuple of int
    tag_turns : ndarray (N, 3, 3)
    centres_mm : ndarray (N, 3)
    turns : ndarray (M, 3, 3)
        From that frame to each camera's.
    shifts_mm : ndarray (M, 3)
    """

    ids: tuple[int, ...]
    tag_turns: Array
    centres_mm: Array
    turns: Array
    shifts_mm: Array


def first_places(seen: Sequence[Seen], *, side_mm: float) -> Starts:
    """Place all tags and cameras well enough for a fit to begin.

    Raises
    ------
    RefusedError
        Fewer than three tags in every photo, tags in one line, or photos that share too few tags.
    """
    best = max(seen, key=lambda s: (len(s.ids), _size(s)))
    if len(best.ids) < LEAST_TAGS:
        raise RefusedError(
            f"{best.file}: too few tags to survey",
            found=f"{len(best.ids)} ({', '.join(map(str, best.ids)) or 'none'}), and no photo has more",
            allowed=f"at least {LEAST_TAGS} in one photo, better 4 in each",
            cure="lay a tag near each corner of the panel, and step back until all are in the photos",
        )
    turn, shift, flat = _from_one(best, side_mm)
    tags: dict[int, tuple[Array, float]] = dict(zip(best.ids, flat, strict=True))
    cameras: dict[str, tuple[Array, Array]] = {best.file: (turn, shift)}
    left = [s for s in seen if s is not best]
    while left:
        now = max(left, key=lambda s: len(set(s.ids) & set(tags)))
        shared = [k for k, tag in enumerate(now.ids) if tag in tags]
        if len(shared) < LEAST_SHARED:
            raise RefusedError(
                f"{now.file}: its tags do not join it to the other photos",
                found=f"{len(shared)} of its tags ({', '.join(map(str, now.ids)) or 'none'}) are in the others too",
                allowed=f"at least {LEAST_SHARED} tags in common, better 4",
                cure="let all tags be seen in every photo, and move none between the photos",
            )
        turn, shift = _camera(now, shared, tags, side_mm)
        cameras[now.file] = (turn, shift)
        for k, tag in enumerate(now.ids):
            if tag not in tags:
                tags[tag] = _on_plane(now.ideal[k], turn, shift)
        left.remove(now)
    ids = tuple(sorted(tags))
    turns = np.stack([_about_z(tags[tag][1]) for tag in ids])
    centres = np.stack([np.append(tags[tag][0], 0.0) for tag in ids])
    middle = centres.mean(0)
    spread = np.linalg.svd(centres - middle, compute_uv=False)
    if spread[1] < 0.5 * side_mm:
        raise RefusedError(
            "The tags lie in one line, which leaves the panel's tilt open",
            found=f"tags {', '.join(map(str, ids))}",
            allowed="three tags or more that are not in one line",
            cure="lay a tag off that line: one near each corner of the panel",
        )
    rotations = np.stack([cameras[s.file][0] for s in seen])
    shifts = np.stack([cameras[s.file][1] + cameras[s.file][0] @ middle for s in seen])
    return Starts(ids, turns, centres - middle, rotations, shifts)


def _square(side: float) -> Array:
    half = side / 2
    return np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])


def _size(seen: Seen) -> float:
    if not seen.ids:
        return 0.0
    return float(np.mean([abs(cv2.contourArea(corners.astype(np.float32))) for corners in seen.ideal]))


def _from_one(seen: Seen, side: float) -> tuple[Array, Array, list[tuple[Array, float]]]:
    """Camera and flat places of the tags from one photo: each square alone tells its distance, all their plane."""
    middles = []
    for corners in seen.ideal:
        _, _, shifts, errors = cv2.solvePnPGeneric(
            _square(side), np.ascontiguousarray(corners), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE_SQUARE
        )
        middles.append(shifts[int(np.argmin(np.ravel(errors)))].ravel())
    places = np.array(middles)
    origin = places.mean(0)
    _, spread, axes = np.linalg.svd(places - origin)
    if spread[1] < 0.5 * side:
        raise RefusedError(
            f"{seen.file}: the tags lie in one line, which leaves the panel's tilt open",
            found=f"tags {', '.join(map(str, seen.ids))}",
            allowed="three tags or more that are not in one line",
            cure="lay a tag off that line: one near each corner of the panel",
        )
    normal = axes[2] * -np.sign(axes[2] @ origin)  # towards the camera
    right = seen.ideal[:, 1:3].mean(1) - seen.ideal[:, [0, 3]].mean(1)
    along = np.append(right.mean(0), 0.0)
    along = along - normal * (along @ normal)
    if np.linalg.norm(along) < 1e-9:  # tags turned against each other: told later, where it is measured
        along = axes[0]
    along = along / np.linalg.norm(along)
    turn = np.column_stack([along, np.cross(normal, along), normal])
    return turn, origin, [_on_plane(corners, turn, origin) for corners in seen.ideal]


def _on_plane(ideal: Array, turn: Array, shift: Array) -> tuple[Array, float]:
    """Middle and turn of a tag whose corners are traced back to the plane z = 0."""
    rays = np.column_stack([ideal, np.ones(4)]) @ turn
    eye = -turn.T @ shift
    flat = eye[:2] - rays[:, :2] * (eye[2] / rays[:, 2:])
    edge = (flat[1] - flat[0]) + (flat[2] - flat[3])
    return flat.mean(0), float(np.arctan2(edge[1], edge[0]))


def _about_z(angle: float) -> Array:
    cos, sin = np.cos(angle), np.sin(angle)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


def _camera(
    seen: Seen, shared: Sequence[int], tags: dict[int, tuple[Array, float]], side: float
) -> tuple[Array, Array]:
    """A photo's pose by tags that are placed already, taken as flat: the better of both planar solutions."""
    points, corners = [], []
    for k in shared:
        middle, angle = tags[seen.ids[k]]
        points.append(_square(side) @ _about_z(angle).T + np.append(middle, 0.0))
        corners.append(seen.ideal[k])
    world, image = np.concatenate(points), np.concatenate(corners)
    fits = []
    for vector, shift in planar_starts(world, image):
        turn = cv2.Rodrigues(vector)[0]
        at = world @ turn.T + shift
        fits.append((float(np.mean((at[:, :2] / at[:, 2:] - image) ** 2)), turn, shift))
    if not fits:
        raise RefusedError(
            f"{seen.file}: no camera place fits its tags",
            found=f"tags {', '.join(map(str, seen.ids))}",
            allowed="tags that lie flat on the panel, seen from their front",
            cure="check that the photo is not mirrored, and that the tags lie flat",
        )
    _, turn, shift = min(fits, key=lambda fit: fit[0])
    return turn, np.asarray(shift)
