"""The phase of photos without a scale: one photo followed freely, or a stepped series."""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.checking.relative_frames import LONG_PX, FramedPhoto, PhotoFrame
from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.job.sheet import Sheet
from surfscan.phase.free import FreePhase, free_phase
from surfscan.phase.order import unwrap
from surfscan.phase.stepped import fit_steps
from surfscan.reading.relative import Bend, bend_of_phase

__all__ = ["at_cells", "follow_free", "smaller", "stepped_bends"]

FINE_ENOUGH_PX = 6.5
"""Unless stripes then fall under this period."""


def follow_free(picture: FramedPhoto) -> FreePhase:
    """Phase of a photo, averaged down where its stripes allow."""
    factor = max(1, round(max(picture.image.shape) / LONG_PX))
    while factor > 1:
        small, usable = smaller(
            picture.image, picture.usable, tuple(n // factor for n in picture.image.shape)
        )
        try:
            free = free_phase(small, valid=usable)
        except NotMeasuredError:
            pass
        else:
            if free.period_px >= FINE_ENOUGH_PX:
                return free
        factor = factor // 2
    return free_phase(picture.image, valid=picture.usable)


def smaller(image: Array, usable: Array, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """A picture averaged to another shape, and the cells of it that are wholly usable."""
    size = shape[1], shape[0]
    small = cv2.resize(image.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    share = cv2.resize(usable.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(small), np.asarray(share > 0.99)


def at_cells(value: Array, shape: tuple[int, ...]) -> Array:
    """Samples of a map at the middles of the cells of another shape over the same picture."""
    row, column = (
        np.clip(((np.arange(n) + 0.5) * m / n).astype(int), 0, m - 1)
        for n, m in zip(shape, value.shape, strict=True)
    )
    return np.asarray(value[np.ix_(row, column)])


def stepped_bends(sheet: Sheet, frame: PhotoFrame, pictures: list[FramedPhoto]) -> list[Bend]:
    """Bends of a stepped series: of each direction the shortest period."""
    shape = frame.column_px.shape
    groups: dict[tuple[str, float], list[int]] = {}
    default = 0.0 if sheet.board is None else sheet.board.period_mm or 0.0
    for k, row in enumerate(sheet.photos):
        groups.setdefault((row.varies or "", row.period_mm or default), []).append(k)
    bends = []
    for axis in ("across", "up"):
        own = sorted(key for key in groups if key[0] == axis)
        if not own:
            continue
        index = groups[own[0]]
        small = [smaller(pictures[k].image, pictures[k].usable, shape) for k in index]
        steps = np.radians([sheet.photos[k].phase_deg or 0.0 for k in index])
        try:
            wave = fit_steps(np.stack([s[0] for s in small]), steps)
        except ValueError:
            raise NotMeasuredError(
                f"the series along {axis!r} lacks a step",
                found=", ".join(pictures[k].name for k in index),
                allowed="at least three steps spread over 360 degrees",
                cure="add the photos of the other steps",
            ) from None
        good = np.all([s[1] for s in small], axis=0) & ~frame.outside
        rest = np.sqrt(np.mean(wave.residual**2, 0))
        usual = float(np.percentile(wave.amplitude[good], 80)) if good.any() else 1.0
        good &= (wave.amplitude > 0.25 * usual) & (rest < 0.3 * wave.amplitude)
        good = cv2.morphologyEx(good.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0
        noise = float(np.median(rest[good] / wave.amplitude[good])) if good.any() else 1.0
        bends.append(bend_of_phase(unwrap(wave.phase_rad, good), good, sigma_rad=noise, lean=frame.lean))
    return bends
