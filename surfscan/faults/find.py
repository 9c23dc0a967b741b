"""Small faults of a panel whose stripes were read: leftovers, candidates, names, and down to what size was looked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.reading import SmallFault, SmallFaults, Trace
from surfscan.core.records import Grid
from surfscan.faults.describe import Looks, describe
from surfscan.faults.detect import RIM, Candidate, Found, alone, find_candidates
from surfscan.faults.dust import tells_apart
from surfscan.faults.leftover import Leftover, leftovers_of
from surfscan.faults.names import SURE, name_of, smallest_px

__all__ = ["find_faults", "how_seen"]

MOSTLY = 0.7
"""Share of what is seen that two crossed photos must show, to claim what two show; then that is claimed of it alone."""

BESIDE_DENTS = 2.0
"""So many times the usual score is asked of a fault where the shape bends: a dent's own rim may be sharp."""

SHARP = ("run", "scratch", "crack", "ring", "hair")
"""Kinds that a dent's rim may be taken for: there they are not named."""


def find_faults(
    traces: Sequence[Trace],
    *,
    grid: Grid,
    height_mm: Array,
    judged: Array,
    bent: Array,
    period_mm: Sequence[float],
) -> SmallFaults:
    """Find small faults in photos of stripes.

    Parameters
    ----------
    traces : sequence of Trace
        One for each direction that a photo holds.
    grid : Grid
        The coarse grid.
    height_mm : ndarray (H, W)
        The surface; NaN where not measured.
    judged : ndarray (H, W), bool
        Cells to judge.
    bent : ndarray (H, W), bool
        Cells in and beside dents.
    period_mm : sequence of float
        Reflected stripe period of each, mm of panel.

    Returns
    -------
    SmallFaults
    """

    leftovers = leftovers_of(traces, grid=grid, height_mm=height_mm, judged=judged, period_mm=list(period_mm))
    if not leftovers:
        return SmallFaults(why_not="too little of the panel is seen in the photos")
    found = find_candidates(leftovers, grid=grid, height_mm=height_mm)
    how = how_seen(leftovers, found)
    faults = []
    like_dust = []
    for one in found.candidates:
        row, column = (
            int(np.argmin(np.abs(axis - at))) for axis, at in ((grid.y_mm, one.y_mm), (grid.x_mm, one.x_mm))
        )
        beside = bool(bent[row, column])
        if beside and one.score < BESIDE_DENTS * alone(leftovers):
            continue
        looks = describe(one, found, leftovers)
        apart = tells_apart(leftovers, found.panel, one.x_mm, one.y_mm)
        if looks.like_dust and not apart:
            like_dust.append((one.x_mm, one.y_mm))
            continue
        fault = _named(one, looks, leftovers, apart=apart, how=how)
        faults.append(replace(fault, kind="unsure") if beside and fault.kind in SHARP else fault)
    times = 2 if how == "crossed_twice" else 1
    share = (
        (found.looked >= times).sum() * found.panel.pitch_mm**2 / max(judged.sum() * grid.step_mm**2, 1e-9)
    )
    coarsest = _coarsest_mm(leftovers)
    known = smallest_px(_noise(leftovers), how=how)
    smallest = {kind: size * coarsest for kind, size in known.items()}
    # From one place, as from one photo, dust and a dull place of the panel look alike.
    places = [(float(x), float(y)) for x in _some(grid.x_mm) for y in _some(grid.y_mm)]
    apart = any(tells_apart(leftovers, found.panel, *place) for place in places)
    specks = len(found.specks) if apart else None
    return SmallFaults(tuple(faults), smallest, min(float(share), 1.0), specks, like_dust=tuple(like_dust))


def _named(
    one: Candidate, looks: Looks, leftovers: Sequence[Leftover], *, apart: bool, how: str
) -> SmallFault:
    kind, sure = name_of(looks, how=how)
    if looks.only_dims and not apart:
        sure = 0.0  # may as well be dust on the camera
    seen = [lo.view.photo.file for lo, score in zip(leftovers, one.scores, strict=True) if score > RIM]
    return SmallFault(
        kind=kind if sure >= SURE else "unsure",
        sure=sure,
        likeliest=kind,
        x_mm=one.x_mm,
        y_mm=one.y_mm,
        length_mm=one.length_mm,
        width_mm=one.width_mm,
        direction_deg=one.direction_deg,
        sign=looks.sign,
        photos=tuple(dict.fromkeys(seen)),
    )


def how_seen(leftovers: Sequence[Leftover], found: Found) -> str:
    """Which study speaks for such photos: "pair", "crossed", or "crossed_twice" where two show most of the panel."""
    if len(leftovers[0].directions) == 1:
        return "pair"
    return "crossed_twice" if (found.looked > 1).sum() > MOSTLY * (found.looked > 0).sum() else "crossed"


def _some(axis: Array) -> Array:
    """Seven places of an axis, its ends left out."""
    return np.asarray(axis[np.linspace(0, len(axis) - 1, 9).round().astype(int)[1:-1]])


def _coarsest_mm(leftovers: Sequence[Leftover]) -> float:
    """Millimetres of panel that a pixel takes where the better of the photos is coarsest (95th percentile)."""
    return min(float(np.sqrt(np.nanpercentile(lo.pixel_mm2(8)[lo.clear[::8, ::8]], 95))) for lo in leftovers)


def _noise(leftovers: Sequence[Leftover]) -> float:
    """Noise over contrast of the noisier photo."""
    return max(float(np.median((lo.noise / lo.strength)[lo.clear][::17])) for lo in leftovers)
