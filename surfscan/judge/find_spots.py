"""Deviation map to labelled spots.

A spot is a hill of |deviation| of one sign. Two hills that touch stay two spots when both stand clear of the
saddle between them, by more than the fair metal's own waves and a part of the limit could make up. The saddle is
read off by lowering a level from the greatest deviation down and watching parts appear and meet (the tree of
level sets).
"""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.records import Array

__all__ = ["find_spots"]

LEVEL_RATIO = 1.06
"""From level to level: finer than the least share that makes a hill one of its own."""

CLEAR_SHARE = 0.12
"""A hill is one of its own when it rises above the saddle by this share of its height ..."""

CLEAR_LIMIT = 0.2
"""... and by this share of the limit ..."""

CLEAR_WAVES = 3.0
"""... and by this many standard deviations of the fair metal."""


def find_spots(
    deviation_mm: Array, *, sign: int, least_mm: Array | float, limit_mm: float, foot_share: float = 0.2
) -> Array:
    """Label the spots of one sign.

    Parameters
    ----------
    deviation_mm : ndarray (H, W)
        Deviation from the fair form; NaN where not measured.
    sign : {-1, +1}
        -1 for lows, +1 for highs.
    least_mm : float or ndarray (H, W)
        Deviation that a spot's peak must reach, > 0.
    limit_mm : float
        The limit, which scales how clear of each other two spots must be.
    foot_share : float
        A spot reaches down to this share of its own peak.

    Returns
    -------
    ndarray (H, W), int32
        0 elsewhere; spots from 1, in order of falling peak. Every cell belongs to at most one spot.
    """
    hill = np.where(np.isfinite(deviation_mm), sign * deviation_mm, 0.0)
    labels = np.zeros(hill.shape, np.int32)
    top = float(hill.max())
    low = float(np.min(least_mm))
    if not top > 0 or not (hill >= least_mm).any():
        return labels
    floor = max(foot_share * low, 1e-9)
    peaks: dict[int, float] = {}
    alias: dict[int, int] = {}

    def root(k: int) -> int:
        while k in alias:
            k = alias[k]
        return k

    clear = max(CLEAR_LIMIT * limit_mm, CLEAR_WAVES * _waves(deviation_mm, low))
    steps = 2 + int(np.log(top / floor) / np.log(LEVEL_RATIO))
    for level in np.geomspace(top * 0.999, floor, steps):
        count, parts = cv2.connectedComponents((hill >= level).astype(np.uint8), connectivity=8)
        both = np.bincount((parts.astype(np.int64) * (len(peaks) + 1) + labels).ravel())
        inside: dict[int, list[int]] = {}
        for pair in np.flatnonzero(both):
            part, label = divmod(int(pair), len(peaks) + 1)
            if part and label:
                inside.setdefault(part, []).append(root(label))
        merged = False
        for part in range(1, count):
            here = sorted(set(inside.get(part, [])), key=lambda k: -peaks[k])
            if not here:
                name = len(peaks) + 1
                cells = parts == part
                peaks[name] = float(hill[cells].max())
                labels[cells] = name
                continue
            for k in here[1:]:  # the lesser hill joins when it does not stand clear of this saddle
                rise = peaks[k] - level
                if rise < max(CLEAR_SHARE * peaks[k], clear):
                    alias[k] = here[0]
                    merged = True
            _flood(labels, parts == part)
        if merged:
            table = np.array([0, *(root(k) for k in range(1, len(peaks) + 1))], np.int32)
            labels = table[labels]
    return _keep(labels, hill, least_mm, foot_share)


def _waves(deviation_mm: Array, least_mm: float) -> float:
    """Standard deviation of the metal that is no spot; 0 where there is none."""
    size = np.abs(deviation_mm[np.isfinite(deviation_mm)])
    fair = size[size < 0.5 * least_mm]
    return 1.4826 * float(np.median(fair)) if fair.size else 0.0


def _flood(labels: Array, part: Array) -> None:
    """Give the part's unlabelled cells to the nearest labelled neighbour, ring by ring."""
    rows, columns = np.flatnonzero(part.any(1)), np.flatnonzero(part.any(0))
    box = np.s_[max(rows[0] - 1, 0) : rows[-1] + 2, max(columns[0] - 1, 0) : columns[-1] + 2]
    view, inside = labels[box], part[box]
    for _ in range(max(view.shape)):
        empty = inside & (view == 0)
        if not empty.any():
            return
        grown = cv2.dilate(view.astype(np.float32), np.ones((3, 3), np.uint8)).astype(np.int32)
        fill = empty & (grown > 0)
        if not fill.any():
            return
        view[fill] = grown[fill]


def _keep(labels: Array, hill: Array, least: Array | float, foot_share: float) -> Array:
    """Cut each spot at its own foot, drop those that stay under the threshold, and number by falling peak."""
    least_map = np.broadcast_to(least, hill.shape)
    rows = []
    for k in np.unique(labels[labels > 0]):
        cells = labels == k
        peak = hill[cells].max()
        if (hill[cells] >= least_map[cells]).any():
            foot = (cells & (hill >= foot_share * peak)).astype(np.uint8)
            _, parts = cv2.connectedComponents(foot, connectivity=8)
            at = np.argmax(np.where(cells, hill, -1))
            rows.append((float(peak), parts == parts.ravel()[at]))
    out = np.zeros(labels.shape, np.int32)
    for number, (_, cells) in enumerate(sorted(rows, key=lambda row: -row[0]), 1):
        out[cells & (out == 0)] = number
    return out
