"""What was added to a panel, or taken off: how thick, how much, and how it runs out at its edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import map_coordinates

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.records import Array, Grid
from surfscan.judge.decide import Decision, decide
from surfscan.judge.measure_spot import SpotShape, measure_spot

__all__ = ["Build", "BuiltPatch", "measure_build"]

SURE = 3.0
"""A patch of build is believed when it stands this many standard uncertainties out: with some hundred independent
places on a panel, fewer would call chance filler."""

LEAST_MM = 0.010
"""And at least this high: what two checks of an unchanged panel differ by at worst (fixtures: under 7 um)."""

FOOT_MM = 0.005
"""A patch ends where it is thinner than this, or than 1.645 standard uncertainties."""

EDGE_SHARES = (0.1, 0.9)
"""The feather edge runs from this share of the patch's greatest build to that."""

RAYS = 72
"""Directions in which the feather edge is measured."""


@dataclass(frozen=True, slots=True)
class BuiltPatch:
    """One connected patch of build (or cut).

    Attributes
    ----------
    max_mm, u95_mm : float
        Greatest thickness, positive, and half its 95 % interval.
    x_mm, y_mm : float
        Its place.
    area_cm2, volume_ml : float
        Of everything thicker than the foot.
    edge_mm : float
        Feather edge: median width over all directions; NaN when no direction shows a whole one.
    edge_least_mm, edge_greatest_mm : float
        10th and 90th percentile of the widths.
    cut_off : bool
        The patch runs into what was not measured: it may go on there.
    """

    max_mm: float
    u95_mm: float
    x_mm: float
    y_mm: float
    area_cm2: float
    volume_ml: float
    edge_mm: float
    edge_least_mm: float
    edge_greatest_mm: float
    cut_off: bool


@dataclass(frozen=True, slots=True)
class Build:
    """All that was added (or taken off).

    Attributes
    ----------
    max_mm, u95_mm : float
        Greatest thickness anywhere, 0 or more, with half its 95 % interval; NaN when nothing is common.
    x_mm, y_mm : float
        Its place.
    area_cm2, volume_ml : float
        Of all patches; 0 when nothing stands out.
    u95_volume_ml : float
        Half the 95 % interval of the volume, the uncertainty taken as common to the whole area.
    edge_mm : float
        Feather edge of the patch with the greatest thickness; NaN without one.
    limit_mm : float
        What it is judged against; infinite when it is not.
    decision : Decision, optional
        The greatest thickness against it; None when there is no limit.
    patches : tuple of BuiltPatch
        In order of falling thickness.
    cells : ndarray (H, W), bool
        All patches.
    """

    max_mm: float
    u95_mm: float
    x_mm: float
    y_mm: float
    area_cm2: float
    volume_ml: float
    u95_volume_ml: float
    edge_mm: float
    limit_mm: float
    decision: Decision | None
    patches: tuple[BuiltPatch, ...]
    cells: Array

    @property
    def verdict(self) -> str:
        """ "ready", "rework", "close" or "not_measured"; "" when there is no limit."""
        return "" if self.decision is None else str(self.decision.verdict)

    @property
    def sentence(self) -> str:
        """The decision in words, mm; "" when there is no limit."""
        return "" if self.decision is None else self.decision.sentence


def measure_build(
    difference_mm: Array,
    sigma_mm: Array,
    *,
    grid: Grid,
    sign: int,
    limit_mm: float = np.inf,
    confidence: float = 0.95,
) -> Build:
    """Measure what was added (sign +1) or taken off (sign -1).

    Parameters
    ----------
    difference_mm : ndarray (H, W)
        After minus before; NaN where not measured in both.
    sigma_mm : ndarray (H, W)
        Its standard uncertainty.
    grid : Grid
    sign : {-1, +1}
    limit_mm : float
        Greatest thickness allowed.
    confidence : float
        Of the decision.

    Returns
    -------
    Build
    """
    thick = sign * difference_mm
    known = np.isfinite(thick)
    nothing = np.zeros(thick.shape, bool)

    def judged(greatest: float, u95: float) -> Decision | None:
        if not np.isfinite(limit_mm):
            return None
        name = "the greatest build" if sign > 0 else "the greatest cut"
        return decide(greatest, u95 / COVERAGE_FACTOR, upper=limit_mm, confidence=confidence, name=name)

    if not known.any():
        nan = float("nan")
        return Build(nan, nan, nan, nan, 0.0, 0.0, nan, nan, limit_mm, judged(nan, nan), (), nothing)
    found = _patches(thick, sigma_mm, grid)
    patches = tuple(patch for patch, _ in found)
    cells = np.logical_or.reduce([mask for _, mask in found]) if found else nothing
    if patches:
        top = patches[0]
        greatest, u95, x, y = top.max_mm, top.u95_mm, top.x_mm, top.y_mm
    else:
        row, column = np.unravel_index(int(np.nanargmax(np.where(known, thick, -np.inf))), thick.shape)
        greatest, u95 = max(float(thick[row, column]), 0.0), COVERAGE_FACTOR * float(sigma_mm[row, column])
        x, y = float(grid.x_mm[column]), float(grid.y_mm[row])
    cell = grid.step_mm**2
    return Build(
        max_mm=greatest,
        u95_mm=u95,
        x_mm=x,
        y_mm=y,
        area_cm2=float(sum(p.area_cm2 for p in patches)),
        volume_ml=float(sum(p.volume_ml for p in patches)),
        u95_volume_ml=COVERAGE_FACTOR * float(np.sum(sigma_mm[cells])) * cell / 1000,
        edge_mm=patches[0].edge_mm if patches else float("nan"),
        limit_mm=float(limit_mm),
        decision=judged(greatest, u95),
        patches=patches,
        cells=cells,
    )


