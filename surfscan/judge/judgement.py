"""A height map judged: spots, decisions, standard measures, straightedge, block and filler.

It does not ask where the map came from: from photos, or measured elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.flags import bit
from surfscan.core.message import Message, Verdict
from surfscan.core.records import Array, HeightMap, Spot
from surfscan.judge.decide import Decision, decide_slope, decide_spot, guard_factor
from surfscan.judge.fill import FillTotals, decide_fill, fill_lows, plan_fill
from surfscan.judge.find_spots import find_spots
from surfscan.judge.gauges import Instruments, lay_gauges, standard_measures
from surfscan.judge.holes import find_holes
from surfscan.judge.limits import Limits
from surfscan.judge.measure_spot import SpotShape, measure_spot
from surfscan.judge.reasons import rule_sentence
from surfscan.judge.shape_class import is_ring, name_shapes
from surfscan.judge.trade import Fault, Material, advice_text, advise
from surfscan.judge.trade_table import words
from surfscan.judge.verdict import Evidence, SpotEvidence, judge_spot
from surfscan.judge.work_order import work_order
from surfscan.surface.areal import band_slope, curvature_map, slope_map

__all__ = ["Judgement", "judge_map"]

LEAST_SHARE = 0.3
"""Nothing is listed that is under this share of its limit: where the uncertainty would ask for that, the whole map is
too coarse for the limit, which is said."""

HIDES_MM = 25.0
"""A place not seen hides a spot over the limit when a disc this wide fits into it (our choice: dents and shrunk filler
are wider; what is narrower is a pit, which a photo of shape does not promise to show)."""

BESIDE = 2
"""A peak this many cells from the rim of what was measured, or fewer, may go on past it."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the map is judged to be.

    Attributes
    ----------
    spots : tuple of Spot
    evidence : Evidence
        For `surfscan.judge.verdict.weigh`, with what else is known.
    measures : dict
        Standard figures by name; NaN where they can't be given.
    details : dict
        JSON-ready: reference surfaces, straightedge, block, fill, rule.
    maps : dict of name to ndarray (H, W)
        Filler depth, clearance under the block, slope, and both principal curvatures (1/m, + is hollow).
    """

    spots: tuple[Spot, ...]
    evidence: Evidence
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
    material: Material | None = None,
) -> Judgement:
    # house: each is known in another place, and the three kinds of check know different ones.
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
    material : Material, optional
        What the panel is made of, where it is known: what to do depends on it.

    Returns
    -------
    Judgement
    """
    material = material or Material()
    spots, labels, judged = _spots(height, limits, period_mm, spot_flags)
    spots = _advised(spots, limits, stage, material)
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
    measures, references = standard_measures(height, instruments)
    measures |= {"band_slope_mrad": slope.peak_mrad, "band_slope_rms_mrad": slope.rms_mrad}
    gauges, block_map = lay_gauges(height, instruments)
    details = {
        "reference_surfaces": references,
        "waviness_mm": instruments.waviness_mm,
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
        "work_order": [step.row() for step in work_order(spots, substrate=material.substrate)],
        "not_looked_for": [*words("not_looked_for")[stage], *words("not_looked_for")["always"]],
        "rule": rule_sentence(limits.confidence),
    }
    evidence = _evidence(height, limits, judged, fill_decisions, coverage)
    evidence = replace(
        evidence,
        slope=slope_decision if limits.slope_decides else None,
        band_mm=limits.band_mm,
        stage=stage,
    )
    return Judgement(tuple(spots), evidence, measures, details, _maps(height, fill_map, block_map))


