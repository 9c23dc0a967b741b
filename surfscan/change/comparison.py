"""Two passes of one panel compared: what rose, what fell, and what became of the spots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.change.build import COVERAGE_FACTOR, Build, measure_build
from surfscan.change.fitting import fit_between
from surfscan.change.matching import SpotChange, match_spots
from surfscan.change.registration import TAG_MM, Registration, register
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit, describe
from surfscan.core.records import Array, CheckResult, Grid, HeightMap
from surfscan.judge.reasons import rule_sentence
from surfscan.results.stored import StoredResult

__all__ = ["Comparison", "compare_results", "tag_uncertainty"]

Result = CheckResult | StoredResult

LEAST_UNCHANGED = 0.25
"""Less of the common surface than this taken for unchanged is told: there the tags say what is old and new."""

LEAST_COMMON = 0.8
"""Less of the judged region than this seen in both, and nothing over the limit: not measured, as in the check."""

FEWEST = 400
"""Fewest common cells that make a comparison, as in the check."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed from one pass to a later one.

    Attributes
    ----------
    before, after : StoredResult or CheckResult
    grid : Grid
        That of the later pass.
    difference_mm : ndarray (H, W)
        After minus before; NaN where either was not measured.
    sigma_mm : ndarray (H, W)
        Its standard uncertainty.
    registration : Registration
    common : float
        Share of the later pass's judged region that was measured in both, 0 to 1.
    build, cut : Build
        What was added, judged against the later pass's filler depth; what was taken off.
    spots : tuple of SpotChange
    verdict : str
        That of the build.
    sentence : str
    reasons : tuple of str
        Sentences: cautions about the registration and coverage, and the rule.
    """

    before: Result
    after: Result
    grid: Grid
    difference_mm: Array
    sigma_mm: Array
    registration: Registration
    common: float
    build: Build
    cut: Build
    spots: tuple[SpotChange, ...]
    verdict: str
    sentence: str
    reasons: tuple[str, ...]


def compare_results(before: Result, after: Result, *, tags_moved: bool | None = None) -> Comparison:
    """Compare two passes of one panel.

    Parameters
    ----------
    before, after : StoredResult or CheckResult
        The earlier and the later pass.
    tags_moved : bool, optional
        Whether the tags were taken off and laid again in between; found out when not given.

    Returns
    -------
    Comparison

    Raises
    ------
    RefusedError
        When the passes can't be of one panel.
    NotMeasuredError
        When too little was measured in both.
    """
    _check_panels(before, after)
    grid = after.height.grid
    tag, tags = tag_uncertainty(before, after)
    try:
        found = register(before.height, after.height, tag_mm=tag, tags=tags, moved=tags_moved)
    except ValueError:
        raise _too_little(0) from None
    whole = after.height.height_mm + after.height.form_mm
    grow = max(2, round(10.0 / grid.step_mm))
    between = fit_between(before.height, whole, grid, found, grow_px=grow)
    difference = whole - between.below_mm - between.bend_mm
    measured = np.isfinite(difference)
    if measured.sum() < FEWEST:
        raise _too_little(int(measured.sum()))
    sigma = np.hypot(np.nan_to_num(after.height.sigma_mm), between.sigma_mm)
    sigma = np.where(measured, sigma, np.nan)
    limit = float(after.limits.get("filler_depth_mm") or np.inf)
    confidence = float(after.limits.get("confidence") or 0.95)
    build = measure_build(difference, sigma, grid=grid, sign=1, limit_mm=limit, confidence=confidence)
    cut = measure_build(difference, sigma, grid=grid, sign=-1, confidence=confidence)
    judged = (after.height.flags & (bit("outside") | bit("left_out") | bit("tag"))) == 0
    common = float((measured & judged).sum() / max(int(judged.sum()), 1))
    verdict, reasons = _verdict(before, after, build, common)
    spots = match_spots(
        before.spots,
        after.spots,
        registration=found,
        earlier=_reader(before.height, found),
        later=_reader(after.height, None),
        difference=_reader(
            HeightMap(grid, difference, np.zeros(grid.shape), np.nan_to_num(sigma), after.height.flags), None
        ),
    )
    reasons += _cautions(found, build)
    return Comparison(
        before=before,
        after=after,
        grid=grid,
        difference_mm=difference,
        sigma_mm=sigma,
        registration=found,
        common=common,
        build=build,
        cut=cut,
        spots=tuple(spots),
        verdict=verdict,
        sentence=_sentence(verdict, build, cut),
        reasons=(*reasons, rule_sentence(confidence)),
    )


def tag_uncertainty(*results: Result) -> tuple[float, int]:
    """Standard uncertainty of one tag's coordinate between passes, mm, and the fewest tags that a pass saw."""
    square, fewest = 0.0, 4
    for result in results:
        inputs: Any = result.details.get("uncertainty") or {}
        given = (inputs.get("inputs") or {}).get("tag_centre_mm")
        square += float(given if isinstance(given, int | float) else TAG_MM) ** 2
        seen = [len(row.get("tags_seen") or ()) for row in result.photos]
        fewest = min([fewest, *(n for n in seen if n)])
    return float(np.sqrt(square)), fewest