def _patches(thick: Array, sigma: Array, grid: Grid) -> list[tuple[BuiltPatch, Array]]:
    """Connected patches over the foot whose top is believed, thickest first."""
    known = np.isfinite(thick)
    hill = np.where(known, thick, 0.0)
    spread = np.where(known, sigma, np.inf)
    foot = hill > np.maximum(FOOT_MM, 1.645 * spread)
    sure = hill > np.maximum(LEAST_MM, SURE * spread)
    # A single cell that jumps is noise; filler covers several.
    sure = cv2.morphologyEx(sure.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)) > 0
    count, parts = cv2.connectedComponents(foot.astype(np.uint8), connectivity=8)
    found = []
    for k in range(1, count):
        cells = parts == k
        if not (cells & sure).any():
            continue
        shape = measure_spot(
            cells,
            np.where(known, thick, np.nan),
            sign=1,
            x_mm=grid.x_mm,
            y_mm=grid.y_mm,
            step_mm=grid.step_mm,
        )
        edges = _edges(hill, known, grid, _middle(hill, cells, shape), shape.peak_mm)
        middle, least, greatest = (
            np.percentile(edges, (50, 10, 90)) if edges.size else (np.nan, np.nan, np.nan)
        )
        patch = BuiltPatch(
            max_mm=shape.peak_mm,
            u95_mm=COVERAGE_FACTOR * float(sigma[shape.row, shape.column]),
            x_mm=shape.x_mm,
            y_mm=shape.y_mm,
            area_cm2=shape.area_cm2,
            volume_ml=shape.volume_ml,
            edge_mm=float(middle),
            edge_least_mm=float(least),
            edge_greatest_mm=float(greatest),
            cut_off=shape.at_edge,
        )
        found.append((patch, cells))
    found.sort(key=lambda pair: -pair[0].max_mm)
    return found


def _middle(hill: Array, cells: Array, shape: SpotShape) -> tuple[float, float]:
    """Row and column of the middle of the part within 90 % of the peak: a plateau's highest cell may be at its rim."""
    top = cells & (hill >= EDGE_SHARES[1] * shape.peak_mm)
    _, parts = cv2.connectedComponents(top.astype(np.uint8), connectivity=8)
    top = parts == parts[shape.row, shape.column]
    rows, columns = np.nonzero(top)
    row, column = float(rows.mean()), float(columns.mean())
    inside = top[round(row), round(column)] and shape.peak_mm > 0
    return (row, column) if inside else (float(shape.row), float(shape.column))


def _edges(hill: Array, known: Array, grid: Grid, at: tuple[float, float], peak: float) -> Array:
    """Width of the feather edge along rays from the thickest part: last 90 % of the peak to the first 10 % after.

    Rays that meet a place not measured before they are down to 10 % tell nothing and are left out.
    """
    reach = int(np.hypot(*hill.shape)) + 1
    along = np.arange(0.0, reach, 0.5)
    angle = 2 * np.pi * np.arange(RAYS) / RAYS
    rows = at[0] + np.outer(np.sin(angle), along)
    columns = at[1] + np.outer(np.cos(angle), along)
    height = map_coordinates(hill, [rows, columns], order=1, mode="constant", cval=np.nan)
    seen = map_coordinates(known.astype(float), [rows, columns], order=1, mode="constant", cval=0.0) > 0.99
    low, high = (share * peak for share in EDGE_SHARES)
    widths = []
    for z, ok in zip(height, seen, strict=True):
        under = np.flatnonzero(~(z >= low))
        if under.size == 0:
            continue
        end = int(under[0])
        above = np.flatnonzero(z[:end] >= high)
        if above.size == 0 or not ok[: end + 1].all():
            continue
        start = int(above[-1])
        first = along[start] + 0.5 * (z[start] - high) / max(z[start] - z[start + 1], 1e-12)
        last = along[end] - 0.5 * (low - z[end]) / max(z[end - 1] - z[end], 1e-12)
        widths.append((last - first) * grid.step_mm)
    return np.array(widths)
