"""Decisions with a guard band: within the limit, over it, or too close to call (JCGM 106, ISO 14253-1).

A measured value y with standard uncertainty u is taken as a normal state of knowledge. The *conformance
probability* is the probability that the true value lies within the limits (JCGM 106:2012, clause 7). A value
is within its limit when that probability reaches the confidence, over it when one minus it does, and too
close to call between. For one limit and 95 % that is the guard band of 1.645 u: y + 1.645 u at or under the
limit, or y - 1.645 u at or over it. The uncertainty counts against whoever claims, on both sides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import ndtr, ndtri

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.message import Verdict, fill_in
from surfscan.core.units import MM, Units

__all__ = [
    "Decision",
    "conformance_probability",
    "decide",
    "decide_slope",
    "decide_spot",
    "guard_band",
    "guard_factor",
]

# a value exactly on the guarded limit is within it: the rounding of the arithmetic must not decide
_ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class Decision:
    """One value against its limits.

    Attributes
    ----------
    verdict : Verdict
        Ready is within, rework over, close too close to call; not measured when the value or its uncertainty is not a
        number.
    probability : float
        Conformance probability, 0 to 1; NaN when not measured.
    value, u, lower, upper : float
        What was decided on.
    name, unit : str
        For the sentence; the unit is "mm" or "mrad".
    """

    verdict: Verdict
    probability: float
    value: float = math.nan
    u: float = math.nan
    lower: float = -math.inf
    upper: float = math.inf
    name: str = "the value"
    unit: str = "mm"

    @property
    def sentence(self) -> str:
        """The decision with its numbers, mm."""
        return self.say(MM)

    def say(self, units: Units) -> str:
        """The decision with its numbers."""
        name = self.name[:1].upper() + self.name[1:]
        if self.verdict == Verdict.NOT_MEASURED:
            return f"{name} was not measured."
        kind = "mrad" if self.unit == "mrad" else "measured"
        words = {
            Verdict.READY: "within",
            Verdict.REWORK: "over" if math.isinf(self.lower) else "outside",
            Verdict.CLOSE: "too close to call against",
        }[self.verdict]
        numbers = {"value": self.value, "u": self.u, "lower": self.lower, "upper": self.upper}
        text = fill_in(f"{{value:{kind}}} (u {{u:{kind}}})", numbers, units)
        bounds = fill_in(self._bounds(kind), numbers, units)
        chance = fill_in("{p:percent}", {"p": self.probability})
        return f"{name} is {text}: {words} {bounds}; the chance that it is within is {chance}."

    def _bounds(self, kind: str) -> str:
        if math.isinf(self.lower) and math.isinf(self.upper):
            return "no limit"
        if math.isinf(self.lower):
            return f"the limit of {{upper:{kind}}}"
        if math.isinf(self.upper):
            return f"the least of {{lower:{kind}}}"
        return f"the limits of {{lower:{kind}}} to {{upper:{kind}}}"


def guard_factor(confidence: float = 0.95) -> float:
    """Standard uncertainties in the one-sided guard band: 1.645 at 95 %.

    What may be over its limit (and so is a spot at all) and what is decided on it both come from here.

    Parameters
    ----------
    confidence : float
        0.5 to under 1 (ValueError else).
    """
    _check(0.0, confidence)
    return float(ndtri(confidence))


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
    return guard_factor(confidence) * u


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
        verdict = Verdict.NOT_MEASURED
    elif probability >= confidence - _ROUNDING:
        verdict = Verdict.READY
    elif 1 - probability >= confidence - _ROUNDING:
        verdict = Verdict.REWORK
    else:
        verdict = Verdict.CLOSE
    return Decision(verdict, probability, value, u, lower, upper, name, unit)


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
    u = u95_mm / COVERAGE_FACTOR
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


def _check(u: float, confidence: float) -> None:
    if u < 0:
        raise ValueError(f"u must not be negative; found {u}")
    if not 0.5 <= confidence < 1:
        raise ValueError(f"confidence must be 0.5 to under 1; found {confidence}")
