"""The standard figures of a map, and the shop's own gauges laid on it: straightedge and sanding block."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.records import Array, HeightMap
from surfscan.core.units import MM, Units
from surfscan.surface.areal import areal_parameters
from surfscan.surface.block import block_reach
from surfscan.surface.filters import low_pass
from surfscan.surface.flatness import flatness
from surfscan.surface.straightedge import Gap, gap_along, gap_at, worst_gap

__all__ = ["Instruments", "lay_gauges", "standard_measures", "waviness_words"]


LONGEST = 5.0
"""Times the map's diagonal that a gauge or a wave may be long."""


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


def standard_measures(height: HeightMap, instruments: Instruments) -> tuple[dict[str, float], dict[str, str]]:
    """Figures by their standard names, each with the surface it refers to."""
    step = height.grid.step_mm
    deviation = height.height_mm
    whole = deviation + height.form_mm
    fair = flatness(deviation, step_mm=step, reference="as given")
    plane = flatness(whole, step_mm=step)
    zone = flatness(whole, step_mm=step, reference="minimum-zone plane")
    areal = areal_parameters(deviation, step_mm=step, reference="fair form")
    wavy = areal_parameters(
        _waves(height, instruments.waviness_mm),
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
        "Sq_waviness_mm, Sz_waviness_mm": waviness_words(instruments.waviness_mm),
    }
    return measures, references


def waviness_words(cutoff_mm: float, units: Units = MM) -> str:
    """What the waviness figures refer to."""
    cutoff = units.given(cutoff_mm)
    return f"the same after a Gaussian low-pass of {cutoff} (ISO 16610-61, first order at edges and gaps)"


def lay_gauges(height: HeightMap, instruments: Instruments) -> tuple[dict[str, Any], Array]:
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
            _see_fit("a ruler", length, height)
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
    reach, clearance = _block(height, instruments)
    return {"straightedge": straightedge, "block": reach}, clearance


def _see_fit(what: str, length_mm: float, height: HeightMap) -> None:
    """Leave a gauge out that is far longer than the map: it would be padded in the map's own cells, without end."""
    diagonal = float(np.hypot(np.ptp(height.grid.x_mm), np.ptp(height.grid.y_mm)))
    if length_mm > LONGEST * diagonal:
        raise ValueError(
            f"{what} of {length_mm:g} mm does not fit a map of {diagonal:.3g} mm from corner to corner: left out"
        )


def _waves(height: HeightMap, cutoff_mm: float) -> Array:
    """The waviness; NaN where its cut-off is finer than two cells, or far longer than the map."""
    grid = height.grid
    diagonal = float(np.hypot(np.ptp(grid.x_mm), np.ptp(grid.y_mm)))
    if not 2 * grid.step_mm <= cutoff_mm <= LONGEST * diagonal:
        return np.full(grid.shape, np.nan)
    return low_pass(height.height_mm, step_mm=grid.step_mm, cutoff_mm=cutoff_mm)


def _block(height: HeightMap, instruments: Instruments) -> tuple[dict[str, Any], Array]:
    """How far a sanding block reaches, and its clearance map."""
    try:
        _see_fit("a sanding block", max(instruments.block_mm), height)
        block = block_reach(
            height.height_mm,
            step_mm=height.grid.step_mm,
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
        clearance = np.full(height.grid.shape, np.nan)
    return reach, clearance


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
