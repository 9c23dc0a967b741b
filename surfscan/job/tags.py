"""Printed square tags in a photo, found to a few hundredths of a pixel.

OpenCV's ArUco detector finds and reads them; the corners are then measured again here, in linear light at
full resolution: each black side is a straight edge whose half-level crossing does not move with blur, and
the corners are where fitted sides meet.
"""

from __future__ import annotations

import threading
import zlib

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Photo, TagSeen
from surfscan.core.robust import robust_spread
from surfscan.job.tag_align import align_tag

__all__ = ["DICTIONARIES", "QUIET_CELLS", "cells_across", "explain_missing", "find_tags", "paper_outline"]

QUIET_CELLS = 1.0
"""White margin that the paper of a tag is taken to have, in cells (the least that a reader needs)."""

DICTIONARIES: dict[str, int] = {
    name.removeprefix("DICT_").lower(): int(getattr(cv2.aruco, name))
    for name in dir(cv2.aruco)
    if name.startswith("DICT_") and name[5:6].isdigit()
}
"""Names that a sheet may use, such as ``4x4_50``, with OpenCV's numbers."""

_KEPT = 64
_LOCK = threading.Lock()
_FOUND: dict[tuple[object, ...], tuple[TagSeen, ...]] = {}
"""What was found in the photos looked at last: a job looks for the same tags in order, survey and stations."""

_SMALL_PX = 90.0  # mean side below which the whole print says more than fitted sides
_DETECT_WIDTH = 1600  # finding needs no more; measuring is done at full resolution


def cells_across(dictionary: str) -> int:
    """Cells along a tag's black square: those of its code and one of border on each side."""
    return int(dictionary.split("x", 1)[0]) + 2


def find_tags(
    photo: Photo, *, dictionary: str, mirrored: bool = False, thorough: bool = False
) -> list[TagSeen]:
    """Find all tags of one dictionary in a photo.

    Parameters
    ----------
    photo : Photo
    dictionary : str
        A key of ``DICTIONARIES``.
    mirrored : bool
        Look for tags seen in a mirror: their corners are those of the print, in the places where the photo shows
        them, so that they run the other way round in it.
    thorough : bool
        Look longer, for tags that are small, oblique or faint.

    Returns
    -------
    list of TagSeen
        Sorted by id; the same id may appear twice when two such tags are in the photo.

    Raises
    ------
    RefusedError
        For an unknown dictionary.
    """
    if dictionary not in DICTIONARIES:
        raise RefusedError(
            "tags.dictionary is not known",
            found=repr(dictionary),
            allowed=", ".join(sorted(DICTIONARIES)),
            cure="correct tags.dictionary",
        )
    key = (
        photo.sha256,
        photo.image.shape,
        zlib.crc32(np.ascontiguousarray(photo.image).data),
        dictionary,
        mirrored,
        thorough,
    )
    with _LOCK:
        if photo.sha256 and key in _FOUND:
            return list(_FOUND[key])
    seen = _look(photo, dictionary, mirrored=mirrored, thorough=thorough)
    if photo.sha256:
        with _LOCK:
            while len(_FOUND) >= _KEPT:
                _FOUND.pop(next(iter(_FOUND)), None)
            _FOUND[key] = tuple(seen)
    return seen


def _look(photo: Photo, dictionary: str, *, mirrored: bool, thorough: bool) -> list[TagSeen]:
    image = np.ascontiguousarray(photo.image[:, ::-1]) if mirrored else photo.image
    small, scale = _detection_picture(image)
    found = _detect_all(small, dictionary) if thorough else _detect(small, dictionary)
    cells = cells_across(dictionary)
    seen = []
    for tag_id, corners in found:
        rough = (corners + 0.5) / scale - 0.5
        fine = _align(image, rough, tag_id, dictionary) if thorough else None
        if fine is None:
            fine = _refine(image, rough, cells)
        place = rough if fine is None else fine
        if mirrored:
            place = np.column_stack([image.shape[1] - 1 - place[:, 0], place[:, 1]])
        seen.append(TagSeen(tag_id, place))
    return sorted(seen, key=lambda tag: tag.id)


def explain_missing(photo: Photo, *, dictionary: str) -> str:
    """Say why no tag was found: mirrored, of another dictionary, or not there ("" when nothing is known)."""
    small, _ = _detection_picture(photo.image)
    if _detect(np.ascontiguousarray(small[:, ::-1]), dictionary):
        return "the photo is mirrored (a selfie camera does that); shoot with the main camera or flip it back"
    for other in DICTIONARIES:
        if other != dictionary and _detect(small, other):
            return (
                f"the tags seen are of dictionary {other!r}; correct tags.dictionary or print the right tags"
            )
    return ""


def paper_outline(tag: TagSeen, *, grow: float) -> Array:
    """Outline (4, 2) of a tag's paper in the photo, `grow` times the black square about its middle."""
    square = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]], np.float32)
    turn = cv2.getPerspectiveTransform(square, tag.corners_px.astype(np.float32))
    outline: Array = cv2.perspectiveTransform((square * np.float32(grow))[None], turn)[0]
    return outline


