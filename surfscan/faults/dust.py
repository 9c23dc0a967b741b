"""Dust on the camera told from faults on the panel: it dims the same pixels in every photo, by the same share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.faults.leftover import Leftover
from surfscan.faults.panel_picture import PanelPicture, blobs_of

__all__ = ["Speck", "take_dust_off", "tells_apart"]

APART_PX = 2.0
"""Camera and panel are told apart where two photos show one place at pixels this far apart."""

LIKE = 0.35
"""Share of it by which the dimming of one speck differs between photos at most, noise aside."""

LEAST = 0.01
"""Less dimming than this is none."""

MOST = 8.0
"""A pixel's score counts up to this."""

TOLD = 8.0
"""Score from which a speck is told: fainter ones are taken off all the same."""

ALIKE = 2.0
"""Neighbouring pixels of a JPEG share noise: a mean of many is this many times less sure than of independent ones."""


@dataclass(frozen=True, slots=True)
class Speck:
    """Dust on the camera: where in the photos, and by what share it dims."""

    column_px: float
    row_px: float
    diameter_px: float
    dims: float


def take_dust_off(
    leftovers: Sequence[Leftover], scores: Sequence[Array], cores: Sequence[Array], panel: PanelPicture
) -> list[Speck]:
    """Take dust out of scores and cores, in place.

    Parameters
    ----------
    leftovers : sequence of Leftover
        Two photos or more.
    scores, cores : sequence of ndarray
        Score of each pixel, and which belong to something; of each photo.
    panel : PanelPicture

    Returns
    -------
    list of Speck
        Each that is told, once.
    """
    specks: list[Speck] = []
    dusty = [np.zeros(core.shape, np.uint8) for core in cores]
    for k, core in enumerate(cores):
        for mask, (top, left) in blobs_of(core):
            rows, columns = np.nonzero(mask)
            rows, columns = rows + top, columns + left
            if not _is_dust(k, rows, columns, leftovers, panel):
                continue
            corner = leftovers[k].corner
            # Whether or not it was seen there as well.
            for mask_of, photo in zip(dusty, leftovers, strict=True):
                tall, wide = photo.clear.shape
                down, across = rows + corner[1] - photo.corner[1], columns + corner[0] - photo.corner[0]
                on = (down >= 0) & (down < tall) & (across >= 0) & (across < wide)
                mask_of[down[on], across[on]] = 1
            speck = Speck(
                float(columns.mean() + corner[0]),
                float(rows.mean() + corner[1]),
                float(2 * np.sqrt(len(rows) / np.pi)),
                _dims(leftovers[k], rows, columns)[0],
            )
            told = float(scores[k][rows, columns].max()) >= TOLD
            if told and not any(_same(speck, other) for other in specks):
                specks.append(speck)
    wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (17, 17))
    for mask, score, core in zip(dusty, scores, cores, strict=True):
        if mask.any():
            near = cv2.dilate(mask, wide) > 0
            score[near], core[near] = 0.0, False
    return specks


def tells_apart(leftovers: Sequence[Leftover], panel: PanelPicture, x_mm: float, y_mm: float) -> bool:
    """Whether two photos show a place at pixels so far apart that dust on the camera is no longer there."""
    shown = []
    for k, photo in enumerate(leftovers):
        across, down = panel.pixels(k, np.array([x_mm]), np.array([y_mm]))
        if _shown(photo, *(np.rint(v).astype(int) for v in (down, across))):
            shown.append(np.array([across[0] + photo.corner[0], down[0] + photo.corner[1]]))
    return any(float(np.linalg.norm(shown[0] - other)) >= APART_PX for other in shown[1:])


def _same(one: Speck, other: Speck) -> bool:
    apart = np.hypot(one.column_px - other.column_px, one.row_px - other.row_px)
    return bool(apart < max(one.diameter_px, other.diameter_px))


def _is_dust(k: int, rows: Array, columns: Array, leftovers: Sequence[Leftover], panel: PanelPicture) -> bool:
    """Whether all other photos are dimmed at the same pixels and not at the same place.

    Where pixel and place are the same in all of them nothing can be told, and it is kept (`tells_apart`).
    """
    own = leftovers[k]
    dims, u = _dims(own, rows, columns)
    if dims < LEAST or dims < 4 * u or not _is_dimming(own, rows, columns, dims):
        return False
    x, y = own.x_mm[rows, columns], own.y_mm[rows, columns]
    apart_somewhere = False
    for j, other in enumerate(leftovers):
        if j == k:
            continue
        shift = np.subtract(own.corner, other.corner)
        there = rows + shift[1], columns + shift[0]
        shown = _shown(other, *there)
        if shown and not _like(other, *there, dims, u):
            return False
        across, down = panel.pixels(j, x, y)
        place = np.rint(down).astype(int), np.rint(across).astype(int)
        apart = float(np.median(np.hypot(place[0] - there[0], place[1] - there[1])))
        if apart < APART_PX:
            continue
        apart_somewhere = True
        if not shown:  # then only the place can speak
            if not _shown(other, *place) or _like(other, *place, dims, u):
                return False
        elif _energy(other, *place) > _energy(other, *there):
            return False
    return apart_somewhere


def _energy(photo: Leftover, rows: Array, columns: Array) -> float:
    """Mean square of the score at those pixels, each counting up to `MOST`."""
    rows, columns = (np.clip(v, 0, n - 1) for v, n in zip((rows, columns), photo.clear.shape, strict=True))
    return float(np.mean(np.minimum(photo.score_at(rows, columns) ** 2, MOST**2)))


def _shown(photo: Leftover, rows: Array, columns: Array) -> bool:
    """Whether a photo shows most of those pixels."""
    return bool(_clear(photo, rows, columns).mean() > 0.5)


def _clear(photo: Leftover, rows: Array, columns: Array) -> Array:
    inside = (rows >= 0) & (rows < photo.clear.shape[0]) & (columns >= 0) & (columns < photo.clear.shape[1])
    inside[inside] = photo.clear[rows[inside], columns[inside]]
    return np.asarray(inside)


def _like(photo: Leftover, rows: Array, columns: Array, dims: float, u: float) -> bool:
    """Whether a photo is dimmed by that share at those pixels."""
    inside = _clear(photo, rows, columns)
    found, u_found = _dims(photo, rows[inside], columns[inside])
    return abs(found - dims) < LIKE * dims + 3 * np.hypot(u, u_found)


def _dims(photo: Leftover, rows: Array, columns: Array) -> tuple[float, float]:
    """Share by which pixels are dimmed, by weighted least squares of rest = -share x drawn, and its uncertainty."""
    drawn = _drawn(photo, rows, columns) / photo.noise[rows, columns]
    information = float(np.sum(drawn**2))
    if information <= 0:
        return 0.0, np.inf
    return -float(np.sum(drawn * photo.score_at(rows, columns))) / information, ALIKE / np.sqrt(information)


def _is_dimming(photo: Leftover, rows: Array, columns: Array, dims: float) -> bool:
    """Whether an even dimming explains most of what is left there."""
    left = photo.score_at(rows, columns)
    after = left + dims * _drawn(photo, rows, columns) / photo.noise[rows, columns]
    noise = float(left.size)  # what would be there without anything
    return float(np.sum(after**2)) - noise < 0.5 * (float(np.sum(left**2)) - noise)


def _drawn(photo: Leftover, rows: Array, columns: Array) -> Array:
    return np.asarray(photo.level[rows, columns] + sum(one.wave[rows, columns] for one in photo.directions))
