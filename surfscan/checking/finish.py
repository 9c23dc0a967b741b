"""What a sheet may ask beyond the shape: small faults and texture, judged, and pieces of the photos for the faults."""

from __future__ import annotations

from dataclasses import replace

from surfscan.checking.context import PlacedJob, Taken
from surfscan.core.records import CheckResult, HeightMap
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits
from surfscan.judge.texture import add_texture

__all__ = ["with_finish", "with_pieces"]


def with_finish(
    judgement: Judgement, placed: PlacedJob, taken: Taken, height: HeightMap, limits: Limits
) -> Judgement:
    """The judgement with small faults and texture, where the sheet asks: a quarter and a third of a check."""
    if limits.faults_decide:
        from surfscan.checking.faults import judge_faults  # late: most checks do without

        judgement = judge_faults(judgement, taken, height, limits=limits, panel=placed.sheet.panel)
    if not limits.texture_decides:
        return judgement
    from surfscan.checking.texture import read_texture

    least = 0.5 * min(limits.low_mm, limits.high_mm)
    return add_texture(judgement, read_texture(taken, height, placed.stations, most_mm=least), limits=limits)


def with_pieces(result: CheckResult, taken: Taken) -> CheckResult:
    """The result with its small faults cut out of the photos; itself where there are none."""
    if not result.details.get("faults"):
        return result
    from surfscan.checking.faults import fault_pieces

    return replace(result, pieces=fault_pieces(result, taken))
