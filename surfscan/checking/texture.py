"""The texture of a panel whose stripes were read: which of its cells may tell it, and how sharp the photos are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from surfscan.checking.context import Taken
from surfscan.core.reading import Band
from surfscan.core.records import HeightMap
from surfscan.faults.texture import measure_texture
from surfscan.job.photo_quality import edge_blur
from surfscan.reading.station import Station

__all__ = ["read_texture"]


def read_texture(
    taken: Taken, height: HeightMap, stations: Sequence[Station], *, most_mm: float
) -> tuple[Band, ...]:
    """Measure the texture by the stripes' traces; empty for a light that leaves none.

    Parameters
    ----------
    taken : Taken
    height : HeightMap
    stations : sequence of Station
        The photos, whose tags' edges tell the blur.
    most_mm : float
        Deviation from the fair form, mm, from which a place belongs to a spot.

    Returns
    -------
    tuple of Band
    """
    reading = taken.reading
    if not reading.traces:
        return ()
    blurs = np.array([edge_blur(station.photo, list(station.tags)) for station in stations], float)
    known = blurs[np.isfinite(blurs)]
    return measure_texture(
        reading.traces,
        grid=reading.grid,
        height_mm=reading.height_mm,
        clear=(height.flags == 0) & (np.abs(height.height_mm) < most_mm),  # a spot's skirts are no texture
        blur_px=float(np.sqrt(np.mean(known**2))) if known.size else float("nan"),
    )