def _evidence(
    height: HeightMap,
    limits: Limits,
    spots: list[SpotEvidence],
    fills: list[tuple[int, Decision]],
    coverage: float,
) -> Evidence:
    """What the map itself gives to judge on."""
    sigma = height.sigma_mm[np.isfinite(height.sigma_mm)]
    typical, wide = (np.median(sigma), np.percentile(sigma, 95)) if sigma.size else (np.nan, np.nan)
    return Evidence(
        spots=tuple(spots),
        fills=tuple(fills),
        coverage=coverage,
        floor_u_mm=float(typical),
        wide_u95_mm=COVERAGE_FACTOR * float(wide),
        limit_mm=min(limits.low_mm, limits.high_mm),
        confidence=limits.confidence,
        one_direction=bool(np.any(height.flags & bit("one_direction"))),
        holes=tuple(find_holes(height, least_mm=HIDES_MM)),
    )


def _maps(height: HeightMap, fill_map: Array, block_map: Array) -> dict[str, Array]:
    _, _, steepness = slope_map(height.height_mm, step_mm=height.grid.step_mm)
    curved = curvature_map(height.height_mm, step_mm=height.grid.step_mm)
    return {
        "fill_depth_mm": fill_map,
        "block_clearance_mm": block_map,
        "slope_mrad": steepness,
        "curvature_most_per_m": curved.most,
        "curvature_least_per_m": curved.least,
    }


def _spots(
    height: HeightMap, limits: Limits, period_mm: float, spot_flags: tuple[str, ...]
) -> tuple[list[Spot], Array, list[SpotEvidence]]:
    """What may be over its limit, worst first; a spot's number is its place in this order, on every paper."""
    spots: list[Spot] = []
    judged: list[SpotEvidence] = []
    lows = np.zeros(height.grid.shape, np.int32)
    open_cells = _beside_the_rim(height)
    for kind, shape, cells in _found(height, limits):
        limit = limits.low_mm if kind == "low" else limits.high_mm
        u95 = COVERAGE_FACTOR * float(height.sigma_mm[shape.row, shape.column])
        peak_open = bool(open_cells[shape.row, shape.column])
        decision = decide_spot(kind, shape.peak_mm, u95, limit_mm=limit, confidence=limits.confidence)
        own = judge_spot(decision, peak_open=peak_open)
        if own == Verdict.READY:
            continue  # surely within its limit: not a spot to report
        number = len(spots) + 1
        if kind == "low":
            lows[cells] = number
        judged.append(SpotEvidence(number, kind, abs(shape.peak_mm), limit, decision, peak_open))
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
                verdict=own,
                flags=(*spot_flags, *_flags_of(height, shape, period_mm)),
                peak_open=peak_open,
                shape="ring"
                if is_ring(_upper_half(height.height_mm, cells), step_mm=height.grid.step_mm)
                else "",
            )
        )
    return spots, lows, judged


def _upper_half(deviation_mm: Array, cells: Array) -> Array:
    """A spot's cells over half its peak."""
    size = np.where(cells, np.abs(np.nan_to_num(deviation_mm)), 0.0)
    return np.asarray(size >= 0.5 * size.max()) & cells


def _alike(spot: Spot, spots: list[Spot], shapes: tuple[str, ...]) -> int:
    """How many small ones of its kind there are."""
    return sum(a.kind == spot.kind and name == "many" for a, name in zip(spots, shapes, strict=True))


def _advised(spots: list[Spot], limits: Limits, stage: str, material: Material) -> list[Spot]:
    """The spots with the names of their shapes, and what to do about each."""
    shapes = name_shapes(
        [s.kind for s in spots],
        [s.length_mm for s in spots],
        [s.width_mm for s in spots],
        [s.shape == "ring" for s in spots],
    )
    told = []
    first: dict[str, int] = {}  # of many small ones the greatest stands first, and speaks for all
    for spot, shape in zip(spots, shapes, strict=True):
        many = shape == "many" and spot.verdict == Verdict.REWORK and not spot.peak_open
        if many and spot.kind in first:
            advice = Message("as-spot", {"spot": first[spot.kind]})
        else:
            fault = Fault(
                stage,
                spot.kind,
                spot.peak_mm,
                spot.u95_mm,
                spot.length_mm,
                spot.width_mm,
                spot.verdict,
                shape=shape,
                count=_alike(spot, spots, shapes) if shape == "many" else 1,
                substrate=material.substrate,
                film_mm=material.film_mm,
                peak_open=spot.peak_open,
            )
            advice = advise(fault, limits)
            if many:
                first[spot.kind] = spot.id
        told.append(replace(spot, shape=shape, advice=advice, action=advice_text(advice)))
    return told


