"""The quality of each photo of stripes, now that it is known where panel and stripes are."""

from __future__ import annotations

import numpy as np

from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit, describe
from surfscan.core.photo_limits import FIGURES, THRESHOLDS
from surfscan.core.reading import QualityMaps, Reading
from surfscan.core.records import Array, PhotoCheck
from surfscan.job.photo_quality import check_view, edge_blur
from surfscan.reading.station import Station
from surfscan.reading.surface import ENOUGH

__all__ = ["coverage_of", "find_blocker", "judge_photo"]


def judge_photo(
    station: Station, quality: QualityMaps, region: Array, *, part: bool = False
) -> list[PhotoCheck]:
    """Judge one photo by what its reading says of it; what does not apply to its light is NaN there and left out.

    With `part` it is one photo of a sweep, which need not light the whole panel.

    Raises
    ------
    RefusedError
        When its stripes are too fine or too few to trust anything.
    """
    blur_px = edge_blur(station.photo, list(station.tags))
    checks = check_view(quality, inside=region == 0, blur_px=blur_px)
    if part:
        whole = {"exposure", "board share", "stripes across"}
        return [check for check in checks if check.name not in whole]
    name = station.photo.file
    if quality.stripe_px < THRESHOLDS["stripe_px_least"]:
        raise RefusedError(
            f"{name}: the stripes are too fine for this photo",
            found=f"{quality.stripe_px:.1f} px in a stripe period",
            allowed=f"at least {THRESHOLDS['stripe_px_least']:g} px",
            cure=FIGURES["stripe width"].cure,
        )
    if quality.stripes_across < THRESHOLDS["stripes_across_least"]:
        raise RefusedError(
            f"{name}: too few stripes across the panel",
            found=f"{quality.stripes_across:.1f} periods",
            allowed=f"at least {THRESHOLDS['stripes_across_least']:g}",
            cure=FIGURES["stripes across"].cure,
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


def coverage_of(reading: Reading, region: Array, quality: list[list[PhotoCheck]]) -> float:
    """Share of the judged region that was measured.

    Raises
    ------
    NotMeasuredError
        When that is next to nothing, saying what stands in the way.
    """
    measured = np.isfinite(reading.height_mm).sum()
    coverage = float(measured / max(int((region == 0).sum()), 1))
    if measured < ENOUGH:
        raise NotMeasuredError(
            "the panel can't be read from these photos",
            found=f"{100 * coverage:.0f} % of the region measured",
            cure=find_blocker(reading.flags, quality)[1] or "shoot again, closer and with wider stripes",
            allowed=f"at least {ENOUGH} measured cells",
        )
    return coverage
