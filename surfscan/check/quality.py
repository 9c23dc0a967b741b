"""The quality of each photo of stripes, now that it is known where panel and stripes are."""

from __future__ import annotations

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.flags import bit, describe
from surfscan.core.reading import QualityMaps
from surfscan.core.records import Array, PhotoCheck
from surfscan.job.photo_quality import THRESHOLDS, check_view, edge_blur
from surfscan.reading.station import Station

__all__ = ["find_blocker", "judge_photo"]


def judge_photo(station: Station, picture: QualityMaps, region: Array) -> list[PhotoCheck]:
    """Judge one photo by its picture in the reading; what does not apply to its light is NaN there and left out.

    Raises
    ------
    RefusedError
        When its stripes are too fine or too few to trust anything.
    """
    inside = region == 0
    checks = check_view(
        station.photo,
        inside=inside,
        lit=picture.lit,
        clipped=picture.clipped,
        modulation=picture.modulation,
        level=picture.level,
        stripe_px=picture.stripe_px,
        stripes_across=picture.stripes_across,
        blur_px=edge_blur(station.photo, list(station.tags)),
    )
    name = station.photo.file
    if picture.stripe_px < THRESHOLDS["stripe_px_least"]:
        raise RefusedError(
            f"{name}: the stripes are too fine for this photo",
            found=f"{picture.stripe_px:.1f} px in a stripe period",
            allowed=f"at least {THRESHOLDS['stripe_px_least']:g} px",
            cure="go closer, or use wider stripes",
        )
    if picture.stripes_across < THRESHOLDS["stripes_across_least"]:
        raise RefusedError(
            f"{name}: too few stripes across the panel",
            found=f"{picture.stripes_across:.1f} periods",
            allowed=f"at least {THRESHOLDS['stripes_across_least']:g}",
            cure="use narrower stripes, or move the board away",
        )
    return checks


def find_blocker(flags: Array, quality: list[list[PhotoCheck]]) -> tuple[str, str]:
    """What kept most of the region from being measured, and its cure, in words; empty when nothing did."""
    poor = [check for checks in quality for check in checks if not check.good]
    if poor:
        return poor[0].sentence, poor[0].cure
    best = ("", "", 0)
    for name in (
        "fold",
        "off_board",
        "out_of_view",
        "saturated",
        "weak_stripes",
        "inconsistent",
        "no_reference",
    ):
        count = int(np.count_nonzero(flags & bit(name)))
        if count > best[2]:
            best = (describe(name).sentence, describe(name).cure, count)
    return best[0], best[1]
