"""Small faults of a panel, where its light is one that tells them, and where it was not seen."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np

from surfscan.checking.context import Taken
from surfscan.core.carrier import Array
from surfscan.core.flags import bit
from surfscan.core.reading import SmallFaults, Trace
from surfscan.core.records import CheckResult, HeightMap
from surfscan.faults.find import find_faults
from surfscan.faults.pieces import MOST_CUT, cut_out
from surfscan.job.sheet_tables import PanelSheet
from surfscan.judge.faults import add_faults
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits

__all__ = ["fault_pieces", "judge_faults", "read_faults", "traces_of"]

BENDS, BESIDE_MM = 0.15, 15.0
"""A dent begins at this share of the height limit, and its rim reaches so far beyond."""

_NOT_LOOKED_AT = ("outside", "left_out", "tag", "out_of_view", "saturated", "off_board", "fold")


def judge_faults(
    judgement: Judgement, taken: Taken, height: HeightMap, *, limits: Limits, panel: PanelSheet
) -> Judgement:
    """The judgement with small faults in it."""
    seen = read_faults(taken, height, least_mm=BENDS * min(limits.low_mm, limits.high_mm))
    return add_faults(judgement, seen, limits=limits, stage=panel.stage, substrate=panel.substrate)


def fault_pieces(result: CheckResult, taken: Taken) -> dict[str, Array]:
    """What `CheckResult.pieces` holds: each of the clearest faults cut out of every photo that shows it."""
    rows = result.details.get("faults", [])[:MOST_CUT]
    views = {trace.view.photo.file: trace.view for trace in traces_of(taken)} if rows else {}
    pieces = {}
    for row in rows:
        (place,) = result.height.on_form(np.array([[row["x_mm"], row["y_mm"]]]))
        for file, view in views.items():
            piece = cut_out(view, place, row["length_mm"])
            if piece is not None:
                pieces[f"f{row['id']} {file}"] = piece
    return pieces


def read_faults(taken: Taken, height: HeightMap, *, least_mm: float) -> SmallFaults:
    """Look for small faults; of another light than stripes in both directions only why not is told.

    Parameters
    ----------
    taken : Taken
    height : HeightMap
    least_mm : float
        Deviation from the fair form from which a place belongs to a dent.

    Returns
    -------
    SmallFaults
    """
    if taken.reading.base is not None:
        return SmallFaults(why_not="they are not looked for on a curved panel")
    traces = traces_of(taken)
    if len(traces) < 2:
        return SmallFaults(
            why_not="they are looked for in two photos of stripes, or in photos of crossed stripes"
        )
    step = taken.reading.grid.step_mm
    dents = np.abs(height.height_mm) > least_mm
    bits = sum(bit(name) for name in _NOT_LOOKED_AT)
    return find_faults(
        traces,
        grid=taken.reading.grid,
        height_mm=taken.reading.height_mm,
        judged=(height.flags & bits) == 0,
        bent=cv2.distanceTransform((~dents).astype(np.uint8), cv2.DIST_L2, 3) < BESIDE_MM / step,
        period_mm=[trace.spacing_mm for trace in traces],
    )


def traces_of(taken: Taken) -> tuple[Trace, ...]:
    """Of two photos of stripes, or of photos that each carry both directions."""
    if taken.traces is None:
        return taken.reading.traces
    traces = taken.traces()
    many = Counter(trace.view.photo.file for trace in traces)
    return tuple(trace for trace in traces if many[trace.view.photo.file] == 2)
