"""Small faults of a panel, where its light is one that tells them, and where it was not seen."""

from __future__ import annotations

from surfscan.checking.context import Taken
from surfscan.core.flags import bit
from surfscan.core.reading import SmallFaults
from surfscan.core.records import HeightMap
from surfscan.faults.find import find_faults
from surfscan.judge.faults import add_faults
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits

__all__ = ["judge_faults", "read_faults"]

_NOT_LOOKED_AT = ("outside", "left_out", "tag", "out_of_view", "saturated", "off_board", "fold")


def judge_faults(
    judgement: Judgement, taken: Taken, height: HeightMap, *, limits: Limits, stage: str
) -> Judgement:
    """The judgement with small faults in it."""
    return add_faults(judgement, read_faults(taken, height), limits=limits, stage=stage)


def read_faults(taken: Taken, height: HeightMap) -> SmallFaults:
    """Look for small faults; of another light than two photos of stripes only why not is told.

    Parameters
    ----------
    taken : Taken
    height : HeightMap

    Returns
    -------
    SmallFaults
    """
    traces = taken.reading.traces
    if len({trace.view.photo.file for trace in traces}) != 2 or len(traces) != 2:
        return SmallFaults(why_not="they are looked for in two photos of stripes, one for each direction")
    bits = sum(bit(name) for name in _NOT_LOOKED_AT)
    return find_faults(
        traces,
        grid=taken.reading.grid,
        height_mm=taken.reading.height_mm,
        judged=(height.flags & bits) == 0,
        period_mm=[float(v) for v in taken.reading.period_mm],
    )
