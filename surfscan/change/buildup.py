"""Filler over several passes: what lies on the panel now, whatever was added and sanded in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from surfscan.change.build import measure_build
from surfscan.change.comparison import Comparison, Result, compare_results
from surfscan.core.records import Array

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
        verdict = whole.verdict
        if build.verdict == "rework" or verdict != "not_measured":
            verdict = build.verdict or "not_measured"
        reasons = tuple(build.sentence if r == whole.build.sentence else r for r in whole.reasons)
        whole = replace(
            whole,
            build=build,
            verdict=verdict,
            sentence=_sentence(
                verdict, build.max_mm, build.u95_mm, build.volume_ml, build.limit_mm, len(steps)
            ),
            reasons=reasons,
        )
    return Buildup(steps, whole, base, np.maximum(thickness, 0.0))


def _sentence(verdict: str, most: float, u95: float, volume: float, limit: float, steps: int) -> str:
    end = {
        "ready": f"within the limit of {limit:g} mm",
        "rework": f"more than the limit of {limit:g} mm",
        "close": f"too close to the limit of {limit:g} mm to call",
        "not_measured": "whether it is within the limit was not measured",
    }[verdict]
    lies = f"up to {most:.3g} mm lies on the panel (within {u95:.2g} mm), {volume:.3g} ml in all"
    return f"After {steps} steps {lies}: {end}."
