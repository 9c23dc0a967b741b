"""Limits of each stage, each with its basis in words.

None of the defaults is a standard: where a source says something it is named, else the text says "default". A
sheet's own limits replace them and say so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from surfscan.core.constants import (
    EYE_RESOLUTION,
    FILLER_GREATEST_DEPTH,
    GUARD_FACTOR_95,
    PRIMER_LEVELS,
    PUTTY_GREATEST_DEPTH,
)
from surfscan.core.trade_names import STAGES

__all__ = ["CAN_BE_GIVEN", "METAL_STAGES", "STAGES", "Limits", "default_limits", "with_given"]

METAL_STAGES = ("bare-metal", "filler")
"""Stages at which metal can still be worked, and filler still goes on."""

CAN_BE_GIVEN = (
    "low_mm",
    "high_mm",
    "filler_depth_mm",
    "putty_depth_mm",
    "slope_mrad",
    "texture_mrad",
    "fault_mm",
    "band_mm",
    "feather_mrad",
    "confidence",
)
"""Names a sheet may set."""

_GIVEN = "given in the sheet"

# reported height, mm. Choices: what the next coats of the stage can be expected to level (bare metal, filler,
# putty: a primer surfacer film), the sheet's own example (primer), half of it once colour is on
_HEIGHT_MM = {
    "bare-metal": PRIMER_LEVELS.value,
    "filler": PRIMER_LEVELS.value,
    "putty": PRIMER_LEVELS.value,
    "primer": 0.04,
    "sealer": 0.04,
    "base": 0.02,
    "clear": 0.02,
}
_LEVELLED = "default: about what a primer surfacer can level (inferred from film thicknesses, no source)"
_HALF = "default: half the primer limit, our choice, no source; gloss shows slope, not height"
_FILM = "default: about one dry film of surfacer, 35 to 40 um (a technical sheet); our choice"
_HEIGHT_BASIS = {
    "bare-metal": _LEVELLED,
    "filler": _LEVELLED,
    "putty": _LEVELLED,
    "primer": _FILM,
    "sealer": _FILM,
    "base": _HALF,
    "clear": _HALF,
}
# a reflection moves by the slope itself when eye and reflected thing are both 1 m away
_EYE_MRAD = round(1e3 * EYE_RESOLUTION.value, 2)
_SLOPE_MRAD = {
    "bare-metal": 4.0,
    "filler": 4.0,
    "putty": 2.0,
    "primer": 1.2,
    "sealer": 1.2,
    "base": _EYE_MRAD,
    "clear": _EYE_MRAD,
}
_SLOPE_BASIS_GLOSS = (
    "default, derived: a reflected line one metre away, seen from one metre, moves by 60 seconds of arc, "
    "the resolution of the eye; no published limit for panels was found"
)
_SLOPE_BASIS_EARLY = "default, our choice, no source: before colour the slope is for information"


@dataclass(frozen=True, slots=True)
class Limits:
    """What a panel is judged against.

    Attributes
    ----------
    low_mm, high_mm : float
        A low deeper, a high taller than this is reported.
    filler_depth_mm, putty_depth_mm : float
        Greatest depth of filler, and of glazing putty.
    slope_mrad : float
        Greatest slope of waves within `band_mm`.
    band_mm : (float, float)
        The band's cut-off wavelengths: shorter is texture, longer is the form.
    feather_mrad : float
        Steepest slope of a raised surface in the fill plan.
    confidence : float
        Confidence a decision needs, 0.5 to 1 (one side).
    texture_mrad : float
        Greatest root mean square slope of the waves of any octave that is shorter than `band_mm`.
    fault_mm : float
        Small faults shorter than this are left out.
    slope_decides, texture_decides, faults_decide : bool
        Whether the slope, the texture or small faults count in the verdict; they do once the sheet gives their limit,
        else the slope is reported only, and the others are not looked for.
    basis : mapping
        Where each comes from, by name.
    """

    low_mm: float
    high_mm: float
    filler_depth_mm: float
    putty_depth_mm: float
    slope_mrad: float
    band_mm: tuple[float, float]
    feather_mrad: float
    confidence: float
    texture_mrad: float
    fault_mm: float = 0.0
    slope_decides: bool = False
    texture_decides: bool = False
    faults_decide: bool = False
    basis: Mapping[str, str] = field(default_factory=dict)


def default_limits(stage: str) -> Limits:
    """Limits of a stage when the sheet gives none.

    Parameters
    ----------
    stage : str
        One of `STAGES`.

    Returns
    -------
    Limits

    Raises
    ------
    ValueError
        For an unknown stage.

    Examples
    --------
    >>> surfscan.default_limits("primer").low_mm
    0.04
    """
    if stage not in STAGES:
        raise ValueError(f"stage must be one of {STAGES}; found {stage!r}")
    gloss = stage in ("base", "clear")
    return Limits(
        low_mm=_HEIGHT_MM[stage],
        high_mm=_HEIGHT_MM[stage],
        filler_depth_mm=FILLER_GREATEST_DEPTH.value,
        putty_depth_mm=PUTTY_GREATEST_DEPTH.value,
        slope_mrad=_SLOPE_MRAD[stage],
        band_mm=(20.0, 200.0),
        feather_mrad=4.0,
        confidence=0.95,
        texture_mrad=_SLOPE_MRAD[stage],
        basis={
            "low_mm": _HEIGHT_BASIS[stage],
            "high_mm": _HEIGHT_BASIS[stage],
            "filler_depth_mm": FILLER_GREATEST_DEPTH.source + "; 1/8 inch and under preferred",
            "putty_depth_mm": PUTTY_GREATEST_DEPTH.source,
            "slope_mrad": _SLOPE_BASIS_GLOSS if gloss else _SLOPE_BASIS_EARLY,
            "band_mm": "default, our choice: shorter waves are texture, longer ones the panel's form",
            "texture_mrad": "default: the slope limit, our choice, no source; measured only where the sheet gives it",
            "fault_mm": "default: every fault that is found; looked for only where the sheet gives it",
            "feather_mrad": "default, our choice: the filler stage's slope limit, 1 in 250",
            "confidence": f"default of ISO 14253-1, 95 %: guard band {GUARD_FACTOR_95.value:.3f} u, one side",
        },
    )


def with_given(limits: Limits, given: Mapping[str, object]) -> Limits:
    """Replace limits by those a sheet gives; their basis becomes "given in the sheet".

    Parameters
    ----------
    limits : Limits
        Usually ``default_limits(stage)``.
    given : mapping
        Names out of `CAN_BE_GIVEN`; a value of None counts as not given.

    Returns
    -------
    Limits
        A new one. A given `slope_mrad` makes the slope decide, `texture_mrad` the texture, `fault_mm` small faults.

    Raises
    ------
    ValueError
        For an unknown name, a limit that is not a finite number above 0 (heights may be 0), a band whose
        first cut-off is not below its second, or a confidence outside 0.5 to 1.
    """
    changes: dict[str, object] = {}
    for name, value in given.items():
        if name not in CAN_BE_GIVEN:
            raise ValueError(f"unknown limit {name!r}; allowed: {', '.join(CAN_BE_GIVEN)}")
        if value is None:
            continue
        changes[name] = _pair(value) if name == "band_mm" else _number(name, value)
    basis = {**limits.basis, **dict.fromkeys(changes, _GIVEN)}
    decides = limits.slope_decides or "slope_mrad" in changes
    texture = limits.texture_decides or "texture_mrad" in changes
    faults = limits.faults_decide or "fault_mm" in changes
    changes |= {"slope_decides": decides, "texture_decides": texture, "faults_decide": faults}
    return replace(limits, **changes, basis=basis)  # type: ignore[arg-type]


def _number(name: str, value: object) -> float:
    least = 0.0 if name in ("low_mm", "high_mm", "fault_mm") else math.ulp(0.0)
    number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if name == "confidence":
        least, most, allowed = 0.5, math.nextafter(1.0, 0.0), "0.5 to under 1"
    else:
        most, allowed = math.inf, "a number above 0"
    if not (math.isfinite(number) and least <= number <= most):
        raise ValueError(f"{name}: found {value!r}; allowed: {allowed}")
    return number


def _pair(value: object) -> tuple[float, float]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise ValueError(f"band_mm: found {value!r}; allowed: two numbers, the shorter wavelength first")
    short, long = (_number("band_mm", v) for v in value)
    if not short < long:
        raise ValueError(f"band_mm: found {value!r}; allowed: the shorter wavelength first")
    return short, long
