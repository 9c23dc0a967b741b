"""The verdict in one sentence, with the number that decided it."""

from __future__ import annotations

from surfscan.core.records import Spot
from surfscan.judge.limits import Limits

__all__ = ["verdict_sentence", "work_of"]


def work_of(spot: Spot, limits: Limits) -> str:
    """Say in a word what kind of work a spot is: putty, filler, metal, or bringing down."""
    if spot.kind == "high":
        return "to bring down"
    depth = -spot.peak_mm
    if depth > limits.filler_depth_mm:
        return "metal work: too deep for filler"
    return "putty work" if depth <= limits.putty_depth_mm else "filler work"


def verdict_sentence(
    verdict: str, spots: list[Spot], *, limits: Limits, stage: str, coverage: float, blocker: str = ""
) -> str:
    """Put the verdict into a sentence.

    Parameters
    ----------
    verdict : {"ready", "rework", "close", "not_measured"}
    spots : list of Spot
        With their verdicts.
    limits : Limits
    stage : str
    coverage : float
        0 to 1.
    blocker : str
        For "not_measured": what stood in the way.

    Returns
    -------
    str
    """
    seen = f"{100 * coverage:.0f} % of the panel was seen"
    if verdict == "not_measured":
        return f"Not measured: {blocker or 'too little of the panel could be read'}."
    over = [spot for spot in spots if spot.verdict == "rework"]
    close = [spot for spot in spots if spot.verdict == "close"]
    if verdict == "rework":
        lows, highs = ([s for s in over if s.kind == kind] for kind in ("low", "high"))
        counts = " and ".join(
            f"{len(group)} {name}{'s' if len(group) > 1 else ''}"
            for group, name in ((lows, "low"), (highs, "high"))
            if group
        )
        if not counts:
            return f"Rework; {seen}."
        worst = max(over, key=lambda s: abs(s.peak_mm))
        size, name = abs(worst.peak_mm), "deepest low" if worst.kind == "low" else "tallest high"
        return (
            f"Rework: {counts}. The {name} is {size:.3f} mm ({max(size - worst.u95_mm, 0):.3f} to "
            f"{size + worst.u95_mm:.3f}), {work_of(worst, limits)}."
        )
    if verdict == "close":
        if close:
            numbers = ", ".join(str(s.id) for s in close)
            return f"Too close to call at spot{'s' if len(close) > 1 else ''} {numbers}; {seen}."
        return f"Too close to call: the limits are finer than this photo can prove; {seen}."
    least = min(limits.low_mm, limits.high_mm)
    following = {
        "bare-metal": "filler",
        "filler": "primer",
        "putty": "primer",
        "primer": "base",
        "base": "clear",
    }
    step = f"Ready for {following[stage]}" if stage in following else "Fair"
    return f"{step}: nothing over {least:g} mm; {seen}."
