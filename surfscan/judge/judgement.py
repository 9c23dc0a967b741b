"""A height map judged: spots, decisions, standard measures, straightedge, block and filler.

It does not ask where the map came from: from photos, or measured elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.flags import bit
from surfscan.core.records import Array, HeightMap, Spot
from surfscan.judge.advice import advise
from surfscan.judge.decide import (
    Decision,
    PanelDecision,
    decide_slope,
    decide_spot,
    judge_panel,
    rule_sentence,
)
from surfscan.judge.fill import FillTotals, decide_fill, fill_lows, plan_fill
from surfscan.judge.find_spots import find_spots
from surfscan.judge.limits import Limits
from surfscan.judge.measure_spot import SpotShape, measure_spot
from surfscan.surface.areal import areal_parameters, band_slope, curvature_map, slope_map
from surfscan.surface.block import block_reach
from surfscan.surface.filters import low_pass
from surfscan.surface.flatness import flatness
from surfscan.surface.straightedge import Gap, gap_along, gap_at, worst_gap

__all__ = ["COVERAGE_FACTOR", "Instruments", "Judgement", "judge_map"]

GUARD = 1.645
"""One-sided 95 %: a spot this many standard uncertainties under its limit may still be over it."""


@dataclass(frozen=True, slots=True)
class Instruments:
    """The shop's gauges that are laid on the map: the sheet's `[measure]`.

    Attributes
    ----------
    straightedge_mm : float
        Length of the ruler.
    straightedge_at_mm : (x, y), optional
        A place to lay it at, in `straightedge_direction_deg` (anticlockwise from x).
    straightedge_line_mm : ((x, y), (x, y)), optional
        A line to lay it along.
    block_mm : (length, width)
        The sanding block.
    waviness_mm : float
        Cut-off wavelength of the waviness filter.
    """

    straightedge_mm: float = 300.0
    straightedge_at_mm: tuple[float, float] | None = None
    straightedge_direction_deg: float = 0.0
    straightedge_line_mm: tuple[tuple[float, float], tuple[float, float]] | None = None
    block_mm: tuple[float, float] = (280.0, 70.0)
    waviness_mm: float = 80.0


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the map is judged to be.

    Attributes
    ----------
    spots : tuple of Spot
    panel : PanelDecision
    measures : dict
        Standard figures by name; NaN where they can't be given.
    details : dict
        JSON-ready: reference surfaces, straightedge, block, fill, rule.
    maps : dict of name to ndarray (H, W)
        Filler depth, clearance under the block, slope, and both principal curvatures (1/m, + is hollow).
    """

    spots: tuple[Spot, ...]
    panel: PanelDecision
    measures: dict[str, float]
    details: dict[str, Any]
    maps: dict[str, Array] = field(default_factory=dict)


