"""Two passes of one panel compared: what rose, what fell, and what became of the spots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.change.build import Build, measure_build
from surfscan.change.faults import FaultChange, match_faults
from surfscan.change.fitting import fit_between
from surfscan.change.matching import ReadAt, SpotChange, later_place, match_spots
from surfscan.change.registration import TAG_MM, Registration, register
from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit, describe
from surfscan.core.message import Phrase, Reason, Verdict, Weight
from surfscan.core.records import Array, CheckResult, Grid, HeightMap
from surfscan.core.units import MM
from surfscan.judge.reasons import in_order, reason, rule_reason, sentences_of
from surfscan.judge.verdict import LEAST_COVERAGE, WHOLE, verdict_of
from surfscan.results.stored import StoredResult

__all__ = ["Comparison", "against_limit", "build_reason", "compare_results", "tag_uncertainty"]

Result = CheckResult | StoredResult

LEAST_UNCHANGED = 0.25
"""Less of the common surface than this taken for unchanged is told: there the tags say what is old and new."""


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
    faults : tuple of FaultChange or None
        None where not both passes looked for small faults.
    verdict : Verdict
        That of the build, and of what was not seen.
    told : Phrase
        What changed, and whether it is within the limit.
    findings : tuple of Reason
        The build against its limit, cautions about the registration and coverage, and the rule.
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
    faults: tuple[FaultChange, ...] | None
    verdict: Verdict
    told: Phrase
    findings: tuple[Reason, ...]

    @property
    def sentence(self) -> str:
        """What changed in one sentence, mm."""
        return self.told.say()

    @property
    def reasons(self) -> tuple[str, ...]:
        """The findings as sentences, mm."""
        return tuple(sentences_of(self.findings, MM))


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
    readers = [
        _reader(before.height, found),
        _reader(after.height, None),
        _reader(
            HeightMap(grid, difference, np.zeros(grid.shape), np.nan_to_num(sigma), after.height.flags), None
        ),
    ]
    findings = in_order(
        [
            build_reason(build),
            *_of_seeing(before, after, common),
            *_cautions(found, build),
            rule_reason(confidence),
        ]
    )
    verdict = verdict_of(findings)
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
        spots=_spots(before, after, found, *readers),
        faults=_faults(before, after, found, *readers[:2]),
        verdict=verdict,
        told=_told(verdict, build, cut),
        findings=findings,
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


def _spots(
    before: Result, after: Result, found: Registration, earlier: ReadAt, later: ReadAt, difference: ReadAt
) -> tuple[SpotChange, ...]:
    return tuple(
        match_spots(
            before.spots,
            after.spots,
            registration=found,
            earlier=earlier,
            later=later,
            difference=difference,
        )
    )


def _faults(
    before: Result, after: Result, found: Registration, earlier: ReadAt, later: ReadAt
) -> tuple[FaultChange, ...] | None:
    return match_faults(
        before.details,
        after.details,
        later_place=lambda x, y: later_place(x, y, found),
        seen_before=lambda x, y: bool(np.isfinite(earlier(x, y)[0])),
        seen_after=lambda x, y: bool(np.isfinite(later(x, y)[0])),
    )


def _reader(height: HeightMap, found: Registration | None) -> ReadAt:
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


def build_reason(build: Build) -> Reason:
    """The build against its limit."""
    decision = build.decision
    if decision is None:
        return reason("build-no-limit", Weight.DECIDES, "the build")
    if decision.verdict == Verdict.NOT_MEASURED:
        return reason("build-unknown", Weight.DECIDES, "the build")
    code, weight = {
        Verdict.READY: ("build-within", Weight.NOTE),
        Verdict.CLOSE: ("build-close", Weight.DOUBT),
        Verdict.REWORK: ("build-over", Weight.DECIDES),
    }[decision.verdict]
    return reason(
        code,
        weight,
        "the build",
        size_mm=decision.value,
        u_mm=decision.u,
        limit_mm=decision.upper,
        probability=decision.probability,
    )


def _of_seeing(before: Result, after: Result, common: float) -> list[Reason]:
    """What was not seen, and so could change the verdict."""
    said = [
        reason(
            "passes-fold", Weight.DECIDES, f"the pass {name}", which=name, sentence=describe("fold").sentence
        )
        for name, result in (("before", before), ("after", after))
        if np.any(result.height.flags & bit("fold"))
    ]
    if common < LEAST_COVERAGE:
        said.append(reason("passes-too-little", Weight.DECIDES, common=common))
    elif common < WHOLE:
        said.append(reason("passes-part", common=common))
    return said


def _cautions(found: Registration, build: Build) -> list[Reason]:
    said = []
    if found.moved:
        ux, uy, uw = (float(u) for u in COVERAGE_FACTOR * np.sqrt(np.diag(found.covariance)))
        said.append(
            reason(
                "passes-tags-moved",
                x_mm=found.x_mm,
                y_mm=found.y_mm,
                u_x_mm=ux,
                u_y_mm=uy,
                turn_mrad=found.turn_mrad,
                u_turn_mrad=1e3 * uw,
            )
        )
    if found.unchanged < LEAST_UNCHANGED:
        said.append(reason("passes-few-unchanged", unchanged=found.unchanged))
    if any(patch.cut_off for patch in build.patches):
        said.append(reason("passes-build-cut-off"))
    return said


def against_limit(verdict: Verdict, limit_mm: float) -> Phrase:
    """The last part of the sentence: how the build stands to its limit."""
    template = {
        Verdict.READY: "within the limit of {limit_mm:given}",
        Verdict.REWORK: "more than the limit of {limit_mm:given}",
        Verdict.CLOSE: "too close to the limit of {limit_mm:given} to call",
        Verdict.NOT_MEASURED: "whether it is within the limit was not measured",
    }[verdict]
    return Phrase(template, {"limit_mm": limit_mm})


def _told(verdict: Verdict, build: Build, cut: Build) -> Phrase:
    amount = "{most_mm:thick} was %s (within {u95_mm:spread}), {ml:.3g} ml on {cm2:area_3}"
    parts = [
        Phrase(
            amount % word,
            {"most_mm": side.max_mm, "u95_mm": side.u95_mm, "ml": side.volume_ml, "cm2": side.area_cm2},
        )
        for word, side in (("added", build), ("taken off", cut))
        if side.patches
    ]
    template = {
        0: "Nothing was added and nothing taken off that stands out of the uncertainty: {end}.",
        1: "Up to {first}: {end}.",
        2: "Up to {first}; up to {second}: {end}.",
    }[len(parts)]
    numbers = dict(zip(("first", "second"), parts, strict=False))
    return Phrase(template, {**numbers, "end": against_limit(verdict, build.limit_mm)})
