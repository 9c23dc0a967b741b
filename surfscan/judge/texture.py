"""The texture against its limit: the steepest octave of short waves decides, where the sheet has a limit for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from surfscan.core.reading import Band
from surfscan.judge.decide import Decision, decide
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits

__all__ = ["add_texture"]

_MODEL = 0.3
"""Standard share of a band's slope that its method may be off by (tests/bench/study_texture.py: up to 0.46 of it)."""


def add_texture(judgement: Judgement, bands: Sequence[Band], *, limits: Limits) -> Judgement:
    """Judge the bands, and put them into a judgement.

    Parameters
    ----------
    judgement : Judgement
    bands : sequence of Band
        Empty where no texture could be measured.
    limits : Limits

    Returns
    -------
    Judgement
        With ``details["texture"]``: ``bands`` [{from_mm, to_mm, slope_rms_mrad, u_mrad, limit_mrad, along_x, verdict}],
        ``basis``. An octave longer than the shortest wave of ``limits.band_mm`` is shape, and not listed.
    """
    short = [band for band in bands if band.to_mm <= limits.band_mm[0]]
    made = [_decide(band, limits) for band in short]
    rows = [
        {
            "from_mm": band.from_mm,
            "to_mm": band.to_mm,
            "slope_rms_mrad": band.slope_rms_mrad,
            "u_mrad": one.u,
            "limit_mrad": limits.texture_mrad,
            "along_x": band.along_x,
            "verdict": one.verdict,
        }
        for band, one in zip(short, made, strict=True)
    ]
    row = {"bands": rows, "basis": limits.basis.get("texture_mrad", "")}
    judgement = replace(judgement, details={**judgement.details, "texture": row})
    if not made:
        nothing = _decide(Band(math.nan, math.nan, math.nan, math.nan, math.nan), limits)
        return replace(judgement, evidence=replace(judgement.evidence, texture=nothing))
    worst = max(range(len(made)), key=lambda k: made[k].value + made[k].u)
    evidence = replace(
        judgement.evidence, texture=made[worst], texture_mm=(short[worst].from_mm, short[worst].to_mm)
    )
    return replace(judgement, evidence=evidence)


def _decide(band: Band, limits: Limits) -> Decision:
    u = math.hypot(band.u_mrad, _MODEL * band.slope_rms_mrad)
    name = f"the slope of waves of {band.from_mm:g} to {band.to_mm:g} mm"
    return decide(
        band.slope_rms_mrad,
        u,
        upper=limits.texture_mrad,
        confidence=limits.confidence,
        name=name,
        unit="mrad",
    )
