"""Places where the reflection folds over, or where the stripes fit no smooth surface at all.

A hollow that is too deep for its width shows the same piece of board more than once: the phase has no single
value there, and whatever a lock-in makes of it is wrong. Stripes drawn from the surface found then differ from
the photo, which is how the place is noticed; that the board's image turns over or jumps there tells a fold from
something that moved. A sticker or dust tears the image at its rim too, but it has a brightness of its own: whatever
mirrors the board, bent as it may be, is as bright as the board on the mean.
"""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.records import Array, Grid
from surfscan.reading.follow import Round

__all__ = ["find_folds"]

UNLIKE = 0.45
"""Share of the stripes' variance left unexplained that makes a place doubtful. Sound photos leave 0.01 to 0.15
(noise) and up to 0.3 on a narrow ring; a fold leaves more than 1."""

TURNED = (0.1, 5.0)
"""Area magnification of the board's image, against its median, outside of which it counts as turned or torn."""

OWN_LIGHT = (0.7, 1.4)
"""Mean brightness of a place without stripes, against the panel's, outside of which it does not mirror the board. Folds
of renders have 0.97 to 1.03; made dust and stickers 0.5 and 2.3."""

STRIPELESS = 0.4
"""Amplitude of stripes, against the panel's, under which a place shows none."""


def find_folds(found: list[Round], measured: Array, *, grid: Grid) -> tuple[Array, Array]:
    """Find folded and doubtful places.

    Parameters
    ----------
    found : list of one or two Round
        The last round of each direction, with `unlike`.
    measured : ndarray (H, W), bool
    grid : Grid

    Returns
    -------
    folded, odd : ndarray (H, W), bool
        Cells of folds, and of places that fit no smooth surface for another reason; both filled and grown by
        most of a stripe period, which is how far they disturb their surroundings.
    """
    folded, odd = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    doubt = np.zeros(grid.shape, bool)
    for photo in found:
        if photo.unlike is not None and measured.any():
            usual = float(np.median(photo.unlike[measured]))
            doubt |= photo.unlike > max(UNLIKE, 4 * usual)
    doubt &= measured
    period_px = max(photo.spacing_mm for photo in found) / grid.step_mm
    reach = max(1, round(0.7 * period_px))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    closed = cv2.morphologyEx(doubt.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    count, parts, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    magnified = _magnification(found)
    for part in range(1, count):
        if stats[part, cv2.CC_STAT_AREA] < (0.35 * period_px) ** 2:
            continue
        cells = parts == part
        contours, _ = cv2.findContours(cells.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        filled = cv2.drawContours(np.zeros(grid.shape, np.uint8), contours, -1, 1, cv2.FILLED)
        grown = cv2.dilate(filled, kernel) > 0
        inner = magnified[cells & np.isfinite(magnified)]
        torn = np.mean((inner < TURNED[0]) | (inner > TURNED[1])) if inner.size else 0.0
        if torn > 0.03 and not _own_light(found, (filled > 0) & ~measured, measured):
            folded |= grown
        else:
            odd |= grown
    return folded, odd & ~folded


def _own_light(found: list[Round], core: Array, measured: Array) -> bool:
    """Whether a place's core, where nothing was measured, has no stripes but a brightness of its own in each photo."""
    if not core.any():
        return False

    def share(value: Array) -> float:
        return float(np.nanmedian(value[core]) / max(float(np.nanmedian(value[measured])), 1e-12))

    return all(
        share(photo.lock.amplitude) < STRIPELESS
        and not OWN_LIGHT[0] <= share(photo.lock.level) <= OWN_LIGHT[1]
        for photo in found
    )


def _magnification(found: list[Round]) -> Array:
    """Area on the board per area on the panel, against its median; negative where the image is turned over.

    NaN everywhere when only one direction was seen.
    """
    if len(found) < 2:
        return np.full(found[0].wanted_mm.shape, np.nan)
    (uy, ux), (vy, vx) = (np.gradient(photo.wanted_mm) for photo in found)
    area = ux * vy - uy * vx
    usual = np.nanmedian(area)
    return np.asarray(area / usual) if usual else np.full(area.shape, np.nan)