def _detection_picture(image: Array) -> tuple[NDArray[np.uint8], float]:
    scale = min(1.0, _DETECT_WIDTH / image.shape[1])
    small = image
    if scale < 1:
        small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        scale = small.shape[1] / image.shape[1]
    # A square root is close to the eye's own scale, so that shaded tags keep their contrast.
    top = max(float(small[::4, ::4].max()), 1e-6)
    return (255 * np.sqrt(np.clip(small / top, 0, 1))).astype(np.uint8), scale


def _detect(
    small: NDArray[np.uint8], dictionary: str, *, windows: tuple[int, int, int] = (13, 33, 20)
) -> list[tuple[int, Array]]:
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # Two windows are enough on a printed tag and cost less than the default sweep.
    settings.adaptiveThreshWinSizeMin, settings.adaptiveThreshWinSizeMax = windows[:2]
    settings.adaptiveThreshWinSizeStep = windows[2]
    table = cv2.aruco.getPredefinedDictionary(DICTIONARIES[dictionary])
    corners, ids, _ = cv2.aruco.ArucoDetector(table, settings).detectMarkers(small)
    if ids is None:
        return []
    return [(int(i), c.reshape(4, 2).astype(np.float64)) for i, c in zip(np.ravel(ids), corners, strict=True)]


def _align(image: Array, corners: Array, tag: int, dictionary: str) -> Array | None:
    """Corners of a tag too small for its sides to be fitted, by its whole print."""
    if np.linalg.norm(corners - np.roll(corners, 1, 0), axis=1).mean() > _SMALL_PX:
        return None
    table = cv2.aruco.getPredefinedDictionary(DICTIONARIES[dictionary])
    cells = cv2.aruco.generateImageMarker(table, tag, cells_across(dictionary))
    return align_tag(image, corners, (cells > 127).astype(np.uint8))


def _detect_all(small: NDArray[np.uint8], dictionary: str) -> list[tuple[int, Array]]:
    """Every tag found at any of three sizes, each once: enlarging lets the reader see cells of two or three pixels."""
    found: list[tuple[int, Array]] = []
    for times in (1, 2, 3):
        large: NDArray[np.uint8] = small
        if times > 1:
            large = cv2.resize(small, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC).astype(
                np.uint8
            )
        for tag, corners in _detect(large, dictionary, windows=(5, 65, 15)):
            place = (corners + 0.5) / times - 0.5
            side = float(np.linalg.norm(place[0] - place[2]))
            if all(t != tag or np.linalg.norm(place.mean(0) - c.mean(0)) > 0.5 * side for t, c in found):
                found.append((tag, place))
    return found


def _refine(image: Array, corners: Array, cells: int) -> Array | None:
    """Fit the four black sides and intersect them; None when a side could not be measured."""
    for _ in range(2):
        lines = []
        for k in range(4):
            line = _fit_side(image, corners[k], corners[(k + 1) % 4], cells)
            if line is None:
                return None
            lines.append(line)
        moved = np.empty((4, 2))
        for k in range(4):
            (n1, d1), (n2, d2) = lines[k - 1], lines[k]
            moved[k] = np.linalg.solve(np.stack([n1, n2]), [d1, d2])
        side = np.linalg.norm(corners[1] - corners[0])
        if np.abs(moved - corners).max() > 0.15 * side + 1:
            return None
        corners = moved
    return corners


def _fit_side(image: Array, start: Array, end: Array, cells: int) -> tuple[Array, float] | None:
    """Line through one black side as (unit normal, distance): normal . point = distance."""
    length = float(np.linalg.norm(end - start))
    if length < 8:
        return None
    along = (end - start) / length
    normal = np.array([along[1], -along[0]])  # outwards for corners that run clockwise in the picture
    half = float(np.clip(0.7 * length / cells, 2.0, 9.0))
    count = int(np.clip(length / 1.5, 8, 120))
    places = start + np.linspace(0.12, 0.88, count)[:, None] * (end - start)
    steps = np.arange(-half, half + 1e-9, 0.25)
    where = places[:, None, :] + steps[None, :, None] * normal
    level = cv2.remap(
        image,
        where[..., 0].astype(np.float32),
        where[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inner, outer = level[:, :3].mean(1), level[:, -3:].mean(1)
    middle = 0.5 * (inner + outer)[:, None]
    above = level > middle
    # the crossing nearest to the expected place
    change = above[:, 1:] & ~above[:, :-1]
    good = change.any(1) & (outer > inner + 0.02)
    if good.sum() < 6:
        return None
    offset = np.where(change, np.abs(steps[:-1] + 0.125), np.inf).argmin(1)
    rows = np.arange(count)
    low, high = level[rows, offset], level[rows, offset + 1]
    crossing = steps[offset] + 0.25 * (middle[:, 0] - low) / np.where(high > low, high - low, 1)
    points = (places + crossing[:, None] * normal)[good]
    keep = np.ones(len(points), bool)
    for _ in range(3):
        centre = points[keep].mean(0)
        direction = np.linalg.svd(points[keep] - centre, full_matrices=False)[2][0]
        n = np.array([direction[1], -direction[0]])
        miss = (points - centre) @ n
        spread = robust_spread(miss[keep]) + 1e-3
        keep = np.abs(miss) < 3 * spread
        if keep.sum() < 6:
            return None
    return n, float(n @ centre)
