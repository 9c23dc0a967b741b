"""Decisions with a guard band: within the limit, over it, or too close to call (JCGM 106, ISO 14253-1).

A measured value y with standard uncertainty u is taken as a normal state of knowledge. The *conformance
probability* is the probability that the true value lies within the limits (JCGM 106:2012, clause 7). A value
is within its limit when that probability reaches the confidence, over it when one minus it does, and too
close to call between. For one limit and 95 % that is the guard band of 1.645 u: y + 1.645 u at or under the
limit, or y - 1.645 u at or over it. The uncertainty counts against whoever claims, on both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtr, ndtri

__all__ = [
    "Decision",
    "PanelDecision",
    "conformance_probability",
    "decide",
    "decide_slope",
    "decide_spot",
    "guard_band",
    "judge_panel",
    "rule_sentence",
]

# a value exactly on the guarded limit is within it: the rounding of the arithmetic must not decide
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class Decision:
    """One value against its limits.

    Attributes
    ----------
    verdict : {"ready", "rework", "close", "not_measured"}
        Within, over, too close to call; not measured when the value or its uncertainty is not a number.
    probability : float
        Conformance probability, 0 to 1; NaN when not measured.
    sentence : str
        The decision with its numbers.
    """

    verdict: str
    probability: float
    sentence: str


@dataclass(frozen=True, slots=True)
class PanelDecision:
    """The panel's verdict ("ready", "rework", "close" or "not_measured"), and why, in sentences."""

    verdict: str
    reasons: tuple[str, ...]


def guard_band(u: float, confidence: float = 0.95) -> float:
    """Width of the one-sided guard band, in the unit of `u`: 1.645 u at 95 %.

    Parameters
    ----------
    u : float
        Standard uncertainty, 0 or more.
    confidence : float
        0.5 to under 1.

    Raises
    ------
    ValueError
        For a negative `u` or a confidence out of range.
    """
    _check(u, confidence)
    return float(ndtri(confidence)) * u