def _check_panels(before: Result, after: Result) -> None:
    first, second = (np.array(result.panel["size_mm"], float) for result in (before, after))
    if np.any(np.maximum(first, second) > 2 * np.minimum(first, second)):
        raise RefusedError(
            "The two passes can't be of one panel",
            found=f"{first[0]:g} x {first[1]:g} mm and {second[0]:g} x {second[1]:g} mm",
            allowed="regions of about one size, in one panel frame",
            cure="compare passes of the same panel, with the tags in the same places",
        )


def _too_little(cells: int) -> NotMeasuredError:
    return NotMeasuredError(
        "the two passes have too little in common",
        found=f"{cells} cells measured in both",
        allowed=f"at least {FEWEST}",
        cure="judge the same region in both, and shoot again what was not measured",
    )


def _reader(height: HeightMap, found: Registration | None) -> Any:
    """Deviation and its standard uncertainty at a place of the later frame."""
    grid = height.grid

    def at(x: float, y: float) -> tuple[float, float]:
        if found is not None:
            u, v = found.places(np.array(x), np.array(y))
            x, y = float(u), float(v)
        column = round((x - grid.x_mm[0]) / grid.step_mm)
        row = round((y - grid.y_mm[0]) / grid.step_mm)
        if not (0 <= row < grid.shape[0] and 0 <= column < grid.shape[1]):
            return float("nan"), float("nan")
        return float(height.height_mm[row, column]), float(height.sigma_mm[row, column])

    return at


def _verdict(before: Result, after: Result, build: Build, common: float) -> tuple[str, list[str]]:
    """The build's verdict, and whether what was not seen could change it."""
    verdict = build.verdict or "not_measured"
    reasons = [build.sentence] if build.sentence else []
    if not build.verdict:
        return "not_measured", ["The later pass gives no filler depth to judge the build against."]
    if verdict == "rework":
        return verdict, reasons
    fold = describe("fold")
    for name, result in (("before", before), ("after", after)):
        if np.any(result.height.flags & bit("fold")):
            verdict = "not_measured"
            reasons.append(
                f"The pass {name} has a part that is {fold.sentence}: the build there is not known."
            )
    if common < LEAST_COMMON:
        verdict = "not_measured"
        reasons.append(
            f"Only {100 * common:.0f} % of the judged region was measured in both passes; nothing is said about the"
            " rest."
        )
    elif common < 0.95:
        reasons.append(f"{100 * common:.0f} % of the judged region was measured in both passes.")
    return verdict, reasons


def _cautions(found: Registration, build: Build) -> list[str]:
    said = []
    if found.moved:
        ux, uy, uw = COVERAGE_FACTOR * np.sqrt(np.diag(found.covariance))
        said.append(
            f"The tags were moved between the passes: laid over each other by the unchanged surface, shifted by"
            f" ({found.x_mm:.1f}, {found.y_mm:.1f}) mm within ({ux:.1f}, {uy:.1f}) and turned by"
            f" {found.turn_mrad:.1f} mrad within {1e3 * uw:.1f} (95 %)."
        )
    if found.unchanged < LEAST_UNCHANGED:
        said.append(
            f"Only {100 * found.unchanged:.0f} % of the panel looks unchanged: where filler covers nearly all, height"
            " is told by the tags alone; lay them on surface that stays as it is."
        )
    if any(patch.cut_off for patch in build.patches):
        said.append("A patch of build reaches the edge of what was measured and may go on there.")
    return said


def _sentence(verdict: str, build: Build, cut: Build) -> str:
    if not build.patches and not cut.patches:
        what = "Nothing was added and nothing taken off that stands out of the uncertainty"
    else:
        parts = []
        if build.patches:
            parts.append(
                f"up to {build.max_mm:.3g} mm was added (within {build.u95_mm:.2g} mm), {build.volume_ml:.3g} ml"
                f" on {build.area_cm2:.3g} cm²"
            )
        if cut.patches:
            parts.append(
                f"up to {cut.max_mm:.3g} mm was taken off (within {cut.u95_mm:.2g} mm), {cut.volume_ml:.3g} ml"
                f" on {cut.area_cm2:.3g} cm²"
            )
        what = "; ".join(parts)
        what = what[0].upper() + what[1:]
    limit = f"{build.limit_mm:g} mm"
    end = {
        "ready": f"within the limit of {limit}",
        "rework": f"more than the limit of {limit}",
        "close": f"too close to the limit of {limit} to call",
        "not_measured": "whether it is within the limit was not measured",
    }[verdict]
    return f"{what}: {end}."