def judge_map(
    height: HeightMap,
    *,
    limits: Limits,
    stage: str,
    coverage: float,
    period_mm: float,
    u_slope_mrad: float,
    instruments: Instruments,
    spot_flags: tuple[str, ...] = (),
) -> Judgement:
    """Judge a height map.

    Parameters
    ----------
    height : HeightMap
        Deviation from the fair form with its standard uncertainty.
    limits : Limits
    stage : str
    coverage : float
        Share of the judged region that was measured.
    period_mm : float
        Finest detail that the map shows faithfully, times two (the reflected stripe period); 0 when not known.
    u_slope_mrad : float
        Standard uncertainty of the map's slopes, mrad.
    instruments : Instruments
    spot_flags : tuple of str
        Flags that every spot of this map carries.

    Returns
    -------
    Judgement
    """
    spots, labels, decisions = _spots(height, limits, stage, period_mm, spot_flags)
    fill_details, fill_decisions, fill_map = _fill(height, limits, stage, spots, labels)
    slope = band_slope(
        height.height_mm, step_mm=height.grid.step_mm, short_mm=limits.band_mm[0], long_mm=limits.band_mm[1]
    )
    slope_decision = decide_slope(
        slope.peak_mrad,
        u_slope_mrad,
        limit_mrad=limits.slope_mrad,
        band_mm=limits.band_mm,
        confidence=limits.confidence,
    )
    counted = [*decisions, *fill_decisions, *([slope_decision] if limits.slope_decides else [])]
    sigma = height.sigma_mm[np.isfinite(height.sigma_mm)]
    panel = judge_panel(
        counted,
        coverage=coverage,
        floor_u_mm=float(np.median(sigma)) if sigma.size else float("nan"),
        limit_mm=min(limits.low_mm, limits.high_mm),
        confidence=limits.confidence,
    )
    measures, references = _measures(height, instruments)
    measures |= {"band_slope_mrad": slope.peak_mrad, "band_slope_rms_mrad": slope.rms_mrad}
    gauges, block_map = _gauges(height, instruments)
    details = {
        "reference_surfaces": references,
        "slope": {
            "steepest_mrad": slope.peak_mrad,
            "u_mrad": u_slope_mrad,
            "limit_mrad": limits.slope_mrad,
            "band_mm": list(limits.band_mm),
            "verdict": slope_decision.verdict,
            "counts": limits.slope_decides,
            "basis": limits.basis.get("slope_mrad", ""),
            "sentence": slope_decision.sentence,
        },
        **gauges,
        "fill": fill_details,
        "rule": rule_sentence(limits.confidence),
    }
    _, _, steepness = slope_map(height.height_mm, step_mm=height.grid.step_mm)
    curved = curvature_map(height.height_mm, step_mm=height.grid.step_mm)
    maps = {
        "fill_depth_mm": fill_map,
        "block_clearance_mm": block_map,
        "slope_mrad": steepness,
        "curvature_most_per_m": curved.most,
        "curvature_least_per_m": curved.least,
    }
    return Judgement(tuple(spots), panel, measures, details, maps)


def _spots(
    height: HeightMap, limits: Limits, stage: str, period_mm: float, spot_flags: tuple[str, ...]
) -> tuple[list[Spot], Array, list[Decision]]:
    grid = height.grid
    measured = np.isfinite(height.height_mm)
    found: list[tuple[str, SpotShape, Array]] = []
    for kind, sign, limit in (("low", -1, limits.low_mm), ("high", 1, limits.high_mm)):
        # Whatever might be over the limit is shown, but nothing under seven tenths of it.
        least = np.maximum(limit - GUARD * np.nan_to_num(height.sigma_mm, nan=0.0), 0.7 * limit)
        labels = find_spots(height.height_mm, sign=sign, least_mm=least, limit_mm=limit)
        for k in range(1, int(labels.max()) + 1):
            cells = labels == k
            shape = measure_spot(
                cells, height.height_mm, sign=sign, x_mm=grid.x_mm, y_mm=grid.y_mm, step_mm=grid.step_mm
            )
            found.append((kind, shape, cells))
    found.sort(key=lambda row: -abs(row[1].peak_mm))
    spots: list[Spot] = []
    decisions: list[Decision] = []
    lows = np.zeros(grid.shape, np.int32)
    for kind, shape, cells in found:
        limit = limits.low_mm if kind == "low" else limits.high_mm
        u95 = COVERAGE_FACTOR * float(height.sigma_mm[shape.row, shape.column])
        decision = decide_spot(kind, shape.peak_mm, u95, limit_mm=limit, confidence=limits.confidence)
        if decision.verdict == "ready":
            continue  # surely within its limit: not a spot to report
        number = len(spots) + 1
        wide = shape.area_cm2 * 100 > 0.3 * grid.step_mm**2 * measured.sum()
        facts = (
            ("edge", shape.at_edge),
            ("island", bool(height.flags[shape.row, shape.column] & bit("island"))),
            ("narrow", shape.width_mm < 1.2 * period_mm),
            ("wide", bool(wide)),
        )
        flags = (*spot_flags, *(name for name, so in facts if so))
        if kind == "low":
            lows[cells] = number
        decisions.append(decision)
        spots.append(
            Spot(
                id=number,
                kind=kind,
                x_mm=shape.x_mm,
                y_mm=shape.y_mm,
                peak_mm=shape.peak_mm,
                u95_mm=u95,
                length_mm=shape.length_mm,
                width_mm=shape.width_mm,
                angle_deg=shape.angle_deg,
                area_cm2=shape.area_cm2,
                volume_ml=shape.volume_ml,
                peak_slope_mrad=shape.peak_slope_mrad,
                verdict=decision.verdict,
                action=advise(kind, stage, shape.peak_mm, u95, decision.verdict, limits),
                flags=flags,
            )
        )
    return spots, lows, decisions


