"""Which way to deal with highs is better, and why: as a code with numbers, and its words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from surfscan.core.message import Message, Verdict, fill_in
from surfscan.core.units import MM, Units
from surfscan.judge.bury import BURY_STAGES, SurfaceLeft, next_limits
from surfscan.judge.decide import guard_band
from surfscan.judge.limits import Limits

if TYPE_CHECKING:
    from surfscan.judge.fill import FillTotals

__all__ = ["compare_ways", "fill_plan_text"]

_WORTH_ML = 10.0  # filler that is not worth a hammer, our own default

_FIGURES = (
    "(down first: {down_mm:filler} deepest, {down_cm2:whole_area}, {down_ml:volume}; buried: {bury_mm:filler} deepest,"
    " {bury_cm2:whole_area}, {bury_ml:volume})."
)
_LIMIT = "the limit of {filler_mm:given}"
_PLANS = {
    "not-measured": "Nothing was measured, so there is no fill plan.",
    "neither": "No high stands over {high_mm:given}, so nothing has to be buried.",
    "metal": f"Neither will do: even with the highs down, filler would be deeper than {_LIMIT}; the panel must come up"
    f" first. Burying the highs would put another {{extra_cm2:whole_area}} over it {_FIGURES}",
    "down-limit": f"{{first}}: buried, filler would be deeper than {_LIMIT} {_FIGURES}",
    "down-close": f"{{first}}: buried, the depth is too close to {_LIMIT} to call, within {{band:factor}} standard"
    f" uncertainties {_FIGURES}",
    "down-putty": "{first}: burying them would make filler {growth_mm:filler} deeper, more than the"
    " {putty_mm:given} that"
    f" would be putty work {_FIGURES}",
    "down-volume": "{first}: burying them takes {more_ml:volume} more filler over {more_cm2:whole_area} more,"
    " all of it to"
    f" be blocked {_FIGURES}",
    "down-left": "{first}: buried, this panel would be judged again and fail: {left_mm:depth} would still stand"
    f" {{left_way}}, where {{next_mm:given}} is allowed in primer {_FIGURES}",
    "down-slope": "{first}: buried, the raise would be too steep for primer, {slope_mrad:slope} where"
    f" {{slope_limit_mrad:slope}} is allowed {_FIGURES}",
    "not-offered": "No high is buried at this stage: nothing thick goes on any more.",
    "down-edge": "{first}: buried, the raise would run past the edge of the judged region, and the panel would"
    " no longer"
    f" meet what is next to it {_FIGURES}",
    "bury": "Burying the highs will do: it makes filler only {growth_mm:filler} deeper and adds"
    " {more_ml:volume}, and stays"
    f" under {_LIMIT} {_FIGURES}",
    "bury-close": "Burying the highs will do: it makes filler only {growth_mm:filler} deeper and adds"
    " {more_ml:volume}, and"
    f" the depth is too close to {_LIMIT} to call either way {_FIGURES}",
}


def fill_plan_text(message: Message, units: Units = MM, stored: str = "") -> str:
    """The fill plan in words; `stored` where this version does not know it."""
    try:
        return fill_in(_PLANS[message.code], message.numbers, units)
    except (KeyError, ValueError, TypeError):
        return stored


def compare_ways(
    down: FillTotals,
    bury: FillTotals,
    highs: bool,
    edge: bool,
    limits: Limits,
    stage: str,
    left: Callable[[], SurfaceLeft],
) -> tuple[str, Message]:
    """Which way is better ("neither", "down", "bury", "metal" or "not_measured"), and why.

    Parameters
    ----------
    down, bury : FillTotals
    highs, edge : bool
        Whether a high stands over its limit; whether the raise runs off the map.
    limits : Limits
    stage : str
    left : callable
        Judges the surface that burying would leave; asked only when nothing else speaks against it.
    """
    if math.isnan(down.depth_mm):
        return "not_measured", Message("not-measured")
    if not highs:
        return "neither", Message("neither", {"high_mm": limits.high_mm})
    if stage not in BURY_STAGES:
        return "neither", Message("not-offered")
    numbers: dict[str, Any] = {
        "first": "Bring the highs down first" if stage == "bare-metal" else "Block the highs down first",
        "down_mm": down.depth_mm,
        "down_cm2": down.area_cm2,
        "down_ml": down.volume_ml,
        "bury_mm": bury.depth_mm,
        "bury_cm2": bury.area_cm2,
        "bury_ml": bury.volume_ml,
        "growth_mm": bury.depth_mm - down.depth_mm,
        "more_ml": bury.volume_ml - down.volume_ml,
        "more_cm2": bury.area_cm2 - down.area_cm2,
        "extra_cm2": max(bury.over_area_cm2 - down.over_area_cm2, 0.0),
        "filler_mm": limits.filler_depth_mm,
        "putty_mm": limits.putty_depth_mm,
        "band": guard_band(1.0, limits.confidence),
    }
    better, code = _better(down, bury, edge, limits)
    if better == "bury" and not (judged := left()).passes:
        better, code = "down", "down-left" if judged.peak_mm else "down-slope"
        numbers |= {
            "left_mm": abs(judged.peak_mm),
            "left_way": "proud" if judged.peak_mm > 0 else "low",
            "next_mm": next_limits(limits).high_mm,
            "slope_mrad": judged.slope_mrad,
            "slope_limit_mrad": judged.slope_limit_mrad,
        }
    return better, Message(code, numbers)


def _better(down: FillTotals, bury: FillTotals, edge: bool, limits: Limits) -> tuple[str, str]:
    """What is better, and the code of why."""
    verdicts = down.decision.verdict, bury.decision.verdict
    if verdicts[0] == Verdict.REWORK:
        return "metal", "metal"
    if verdicts[1] == Verdict.REWORK:
        return "down", "down-limit"
    if verdicts[1] == Verdict.CLOSE and verdicts[0] != Verdict.CLOSE:
        return "down", "down-close"
    if bury.depth_mm - down.depth_mm > limits.putty_depth_mm:
        return "down", "down-putty"
    if bury.volume_ml - down.volume_ml > _WORTH_ML:
        return "down", "down-volume"
    if edge:
        return "down", "down-edge"
    return "bury", "bury-close" if verdicts[1] == Verdict.CLOSE else "bury"
