"""Round lights in a photo: their subpixel centres, and which light of the lattice each one is.

The lattice is followed from neighbour to neighbour, best fit first, each with the lattice vectors of the dot it is
reached from: rows may bend and dots may miss. Where two ways lead to different numbers, or the image turns over
as it does behind a fold, no number is given.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from surfscan.core.records import Array
from surfscan.core.robust import MAD_TO_SIGMA

__all__ = ["Blobs", "find_blobs", "number_lattice"]

BRIGHT = 0.35
"""Share of the usual dot's contrast that makes a dot."""

NEAR = 0.35
"""How far from its expected place a neighbour may lie, as a share of the way to it: well under one half, where the
next dot would be as near."""

SURE = 0.2
"""Misfit of a step, as a share of the way, under which it may speak against another."""


@dataclass(frozen=True, slots=True)
class Blobs:
    """Dots found in a photo.

    Attributes
    ----------
    column, row : ndarray (N,), float64
        Centroids, px.
    area_px : ndarray (N,)
        Light over contrast: the area of a sharp dot, whatever the blur.
    contrast : ndarray (N,)
        Brightest over the local ground, linear light.
    """

    column: Array
    row: Array
    area_px: Array
    contrast: Array


def find_blobs(image: Array, usable: Array, *, spacing_px: float) -> Blobs:
    """Find bright round dots and their centroids.

    Parameters
    ----------
    image : ndarray (H, W), float32
        Linear light.
    usable : ndarray (H, W), bool
        Where the panel is seen; a dot that touches the rest is left out.
    spacing_px : float
        About how far dots are from each other.

    Returns
    -------
    Blobs
        Empty arrays when there are none.
    """
    size = 2 * round(0.45 * spacing_px) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    soft = cv2.GaussianBlur(image, (0, 0), max(0.03 * spacing_px, 0.7))
    dim = float(np.median(soft[usable])) if usable.any() else 0.0
    flat = np.where(usable, soft, dim).astype(np.float32)
    # Opening takes the dots off but sinks with the noise; a blur puts the ground back amid it.
    ground = cv2.GaussianBlur(cv2.morphologyEx(flat, cv2.MORPH_OPEN, kernel), (0, 0), 0.3 * spacing_px)
    lift = flat - ground
    peak = lift >= cv2.dilate(lift, np.ones((5, 5), np.uint8))
    grain = (
        MAD_TO_SIGMA * float(np.median(np.abs(lift[usable] - np.median(lift[usable]))))
        if usable.any()
        else 0.0
    )
    tops = lift[peak & usable & (lift > 6 * grain + 1e-4)]
    empty = np.zeros(0)
    if tops.size < 4:
        return Blobs(empty, empty, empty, empty)
    usual = float(np.percentile(tops, 75))
    light = (usable & (lift > BRIGHT * usual)).astype(np.uint8)
    count, parts, stats, _ = cv2.connectedComponentsWithStats(light, connectivity=8)
    margin = max(2, round(0.08 * spacing_px))
    rows = []
    height, width = image.shape
    for k in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[k])
        if area < 4 or max(w, h) > 1.2 * spacing_px:
            continue
        left, top, right, bottom = x - margin, y - margin, x + w + margin, y + h + margin
        if left < 0 or top < 0 or right > width or bottom > height:
            continue
        box = np.s_[top:bottom, left:right]
        own = (
            cv2.dilate(
                (parts[box] == k).astype(np.uint8), np.ones((2 * margin - 1, 2 * margin - 1), np.uint8)
            )
            > 0
        )
        other = (parts[box] > 0) & (parts[box] != k)
        if not usable[box].all() or (own & other).any():
            continue
        around = ~own & ~other
        here = image[box]
        level = float(np.median(here[around])) if around.sum() >= 8 else float(ground[box].mean())
        mass = np.where(own, here - level, 0.0).astype(float)
        total, top_light = float(mass.sum()), float(lift[box][own].max())
        if total <= 0:
            continue
        cy, cx = np.arange(top, bottom), np.arange(left, right)
        rows.append(
            (float(mass.sum(0) @ cx) / total, float(mass.sum(1) @ cy) / total, total / top_light, top_light)
        )
    if not rows:
        return Blobs(empty, empty, empty, empty)
    table = np.array(rows)
    middle = np.median(table[:, 2])
    keep = (table[:, 2] > 0.15 * middle) & (table[:, 2] < 8 * middle)
    return Blobs(*table[keep].T)


_WAYS = (
    (1, 0),
    (0, 1),
    (-1, 0),
    (0, -1),
    (1, 1),
    (-1, -1),
    (1, -1),
    (-1, 1),
    (2, 0),
    (0, 2),
    (-2, 0),
    (0, -2),
)


