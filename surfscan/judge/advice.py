"""What to do about a spot, in the words of the trade, with the reason: an aid, never an order."""

from __future__ import annotations

import math

from surfscan.core.constants import FILLER_PREFERRED_DEPTH
from surfscan.judge.limits import METAL_STAGES, STAGES, Limits

__all__ = ["CAUTIONS", "advise", "advise_texture"]

CAUTIONS: tuple[str, ...] = (
    "Sanding dust and isocyanate paints: extraction, respirator and skin protection as the product's safety "
    "sheet and local rules say.",
    "Wetting the panel: water, or a cleaner used as its label says; solvent near a hot lamp or a spark is a "
    "fire.",
    "Flashing stripes on a screen: change them slowly; a warning for photosensitive people.",
    "Never grind a high thinner than the metal allows.",
    "A flat surface says nothing about structure, welds, corrosion, or what sits behind it. Cameras and "
    "radar behind a bumper cover have filler and paint limits of their maker; structure, sensors and "
    "airbags are for licensed people under local rules.",
    "The photo sees only the surface: filler already under it is not seen, and adds to the depths given "
    "here.",
    "The figure is an aid, the inspector decides.",
)
"""Shown with every result and on every paper."""

# stages at which putty or filler may still go on; on colour or clear that means going back a stage
_OPEN_STAGES = ("bare-metal", "filler", "putty", "primer")
_NEXT = "block, and look again"


def advise(
    kind: str,
    stage: str,
    peak_mm: float,
    u95_mm: float,
    verdict: str,
    limits: Limits,
    texture: bool = False,
) -> str:
    """Say what to do about one spot, and why.

    Parameters
    ----------
    kind : {"low", "high"}
        Which it is.
    stage : str
        One of ``limits.STAGES``.
    peak_mm : float
        Signed peak, mm, + is high.
    u95_mm : float
        Half its 95 % interval, mm. Where the interval of a low reaches past a depth limit, the advice is that
        for the deeper work, and says so.
    verdict : {"ready", "rework", "close", "not_measured"}
        The spot's own verdict.
    limits : Limits
        The limits of the stage.
    texture : bool
        Whether the surface texture here is over its limit as well; adds what to do about it.

    Returns
    -------
    str
        One or two sentences.

    Raises
    ------
    ValueError
        For an unknown kind, stage or verdict.
    """
    if kind not in ("low", "high"):
        raise ValueError(f"kind must be 'low' or 'high'; found {kind!r}")
    if stage not in STAGES:
        raise ValueError(f"stage must be one of {STAGES}; found {stage!r}")
    if verdict not in ("ready", "rework", "close", "not_measured"):
        raise ValueError(f"unknown verdict {verdict!r}")
    size = abs(peak_mm)
    limit = limits.low_mm if kind == "low" else limits.high_mm
    if verdict == "not_measured" or not (math.isfinite(size) and math.isfinite(u95_mm)):
        text = "Not measured here: shoot again, or lay a straightedge on it."
    elif verdict == "ready":
        text = f"Leave it: {size:.3f} mm is within the {limit:g} mm limit."
    elif verdict == "close":
        text = (
            f"Too close to call: {size:.3f} mm give or take {u95_mm:.3f} mm straddles the {limit:g} mm "
            "limit. A better shot would settle it (the uncertainty budget says what would help most), or "
            "lay a straightedge on it."
        )
    elif kind == "low":
        text = _low(stage, size, u95_mm, limits)
    else:
        text = _high(stage, size, limits)
    return f"{text} {advise_texture(stage)}" if texture else text


def advise_texture(stage: str) -> str:
    """Say what to do about a texture over its limit (common practice, no source)."""
    if stage == "primer":
        return "Texture: sand 400 then 600 grit and look again; a dry, rough primer prints through as peel."
    if stage in ("base", "clear"):
        return "Texture: peel, from spray too dry or too thick; sanded out only where there is film enough."
    return "Texture: block it to an even scratch and look again; it hides shallow lows from the photo."


def _low(stage: str, depth: float, u95: float, limits: Limits) -> str:
    deepest = depth + u95
    size = f"{depth:.2f} mm deep"
    if deepest > limits.putty_depth_mm >= depth or deepest > limits.filler_depth_mm >= depth:
        size += f", give or take {u95:.2f} mm"
    if deepest > limits.filler_depth_mm:
        may = "is" if depth > limits.filler_depth_mm else "may be"
        return (
            f"Bring the metal up first. Filler here would be {size}: that {may} over the limit of "
            f"{limits.filler_depth_mm:g} mm."
        )
    if deepest <= limits.putty_depth_mm:
        if stage == "bare-metal":
            return (
                f"Filler, {_NEXT}. The low is {size}: shallow enough for glazing putty, but putty wants "
                f"primer or filler under it."
            )
        start = "Glazing putty" if stage in _OPEN_STAGES else "Back a stage, then glazing putty"
        return f"{start}, {_NEXT}. The low is {size}, under the {limits.putty_depth_mm:g} mm for putty."
    may = "over" if depth > limits.putty_depth_mm else "which may be over"
    start = "Filler" if stage in METAL_STAGES else "Back to the filler stage, then filler"
    text = (
        f"{start}, {_NEXT}. The low is {size}, {may} the {limits.putty_depth_mm:g} mm for putty and under "
        f"the {limits.filler_depth_mm:g} mm for filler."
    )
    if depth > FILLER_PREFERRED_DEPTH.value:
        text += (
            f" {FILLER_PREFERRED_DEPTH.value:.1f} mm (1/8 inch) and under is preferred: see whether the "
            f"metal can come up some of the way."
        )
    return text


def _high(stage: str, height: float, limits: Limits) -> str:
    if stage in METAL_STAGES:
        return (
            f"Bring it down first (tap or shrink): {height:.2f} mm stands over the {limits.high_mm:g} mm "
            f"limit, and a high left up has to be buried all round; the fill plan says what that costs."
        )
    return (
        f"Block it while watching for break-through: {height:.3f} mm stands over the {limits.high_mm:g} mm "
        f"limit. If it breaks through before it is fair, go back a stage."
    )
