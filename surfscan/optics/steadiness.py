"""Whether a video's frames come from one fixed lens: stabilisation shifts and crops each by itself.

Each frame's tags tell by how much the optical axis and the focal length would have to be off for it (three numbers,
with their covariance). A wrong lens, or tags laid a little off, do so slowly, as the view changes; so frames a tenth of
a second apart are held against each other, by second differences.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from surfscan.core.records import TagSeen
from surfscan.optics.pose import PoseFit

__all__ = ["AXIS_PX", "STRETCH", "lens_drift"]

AXIS_PX = 20.0
"""Shift of the optical axis with which a pose is fitted again."""

STRETCH = 0.01
"""The same of the focal length, as a share."""

LEAST = 5
"""Fewest triples of frames that tell anything."""

Fit = Callable[[list[TagSeen]], PoseFit | None]


def lens_drift(still: Sequence[list[TagSeen]], fits: Sequence[Fit]) -> float:
    """Variance of the lens between frames, as a multiple of what the tags' corners would make of a fixed one.

    Parameters
    ----------
    still : sequence of list of TagSeen
        Tags of frames about 0.1 s apart, in order, free of rolling shutter.
    fits : four callables
        From tags to a pose: with the lens as it is, with its axis `AXIS_PX` to the right, with the same downwards, and
        with its focal length longer by `STRETCH`.
    """
    rows = []
    for tags in still:
        found = [fit(tags) for fit in fits]
        good = [f for f in found if f is not None]
        if len(good) < 4:
            continue
        misses = [np.concatenate([m.ravel() for m in f.misses_px.values()]) for f in good]
        moved = np.stack([m - misses[0] for m in misses[1:]], -1)
        off = -np.linalg.lstsq(moved, misses[0], rcond=None)[0]
        left = misses[0] + moved @ off
        # Each pose takes six numbers, each tag three.
        rows.append((off, np.linalg.pinv(moved.T @ moved), left @ left, left.size - 9 - 3 * (left.size // 8)))
    if len(rows) < LEAST + 2:
        return 0.0
    off = np.array([row[0] for row in rows])
    noise2 = sum(row[2] for row in rows) / max(sum(row[3] for row in rows), 1)
    spread = noise2 * np.array([row[1] for row in rows])
    step = off[:-2] - 2 * off[1:-1] + off[2:]
    usual = spread[:-2] + 4 * spread[1:-1] + spread[2:]
    ratio = [float(s @ np.linalg.solve(u, s)) / 3 for s, u in zip(step, usual, strict=True)]
    return float(np.median(ratio))
