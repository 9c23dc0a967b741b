"""Tags whose print is its own mirror image, and how a layout tells them from their reflections."""

from __future__ import annotations

from functools import cache
from itertools import combinations

import cv2
import numpy as np

from surfscan.core.records import Array, TagSeen

__all__ = ["layout_is_mirrored", "mirror_alike", "without_reflections"]

ERROR_RATE = 0.6
"""Share of the code's correctable bits that OpenCV's detector corrects by default."""

NEAR_SHARE = 0.2
"""How near its place a tag must be, as a share of the layout's span, to be told from its reflection."""


@cache
def mirror_alike(dictionary: str) -> frozenset[int]:
    """Ids of a dictionary that a reader takes for themselves in a mirror, such as 8, 9, 17 and 47 of "4x4_50".

    Such a tag on glossy paint, or reflected from the board, can't be told from a real one by its print.
    """
    from surfscan.job.tags import DICTIONARIES

    table = cv2.aruco.getPredefinedDictionary(DICTIONARIES[dictionary])
    side = table.markerSize
    # Codes differ in more than twice as many bits as are corrected, so a tag's own code is the only one within reach.
    reach = int(table.maxCorrectionBits * ERROR_RATE)
    found = []
    for tag in range(table.bytesList.shape[0]):
        cells = cv2.aruco.generateImageMarker(table, tag, side + 2)
        bits = cells[1:-1, 1:-1] > 127
        flipped = bits[:, ::-1]
        if min(int(np.sum(np.rot90(bits, k) != flipped)) for k in range(4)) <= reach:
            found.append(tag)
    return frozenset(found)


def layout_is_mirrored(tags: list[TagSeen], centres_mm: dict[int, tuple[float, float]]) -> bool:
    """Whether three or more tags turn the other way round in the photo than on the panel.

    Parameters
    ----------
    tags : list of TagSeen
    centres_mm : dict
        Of the panel, y up; a photo's rows count down, so the sense of a triangle turns over in an upright photo.
    """
    known = [tag for tag in tags if tag.id in centres_mm]
    votes = 0.0
    for three in combinations(known, 3):
        panel = _area(np.array([centres_mm[tag.id] for tag in three], float))
        photo = -_area(np.array([tag.corners_px.mean(0) for tag in three]))
        votes += np.sign(panel) * np.sign(photo)
    return bool(votes < 0)


def without_reflections(
    tags: list[TagSeen], centres_mm: dict[int, tuple[float, float]], dictionary: str
) -> list[TagSeen]:
    """Drop the reflection of a doubled tag that reads as itself in a mirror: it lies where the layout has none.

    Parameters
    ----------
    tags : list of TagSeen
    centres_mm : dict
    dictionary : str

    Returns
    -------
    list of TagSeen
        The same when fewer than three other tags say where it must lie, or when that does not settle it.
    """
    alike = mirror_alike(dictionary)
    sure = [t for t in tags if t.id in centres_mm and sum(o.id == t.id for o in tags) == 1]
    if len(sure) < 3:
        return tags
    panel = np.array([[*centres_mm[t.id], 1.0] for t in sure])
    if np.linalg.svd(panel - panel.mean(0), compute_uv=False)[1] < 1e-6:
        return tags
    turn = np.linalg.lstsq(panel, np.array([t.corners_px.mean(0) for t in sure]), rcond=None)[0]
    span = float(np.ptp(np.array([t.corners_px.mean(0) for t in tags]), axis=0).max())
    kept = list(tags)
    for tag_id in sorted({t.id for t in tags if t.id in alike and t.id in centres_mm}):
        copies = [t for t in kept if t.id == tag_id]
        if len(copies) < 2:
            continue
        place = np.array([*centres_mm[tag_id], 1.0]) @ turn
        away = [float(np.linalg.norm(t.corners_px.mean(0) - place)) for t in copies]
        if sorted(away)[1] > NEAR_SHARE * span > min(away):
            best = copies[int(np.argmin(away))]
            kept = [t for t in kept if t.id != tag_id or t is best]
    return kept


def _area(points: Array) -> float:
    a, b = points[1] - points[0], points[2] - points[0]
    return float(a[0] * b[1] - a[1] * b[0])