def _fill(
    height: HeightMap, limits: Limits, stage: str, spots: list[Spot], labels: Array
) -> tuple[dict[str, Any], list[Decision], Array]:
    """Filler in each low and on the whole panel, and both ways to deal with the highs."""
    step = height.grid.step_mm
    plan = plan_fill(height.height_mm, step_mm=step, limits=limits, stage=stage, sigma_mm=height.sigma_mm)
    u95 = [
        next((s.u95_mm for s in spots if s.id == k), 0.0) for k in range(1, int(labels.max(initial=0)) + 1)
    ]
    rows = fill_lows(
        plan.down_depth_mm,
        labels,
        step_mm=step,
        u95_mm=u95,
        limit_mm=limits.filler_depth_mm,
        confidence=limits.confidence,
    )
    lows = [row for row in rows if any(s.id == row.label and s.kind == "low" for s in spots)]
    decisions = [
        decide_fill(
            row.depth_mm,
            row.u95_mm / COVERAGE_FACTOR,
            limit_mm=limits.filler_depth_mm,
            confidence=limits.confidence,
        )
        for row in lows
    ]

    def totals(way: FillTotals) -> dict[str, Any]:
        return {
            "depth_mm": way.depth_mm,
            "area_cm2": way.area_cm2,
            "volume_ml": way.volume_ml,
            "over_limit_cm2": way.over_area_cm2,
            "verdict": way.decision.verdict,
        }

    details = {
        "limit_mm": limits.filler_depth_mm,
        "lows": [
            {
                "spot": row.label,
                "depth_mm": row.depth_mm,
                "u95_mm": row.u95_mm,
                "area_cm2": row.area_cm2,
                "volume_ml": row.volume_ml,
                "against_limit": row.against_limit,
            }
            for row in lows
        ],
        "highs_down_first": totals(plan.down),
        "highs_buried": totals(plan.bury),
        "better": plan.better,
        "sentence": plan.sentence,
    }
    return details, decisions, plan.down_depth_mm


def _measures(height: HeightMap, instruments: Instruments) -> tuple[dict[str, float], dict[str, str]]:
    """Figures by their standard names, each with the surface it refers to."""
    step = height.grid.step_mm
    deviation = height.height_mm
    whole = deviation + height.form_mm
    fair = flatness(deviation, step_mm=step, reference="as given")
    plane = flatness(whole, step_mm=step)
    zone = flatness(whole, step_mm=step, reference="minimum-zone plane")
    areal = areal_parameters(deviation, step_mm=step, reference="fair form")
    wavy = areal_parameters(
        low_pass(deviation, step_mm=step, cutoff_mm=instruments.waviness_mm),
        step_mm=step,
        reference="fair form",
    )
    measures = {
        "FLTt_mm": fair.FLTt_mm,
        "FLTp_mm": fair.FLTp_mm,
        "FLTv_mm": fair.FLTv_mm,
        "FLTq_mm": fair.FLTq_mm,
        "FLTt_LS_mm": plane.FLTt_mm,
        "FLTt_MZ_mm": zone.FLTt_mm,
        "Sa_mm": areal.Sa_mm,
        "Sq_mm": areal.Sq_mm,
        "Sz_mm": areal.Sz_mm,
        "Ssk": areal.Ssk,
        "Sku": areal.Sku,
        "Sdq_mrad": areal.Sdq_mrad,
        "Sq_waviness_mm": wavy.Sq_mm,
        "Sz_waviness_mm": wavy.Sz_mm,
    }
    references = {
        "FLTt_mm, FLTp_mm, FLTv_mm, FLTq_mm": f"fair form: {height.form_name} (names of ISO 12781-1)",
        "FLTt_LS_mm": "total least-squares plane (ISO 12781-1)",
        "FLTt_MZ_mm": "minimum-zone plane (flatness of ISO 1101)",
        "Sa_mm, Sq_mm, Sz_mm, Ssk, Sku, Sdq_mrad": "fair form, mean height taken off (names of ISO 25178-2)",
        "Sq_waviness_mm, Sz_waviness_mm": (
            f"the same after a Gaussian low-pass of {instruments.waviness_mm:g} mm (ISO 16610-61, first order at edges"
            " and gaps)"
        ),
    }
    return measures, references


