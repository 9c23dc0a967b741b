"""A shot planned: what will be seen, what is wrong with it, and what would help most."""

from __future__ import annotations

from surfscan.plan.changes import best_changes
from surfscan.plan.records import Plan
from surfscan.plan.shot import Shot
from surfscan.plan.visible import smallest_visible
from surfscan.plan.working import work_out
from surfscan.reading.budget import Inputs

__all__ = ["plan_shot"]


def plan_shot(shot: Shot, *, inputs: Inputs | None = None, changes: bool = True) -> Plan:
    """Work out what a shot will see.

    Parameters
    ----------
    shot : Shot
    inputs : Inputs, optional
        Standard uncertainties of the set-up; the check's defaults when not given.
    changes : bool
        Whether to look for the best changes as well.

    Returns
    -------
    Plan
        Problems are in it; it does not raise for a poor set-up.

    Raises
    ------
    UsageError
        For a camera or board that can't stand where they are said to.
    """
    work = work_out(shot, inputs=inputs)
    stage = work.stage
    curve = smallest_visible(shot, stage, work.sight, work.known)
    better = best_changes(shot, work, inputs=inputs) if changes else ()
    board = stage.board
    return Plan(
        shot=shot,
        works=not any(p.stops for p in work.problems),
        figures=work.figures,
        curve=curve,
        shares=work.known.shares,
        problems=work.problems,
        changes=better,
        board={
            "centre_mm": [round(float(v), 1) + 0.0 for v in board.centre_mm],
            "across": [round(float(v), 5) + 0.0 for v in board.across],
            "up": [round(float(v), 5) + 0.0 for v in board.up],
            "size_mm": [float(v) for v in board.size_mm],
            "period_mm": float(board.period_mm),
        },
        camera_mm=(
            float(stage.pose.centre_mm[0]),
            float(stage.pose.centre_mm[1]),
            float(stage.pose.centre_mm[2]),
        ),
        tags_mm=dict(stage.tags.centres_mm),
        crown_rise_mm=float(stage.form.height(0.0, 0.0)),
    )