def number_lattice(a: Array, b: Array, *, spacing: float) -> tuple[Array, Array]:
    """Number the dots of a bent square lattice.

    Parameters
    ----------
    a, b : ndarray (N,)
        Places, in axes in which the lattice is roughly upright and of the right handedness.
    spacing : float
        About its spacing there.

    Returns
    -------
    number : ndarray (N, 2), int64
        Lattice numbers along a and b, from an arbitrary dot of the largest part.
    known : ndarray (N,), bool
        False for dots that could not be numbered, or in two ways.
    """
    points = np.column_stack([a, b])
    count = len(points)
    number, known = np.zeros((count, 2), np.int64), np.zeros(count, bool)
    if count < 4:
        return number, known
    tree = cKDTree(points)
    frames = _first_frames(points, tree, spacing)
    regular = np.array([f is not None for f in frames])
    best: tuple[Array, Array] = number, known
    tried = np.zeros(count, bool)
    for _ in range(8):  # the largest part wins; the first seeds hardly ever miss it
        free = np.flatnonzero(regular & ~tried)
        if not free.size:
            break
        middle = np.median(points[free], 0)
        seed = int(free[np.argmin(np.sum((points[free] - middle) ** 2, 1))])
        found, reached = _follow(points, tree, frames, seed)
        tried |= reached
        tried[seed] = True
        if reached.sum() > best[1].sum():
            best = found, reached
        if best[1].sum() > 0.5 * count:
            break
    return best


def _first_frames(points: Array, tree: cKDTree, spacing: float) -> list[Array | None]:
    """Lattice vectors (2, 2) at dots whose four neighbours lie opposite each other; None elsewhere."""
    out: list[Array | None] = []
    for k, near in enumerate(tree.query(points, k=min(9, len(points)))[1]):
        rest = points[near[near != k]] - points[k]
        right, up = (
            rest[np.abs(rest[:, 0]) >= np.abs(rest[:, 1])],
            rest[np.abs(rest[:, 1]) > np.abs(rest[:, 0])],
        )
        frame = None
        pair = []
        for side, axis in ((right, 0), (up, 1)):
            ahead, behind = side[side[:, axis] > 0], side[side[:, axis] < 0]
            if len(ahead) and len(behind):
                f = ahead[np.argmin(np.sum(ahead**2, 1))]
                g = behind[np.argmin(np.sum(behind**2, 1))]
                if np.linalg.norm(f + g) < 0.25 * np.linalg.norm(f - g):
                    pair.append(0.5 * (f - g))
        sizes = [float(np.linalg.norm(f)) for f in pair]
        if len(pair) == 2 and min(sizes) > 0.3 * spacing and max(sizes) < 2.5 * spacing:
            frame = np.array(pair)
        out.append(frame)
    return out


def _follow(points: Array, tree: cKDTree, frames: list[Array | None], seed: int) -> tuple[Array, Array]:
    count = len(points)
    number, known, torn = np.zeros((count, 2), np.int64), np.zeros(count, bool), np.zeros(count, bool)
    taken: dict[tuple[int, int], int] = {(0, 0): seed}
    start = frames[seed]
    assert start is not None
    local: dict[int, Array] = {seed: start}
    known[seed] = True
    queue: list[tuple[float, int, int, int, int]] = []

    def reach_out(k: int) -> None:
        for i, j in _WAYS:
            way = i * local[k][0] + j * local[k][1]
            length = float(np.hypot(*way))
            gap, other = tree.query(points[k] + way, distance_upper_bound=NEAR * length)
            if np.isfinite(gap) and int(other) != k:
                # Longer ways come later, so that a missing dot is jumped only when there is no way round.
                heapq.heappush(
                    queue, (float(gap) / length + 0.3 * (abs(i) + abs(j) - 1), k, int(other), i, j)
                )

    reach_out(seed)
    while queue:
        cost, k, other, i, j = heapq.heappop(queue)
        if torn[k]:
            continue
        name = number[k] + (i, j)
        if known[other]:
            # Two numbers for one dot: the lattice is torn here. Only good direct steps are trusted to say so.
            if abs(i) + abs(j) == 1 and cost < SURE and not np.array_equal(number[other], name):
                torn[[k, other]] = True
            continue
        key = (int(name[0]), int(name[1]))
        if key in taken:
            continue
        number[other], known[other], taken[key] = name, True, other
        frame = local[k].copy()
        own = frames[other]
        if own is not None and np.linalg.norm(own - frame) < 0.5 * np.linalg.norm(frame):
            frame = own
        elif abs(i) + abs(j) == 1:
            seen = (points[other] - points[k]) * (i + j)
            frame[0 if i else 1] = 0.5 * (frame[0 if i else 1] + seen)
        local[other] = frame
        reach_out(other)
    return number, known & ~torn