def _gauges(height: HeightMap, instruments: Instruments) -> tuple[dict[str, Any], Array]:
    """The ruler and the block, laid on the deviation from the fair form."""
    grid = height.grid
    where: Mapping[str, Any] = {
        "step_mm": grid.step_mm,
        "origin_mm": (float(grid.x_mm[0]), float(grid.y_mm[0])),
    }
    length = instruments.straightedge_mm
    straightedge: dict[str, Any] = {"length_mm": length, "on": "the deviation from the fair form"}

    def lay(name: str, gauge: Callable[[], Any]) -> None:
        try:
            straightedge[name] = gauge()
        except ValueError as error:  # shorter than two cells, or a line of no length
            straightedge[name] = {"gap_mm": None, "reason": str(error)}

    lay(
        "worst",
        lambda: _gap(worst_gap(height.height_mm, length_mm=length, sigma_mm=height.sigma_mm, **where)),
    )
    if instruments.straightedge_at_mm is not None:
        x, y = instruments.straightedge_at_mm
        lay(
            "at",
            lambda: _gap(
                gap_at(
                    height.height_mm,
                    x_mm=x,
                    y_mm=y,
                    direction_deg=instruments.straightedge_direction_deg,
                    length_mm=length,
                    sigma_mm=height.sigma_mm,
                    **where,
                )
            ),
        )
    if instruments.straightedge_line_mm is not None:
        start, end = instruments.straightedge_line_mm

        def along() -> dict[str, Any]:
            line = gap_along(height.height_mm, start_mm=start, end_mm=end, length_mm=length, **where)
            gaps = np.asarray(line.gap_mm)
            best = int(np.nanargmax(gaps)) if np.isfinite(gaps).any() else -1
            return {
                "start_mm": list(start),
                "end_mm": list(end),
                "greatest_mm": float(gaps[best]) if best >= 0 else None,
                "distance_mm": float(np.asarray(line.along_mm)[best]) if best >= 0 else None,
            }

        lay("line", along)
    try:
        block = block_reach(
            height.height_mm,
            step_mm=grid.step_mm,
            length_mm=instruments.block_mm[0],
            width_mm=instruments.block_mm[1],
        )
        known = max(int(np.isfinite(block.clearance_mm).sum()), 1)
        reach: dict[str, Any] = {
            "length_mm": block.length_mm,
            "width_mm": block.width_mm,
            "touches_within_mm": block.ride_mm,
            "ridden_share": float(block.ridden.sum() / known),
            "bridged_share": float(block.bridged.sum() / known),
        }
        clearance = block.clearance_mm
    except ValueError as error:
        reach = {"reason": str(error)}
        clearance = np.full(grid.shape, np.nan)
    return {"straightedge": straightedge, "block": reach}, clearance


def _gap(gap: Gap) -> dict[str, Any]:
    return {
        "gap_mm": gap.gap_mm,
        "u95_mm": COVERAGE_FACTOR * gap.u_mm,
        "x_mm": gap.x_mm,
        "y_mm": gap.y_mm,
        "direction_deg": gap.direction_deg,
        "contacts_mm": list(gap.contacts_mm),
        "reason": gap.reason,
    }