def conformance_probability(
    value: float, u: float, *, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7.2 to 7.4).

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty. With u = 0 the answer is 0 or 1; a limit itself is
        within.
    lower, upper : float
        Limits; infinite when there is none.

    Returns
    -------
    float
        0 to 1; NaN when `value` or `u` is NaN.

    Raises
    ------
    ValueError
        For a negative `u` or an upper limit under the lower one.
    """
    if u < 0 or upper < lower:
        raise ValueError(f"u must not be negative and upper not under lower; found u {u}, {lower} to {upper}")
    if math.isnan(value) or math.isnan(u):
        return math.nan
    if math.isinf(u):
        # nothing is known: half for one limit, all without a limit, nothing between two
        return (0.0, 0.5, 1.0)[math.isinf(lower) + math.isinf(upper)]
    if u == 0:
        return float(lower <= value <= upper)
    a, b = (lower - value) / u, (upper - value) / u
    # both tails on the side where the normal integral keeps its digits
    return float(ndtr(b) - ndtr(a)) if a <= 0 else float(ndtr(-a) - ndtr(-b))


def decide(
    value: float,
    u: float,
    *,
    lower: float = -math.inf,
    upper: float = math.inf,
    confidence: float = 0.95,
    name: str = "the value",
    unit: str = "mm",
) -> Decision:
    """Judge one value against one or two limits.

    Parameters
    ----------
    value, u : float
        Measured value and its standard uncertainty (not the expanded one).
    lower, upper : float
        Limits; infinite when there is none.
    confidence : float
        Confidence a decision needs, 0.5 to under 1.
    name, unit : str
        For the sentence.

    Returns
    -------
    Decision

    Raises
    ------
    ValueError
        As in `conformance_probability`, or for a confidence out of range.
    """
    _check(0.0, confidence)
    probability = conformance_probability(value, u, lower=lower, upper=upper)
    if math.isnan(probability):
        return Decision("not_measured", probability, f"{_cap(name)} was not measured.")
    if probability >= confidence - _ROUNDING:
        verdict, words = "ready", "within"
    elif 1 - probability >= confidence - _ROUNDING:
        verdict, words = "rework", "over" if math.isinf(lower) else "outside"
    else:
        verdict, words = "close", "too close to call against"
    bounds = _bounds(lower, upper, unit)
    sentence = (
        f"{_cap(name)} is {_figure(value)} {unit} (u {_figure(u)} {unit}): {words} {bounds}; "
        f"the chance that it is within is {_percent(probability)}."
    )
    return Decision(verdict, probability, sentence)


def decide_spot(
    kind: str, peak_mm: float, u95_mm: float, *, limit_mm: float, confidence: float = 0.95
) -> Decision:
    """Judge a low's depth or a high's height against its limit.

    Parameters
    ----------
    kind : {"low", "high"}
        Which it is.
    peak_mm : float
        Signed peak, + is high. The depth of a low is minus this, the height of a high is this.
    u95_mm : float
        Half the 95 % interval; the standard uncertainty is this over 1.96.
    limit_mm : float
        Greatest depth or height.
    confidence : float
        As in `decide`.

    Raises
    ------
    ValueError
        For an unknown kind, or as in `decide`.
    """
    if kind not in ("low", "high"):
        raise ValueError(f"kind must be 'low' or 'high'; found {kind!r}")
    size = -peak_mm if kind == "low" else peak_mm
    u = u95_mm / float(ndtri(0.975))
    name = "the depth of the low" if kind == "low" else "the height of the high"
    return decide(size, u, upper=limit_mm, confidence=confidence, name=name)


def decide_slope(
    slope_mrad: float,
    u_mrad: float,
    *,
    limit_mrad: float,
    band_mm: tuple[float, float],
    confidence: float = 0.95,
) -> Decision:
    """Judge a finish: the steepest slope within a band of waves, which is what gloss shows.

    Parameters
    ----------
    slope_mrad, u_mrad : float
        Steepest slope of the band-passed surface and its standard uncertainty, mrad.
    limit_mrad : float
        Greatest slope, mrad.
    band_mm : (float, float)
        Cut-off wavelengths of the band, mm; they go into the sentence, as a slope without its band means
        nothing.
    confidence : float
        As in `decide`.
    """
    name = f"the steepest slope of waves of {band_mm[0]:g} to {band_mm[1]:g} mm"
    return decide(slope_mrad, u_mrad, upper=limit_mrad, confidence=confidence, name=name, unit="mrad")


def judge_panel(
    decisions: Sequence[Decision],
    *,
    coverage: float = 1.0,
    floor_u_mm: float = 0.0,
    limit_mm: float = math.inf,
    confidence: float = 0.95,
) -> PanelDecision:
    """Combine the decisions of all spots into the panel's verdict.

    One spot over its limit makes it rework. Else one spot too close to call, or a limit smaller than the
    guard band of the map itself (then no surface, however fair, could be shown to be within it), makes it
    close. Else it is ready. Each spot is judged at the confidence; the verdict on many spots is not made
    stricter for it.

    Parameters
    ----------
    decisions : sequence of Decision
        One per spot and limit; may be empty. Those "not_measured" make no verdict but are mentioned.
    coverage : float
        Share of the judged region that was measured, 0 to 1; 0 or NaN makes the panel "not_measured", under
        0.95 is mentioned.
    floor_u_mm : float
        Typical standard uncertainty of the map away from spots, mm.
    limit_mm : float
        The smallest height limit, mm.
    confidence : float
        As in `decide`.

    Returns
    -------
    PanelDecision
        The reasons end with the rule.
    """
    rule = rule_sentence(confidence)
    if not coverage > 0:
        return PanelDecision("not_measured", ("Nothing of the judged region was measured.", rule))
    over = [d for d in decisions if d.verdict == "rework"]
    close = [d for d in decisions if d.verdict == "close"]
    lost = sum(d.verdict == "not_measured" for d in decisions)
    reasons: list[str] = []
    blind = guard_band(floor_u_mm, confidence) > limit_mm if math.isfinite(floor_u_mm) else True
    if over:
        verdict = "rework"
        reasons.append(f"{_many(len(over), 'place is', 'places are')} over the limit.")
        reasons += [d.sentence for d in over]
    elif close or blind:
        verdict = "close"
    else:
        verdict = "ready"
        reasons.append("Nothing measured is over its limit.")
    if close:
        reasons.append(f"{_many(len(close), 'place is', 'places are')} too close to call.")
        reasons += [d.sentence for d in close]
    if blind:
        reasons.append(
            f"The limit of {_figure(limit_mm)} mm is smaller than this photo can prove: its own uncertainty "
            f"is {_figure(floor_u_mm)} mm (one standard uncertainty)."
        )
    if coverage < 0.95:
        reasons.append(
            f"{_percent(coverage)} of the judged region was measured; nothing is said about the rest."
        )
    if lost:
        reasons.append(f"{_many(lost, 'figure', 'figures')} could not be measured.")
    reasons.append(rule)
    return PanelDecision(verdict, tuple(reasons))


def rule_sentence(confidence: float = 0.95) -> str:
    """The rule in one sentence, for every output."""
    _check(0.0, confidence)
    return (
        f"Rule: within the limit when value + {float(ndtri(confidence)):.3f} u is at or under it, over the "
        f"limit when value - {float(ndtri(confidence)):.3f} u is at or over it, too close to call between "
        f"(u is the standard uncertainty; confidence {_percent(confidence)}, one side; JCGM 106, ISO "
        "14253-1)."
    )


def _check(u: float, confidence: float) -> None:
    if u < 0:
        raise ValueError(f"u must not be negative; found {u}")
    if not 0.5 <= confidence < 1:
        raise ValueError(f"confidence must be 0.5 to under 1; found {confidence}")


def _bounds(lower: float, upper: float, unit: str) -> str:
    if math.isinf(lower) and math.isinf(upper):
        return "no limit"
    if math.isinf(lower):
        return f"the limit of {_figure(upper)} {unit}"
    if math.isinf(upper):
        return f"the least of {_figure(lower)} {unit}"
    return f"the limits of {_figure(lower)} to {_figure(upper)} {unit}"


def _figure(value: float) -> str:
    """Three digits, without an exponent at the sizes met here."""
    return f"{value:.4f}".rstrip("0").rstrip(".") if abs(value) < 0.1 else f"{value:.3g}"


def _percent(share: float) -> str:
    if share < 0.001:
        return "under 0.1 %"
    if share > 0.999:
        return "over 99.9 %"
    return f"{100 * share:.3g} %"


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]


def _many(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"