def _found(height: HeightMap, limits: Limits) -> list[tuple[str, SpotShape, Array]]:
    """Kind, shape and cells of all hills that may be over their limit, at the confidence they are judged at."""
    grid = height.grid
    guard = guard_factor(limits.confidence) * np.nan_to_num(height.sigma_mm, nan=0.0)
    found: list[tuple[str, SpotShape, Array]] = []
    for kind, sign, limit in (("low", -1, limits.low_mm), ("high", 1, limits.high_mm)):
        least = np.maximum(limit - guard, LEAST_SHARE * limit)
        labels = find_spots(height.height_mm, sign=sign, least_mm=least, limit_mm=limit)
        for k in range(1, int(labels.max()) + 1):
            cells = labels == k
            shape = measure_spot(
                cells, height.height_mm, sign=sign, x_mm=grid.x_mm, y_mm=grid.y_mm, step_mm=grid.step_mm
            )
            found.append((kind, shape, cells))
    found.sort(key=lambda row: -abs(row[1].peak_mm))
    return found


def _beside_the_rim(height: HeightMap) -> Array:
    """Cells on or beside the rim of what was measured; the end of the map is a rim too.

    A peak here is the greatest value of its spot and stands where the deviation still rises towards what was not seen:
    nothing says how far it goes on.
    """
    measured = np.pad(np.isfinite(height.height_mm).astype(np.uint8), BESIDE)
    inner = cv2.erode(measured, np.ones((2 * BESIDE + 1,) * 2, np.uint8))
    return np.asarray(inner[BESIDE:-BESIDE, BESIDE:-BESIDE] == 0)


def _flags_of(height: HeightMap, shape: SpotShape, period_mm: float) -> tuple[str, ...]:
    grid = height.grid
    wide = shape.area_cm2 * 100 > 0.3 * grid.step_mm**2 * np.isfinite(height.height_mm).sum()
    facts = (
        ("edge", shape.at_edge),
        ("island", bool(height.flags[shape.row, shape.column] & bit("island"))),
        ("narrow", shape.width_mm < 1.2 * period_mm),
        ("wide", bool(wide)),
    )
    return tuple(name for name, so in facts if so)


def _fill(
    height: HeightMap, limits: Limits, stage: str, spots: list[Spot], labels: Array
) -> tuple[dict[str, Any], list[tuple[int, Decision]], Array]:
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
        (
            row.label,
            decide_fill(
                row.depth_mm,
                row.u95_mm / COVERAGE_FACTOR,
                limit_mm=limits.filler_depth_mm,
                confidence=limits.confidence,
            ),
        )
        for row in lows
    ]

    cut = {
        s.id for s in spots if s.kind == "low" and s.peak_open
    }  # what lies past the rim is to be filled too

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
                "at_least": row.label in cut,
            }
            for row in lows
        ],
        "highs_down_first": _totals(plan.down),
        "highs_buried": _totals(plan.bury),
        "at_least": bool(cut),
        "better": plan.better,
        "sentence": plan.sentence,
        "message": {"code": plan.message.code, "numbers": dict(plan.message.numbers)},
    }
    return details, decisions, plan.down_depth_mm


def _totals(way: FillTotals) -> dict[str, Any]:
    """One way to fill the panel, as a row of the result."""
    return {
        "depth_mm": way.depth_mm,
        "area_cm2": way.area_cm2,
        "volume_ml": way.volume_ml,
        "over_limit_cm2": way.over_area_cm2,
        "verdict": way.decision.verdict,
    }
