"""Numbers that come from outside the project: value, unit, source, and where they hold."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "COVERAGE_FACTOR",
    "COVERAGE_FACTOR_95",
    "EYE_RESOLUTION",
    "FILLER_GREATEST_DEPTH",
    "FILLER_PREFERRED_DEPTH",
    "GAUSSIAN_ALPHA",
    "GUARD_FACTOR_95",
    "MM_PER_INCH",
    "PRIMER_LEVELS",
    "PUTTY_GREATEST_DEPTH",
    "SANDING_BLOCK_LENGTH",
    "STRAIGHTEDGE_LENGTH",
    "Constant",
]


@dataclass(frozen=True, slots=True)
class Constant:
    """A number with its origin.

    Attributes
    ----------
    value : float
        The number, in `unit`.
    unit : str
        Its unit; "1" for a pure number.
    source : str
        Where it comes from, or "default, common practice, no source".
    holds : str
        Where it holds; empty when everywhere.
    """

    value: float
    unit: str
    source: str
    holds: str = ""


MM_PER_INCH = Constant(25.4, "mm", "definition of the international inch, 1959")

GAUSSIAN_ALPHA = Constant(
    0.46971863934982567,
    "1",
    "sqrt(ln 2 / pi): the Gaussian filters of ISO 16610-21 and -61 pass half at the cut-off",
)
COVERAGE_FACTOR_95 = Constant(1.959963984540054, "1", "normal quantile 0.975", "symmetric 95 % interval")
COVERAGE_FACTOR = 1.96
"""Half of every stated 95 % interval is this many standard uncertainties (as JCGM 100 and its users write it)."""

GUARD_FACTOR_95 = Constant(
    1.6448536269514722, "1", "normal quantile 0.95", "one limit, 95 % (JCGM 106:2012, clause 8)"
)

FILLER_GREATEST_DEPTH = Constant(
    6.35,
    "mm",
    "1/4 inch: a filler maker's engineer in the trade press, 2020; common practice",
    "polyester filler",
)
FILLER_PREFERRED_DEPTH = Constant(
    3.175,
    "mm",
    "1/8 inch: sheet-metal handbook, chapter on fillers; common practice",
    "polyester filler, lead",
)
PUTTY_GREATEST_DEPTH = Constant(
    0.8, "mm", "a quarter of 1/8 inch: sheet-metal handbook, chapter on fillers", "glazing or spot putty"
)
PRIMER_LEVELS = Constant(
    0.1,
    "mm",
    "default: inferred from primer-surfacer films of 0.035 to 0.2 mm, no direct source",
    "primer surfacer",
)
STRAIGHTEDGE_LENGTH = Constant(300.0, "mm", "default, common practice, no source", "a common steel rule")
SANDING_BLOCK_LENGTH = Constant(280.0, "mm", "default, common practice, no source", "a long hand block")

EYE_RESOLUTION = Constant(
    2.908882086657216e-4,
    "rad",
    "60 seconds of arc; textbook figure of visual acuity",
    "good light, normal sight",
)
