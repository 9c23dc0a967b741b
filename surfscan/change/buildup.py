"""Filler over several passes: what lies on the panel now, whatever was added and sanded in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from surfscan.change.build import Build, measure_build
from surfscan.change.comparison import Comparison, Result, against_limit, build_reason, compare_results
from surfscan.core.message import Phrase, Verdict
from surfscan.core.records import Array
from surfscan.judge.reasons import in_order
from surfscan.judge.verdict import verdict_of

__all__ = ["Buildup", "compare_passes"]

BARE = "bare-metal"

CLEARLY = 3.0
"""A pass in between counts as the lower surface where it is lower by this many standard uncertainties."""


@dataclass(frozen=True, slots=True)
class Buildup:
    """Several passes of one panel.

    Attributes
    ----------
    steps : tuple of Comparison
        Each pass against the one before.
    whole : Comparison
        The last pass against the base; its build is the thickness that now lies on the panel.
    base : int
        Index of the pass that thickness is counted from: the last one at bare metal before the end, else the first.
    thickness_mm : ndarray (H, W)
        What lies over the lowest surface seen since the base, mm, 0 or more; NaN where not measured.
    """

    steps: tuple[Comparison, ...]
    whole: Comparison
    base: int
    thickness_mm: Array


def compare_passes(passes: Sequence[Result], *, tags_moved: bool | None = None) -> Buildup:
    """Compare passes in their order, and work out how much lies on the panel at the end.

    What is added and then sanded through is gone: thickness T follows T = max(T + change, 0), which is the last
    surface less the lowest one seen since the base. It is taken from the last surface's difference to each earlier
    one, so that errors of passes in between do not add up.

    Parameters
    ----------
    passes : sequence of StoredResult or CheckResult
        At least two, earliest first.
    tags_moved : bool, optional
        As in `compare_results`.

    Returns
    -------
    Buildup

    Raises
    ------
    ValueError
        For fewer than two passes.
    RefusedError, NotMeasuredError
        As `compare_results` does.
    """
    if len(passes) < 2:
        raise ValueError("at least two passes are compared")
    last = passes[-1]
    bare = [k for k, one in enumerate(passes[:-1]) if one.panel.get("stage") == BARE]
    base = bare[-1] if bare else 0
    steps = tuple(compare_results(one, other, tags_moved=tags_moved) for one, other in pairwise(passes))
    whole = (
        steps[-1] if base == len(passes) - 2 else compare_results(passes[base], last, tags_moved=tags_moved)
    )
    thickness, sigma = whole.difference_mm, whole.sigma_mm
    for k in range(base + 1, len(passes) - 1):
        other = steps[-1] if k == len(passes) - 2 else compare_results(passes[k], last, tags_moved=tags_moved)
        # The two differences share the last surface, so what tells them apart is less uncertain than this.
        lower = other.difference_mm - thickness > CLEARLY * np.hypot(other.sigma_mm, sigma)
        thickness = np.where(lower, other.difference_mm, thickness)
        sigma = np.where(lower, other.sigma_mm, sigma)
    if len(passes) > 2:
        build = measure_build(
            thickness,
            sigma,
            grid=whole.grid,
            sign=1,
            limit_mm=whole.build.limit_mm,
            confidence=float(last.limits.get("confidence") or 0.95),
        )
        kept = [one for one in whole.findings if not one.code.startswith("build-")]
        findings = in_order([build_reason(build), *kept])
        verdict = verdict_of(findings)
        whole = replace(
            whole, build=build, verdict=verdict, told=_told(verdict, build, len(steps)), findings=findings
        )
    return Buildup(steps, whole, base, np.maximum(thickness, 0.0))


def _told(verdict: Verdict, build: Build, steps: int) -> Phrase:
    return Phrase.of(
        "After {steps} steps up to {most_mm:thick} lies on the panel (within {u95_mm:spread}),"
        " {ml:.3g} ml in all: {end}.",
        steps=steps,
        most_mm=build.max_mm,
        u95_mm=build.u95_mm,
        ml=build.volume_ml,
        end=against_limit(verdict, build.limit_mm),
    )
