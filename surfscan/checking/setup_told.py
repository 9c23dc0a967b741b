"""What the board's tags said about its place, put into the result: where the board stands, and whether it can."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from surfscan.core.message import Reason, Weight
from surfscan.core.records import CheckResult, Photo
from surfscan.judge.reasons import reason, sentence_of
from surfscan.judge.verdict import with_reasons
from surfscan.optics.board_pose import BoardFit
from surfscan.reading.mirror_check import DISAGREES, MirrorCheck

__all__ = ["add_setup", "contradicted"]


def contradicted(row: dict[str, Any]) -> Reason:
    """The doubt that a mirrored tag raises, from its row of the check."""
    return reason(
        "setup-contradicted",
        Weight.DOUBT,
        "the board",
        tag=row["tag"],
        photo=row["photo"],
        off_mm=row["off_mm"],
        allowed_mm=DISAGREES * row["u_mm"],
    )


def add_setup(
    result: CheckResult, fit: BoardFit | None, mirror: MirrorCheck | None, *, photo: Photo | None = None
) -> CheckResult:
    """Put the board's place and its cross-check into the result.

    A disagreement is a doubt: the depths' scale is not sure then.
    """
    details = dict(result.details)
    if fit is not None:
        spread = np.sqrt(np.diag(fit.covariance))
        details["setup"] = {
            **details.get("setup", {}),  # the board itself, for the drawing
            "file": "" if photo is None else photo.file,
            "sha256": "" if photo is None else photo.sha256,
            **({"mirrored_in": list(fit.mirrored)} if fit.mirrored else {}),
            "board_centre_mm": [float(v) for v in fit.centre_mm],
            "board_across": [float(v) for v in fit.across],
            "board_up": [float(v) for v in fit.up],
            "u_centre_mm": [float(v) for v in spread[3:]],
            "u_turn_deg": [float(v) for v in np.degrees(spread[:3])],
            "camera_mm": [float(v) for v in fit.camera_fit.pose.centre_mm],
            "reprojection_px": fit.reprojection_px,
            "board_tags_px": {str(tag): px for tag, px in fit.residual_px.items()},
        }
    if mirror is None:
        return replace(result, details=details)
    details["mirror_check"] = {
        "agrees": mirror.agrees,
        "sentence": _said(mirror),
        "tags": list(mirror.rows),
    }
    found = replace(result, details=details)
    return found if mirror.agrees else with_reasons(found, [contradicted(mirror.worst)])


def _said(mirror: MirrorCheck) -> str:
    """What the mirrored tags say, mm."""
    worst = mirror.worst
    if not mirror.agrees:
        return sentence_of(contradicted(worst))
    count = len(mirror.rows)
    return (
        f"{count} mirrored tag{'s' if count > 1 else ''} of the board seen in the panel agree with the set-up (worst"
        f" {worst['off_mm']:.1f} mm off where {DISAGREES * worst['u_mm']:.1f} mm are allowed)."
    )
