"""What the photos say against the set-up, as reasons and as a row of the result."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np

from surfscan.checking.context import PlacedJob
from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.message import Reason, Weight
from surfscan.job.proof_file import PROOF_DAYS, ProofFile, read_proof, same_board
from surfscan.job.sheet_board import BoardSheet
from surfscan.judge.reasons import reason
from surfscan.optics.lens import undistort
from surfscan.reading.budget import Budget
from surfscan.reading.consistency import Suspicion
from surfscan.reading.pair import PairCheck
from surfscan.reading.station import Station

__all__ = ["proof_reasons", "refuse_mixed", "setup_reasons", "setup_row", "tag_side_seen"]

SIDE_U_MM = 0.25
"""Standard uncertainty of a tag's side as printed and typed, mm (our choice)."""

DISAGREES = 3.0
"""Standard uncertainties past which a tag's side and the places contradict each other."""

_WORDS = {
    "x": "the board's place, right or left",
    "y": "the board's place, up or down",
    "z": "the board's height over the panel",
    "lean": "its lean",
    "turn": "its turn",
    "roll": "its roll",
    "period": "the stripe period",
    "focal": "the focal length",
}
_WAY = {"x": ("right", "left"), "y": ("up", "down"), "z": ("from the panel", "towards the panel")}
_AXIS = {"lean": "lean (about across)", "turn": "turn (about up)", "roll": "roll (in its own plane)"}
_SHARE = {"period": "stripe period", "focal": "focal length"}


def refuse_mixed(pair: PairCheck | None) -> None:
    """Refuse photos that do not show one surface.

    Raises
    ------
    NotMeasuredError
    """
    if pair is not None and pair.mixed:
        raise NotMeasuredError(
            "the two photos do not show the same surface",
            found=f"{100 * pair.share:.0f} % of the small shapes are in one photo only",
            allowed="a few per cent",
            cure="take both photos of one panel, one after the other, with nothing done or moved between them",
        )


def setup_reasons(
    placed: PlacedJob, budget: Budget, *, cross_checked: bool, today: date | None = None
) -> list[Reason]:
    """What speaks against the set-up, and whether anything but a tape speaks for it.

    Parameters
    ----------
    placed : PlacedJob
    budget : Budget
    cross_checked : bool
        Whether board tags in the panel's mirror were held against it.
    today : date, optional
        The day that a proof's age is counted to.

    Returns
    -------
    list of Reason
    """
    found = []
    if budget.suspicion is not None and budget.suspicion.doubted:
        found.append(_suspected(budget.suspicion))
    if budget.pair is not None and budget.pair.doubted:
        found.append(reason("setup-pair", Weight.DOUBT, "the photos", share=budget.pair.share))
    found += _tag_side(placed)
    board = placed.sheet.board
    proved: list[Reason] = []
    if board is not None and board.proof is not None:
        proved = proof_reasons(read_proof(placed.sheet.folder / board.proof), board, today or date.today())
    by_tape = board is not None and placed.board_fit is None and placed.null is None and not cross_checked
    if by_tape and not any(r.code == "setup-proved" for r in proved):
        found.append(reason("setup-by-tape", about="the board"))
    return found + proved


def proof_reasons(proof: ProofFile, board: BoardSheet, today: date) -> list[Reason]:
    """What a station's certificate says of a job's board."""
    days = proof.days(today)
    told: dict[str, Any] = {
        "date": proof.date.isoformat(),
        "ratio": round(proof.ratio, 4),
        "u95": round(proof.u95, 4),
    }
    if not same_board(proof, board):
        return [reason("setup-proof-other", about="the board", date=told["date"])]
    if not 0 <= days <= PROOF_DAYS:
        return [reason("setup-proof-old", about="the board", date=told["date"], days=days, most=PROOF_DAYS)]
    if not proof.holds:
        return [reason("setup-proof-fails", Weight.DOUBT, "the board", **told)]
    return [reason("setup-proved", about="the board", **told)]


def setup_row(budget: Budget) -> dict[str, Any]:
    """What was asked of the photos, for `result.json`; empty where nothing could be asked."""
    row: dict[str, Any] = {}
    suspicion, pair = budget.suspicion, budget.pair
    if suspicion is not None:
        row["suspect"] = {
            "source": suspicion.source,
            "too_large_by": suspicion.by,
            "log_bayes_factor": suspicion.nats,
            "doubted": suspicion.doubted,
            "rivals": list(suspicion.rivals) if suspicion.doubted else [],
        }
    if pair is not None and np.isfinite(pair.share):
        row["pair"] = {
            "left_over_share": pair.share,
            "curl_per_mm": pair.curl_per_mm,
            "doubted": pair.doubted,
        }
    return row


def _suspected(suspicion: Suspicion) -> Reason:
    source, by = suspicion.source, suspicion.by
    others = [_WORDS[name] for name in suspicion.rivals[:2]]
    rivals = f", or {' or '.join(others)} is off" if others else ""
    if source in _WAY:
        way = _WAY[source][0 if by > 0 else 1]
        return reason(
            "setup-suspect-place",
            Weight.DOUBT,
            "the set-up",
            source=source,
            by_mm=abs(by),
            way=way,
            rivals=rivals,
        )
    if source in _AXIS:
        return reason(
            "setup-suspect-angle",
            Weight.DOUBT,
            "the set-up",
            source=source,
            by_deg=abs(by),
            axis=_AXIS[source],
            rivals=rivals,
        )
    return reason(
        "setup-suspect-share",
        Weight.DOUBT,
        "the set-up",
        source=source,
        what=_SHARE[source],
        by_percent=abs(by),
        way="large" if by > 0 else "small",
        rivals=rivals,
    )


def _tag_side(placed: PlacedJob) -> list[Reason]:
    """A doubt where the tags' side contradicts the distances between them."""
    table = placed.sheet.tags
    sides = [side for station in placed.stations for side in tag_side_seen(station)]
    if table is None or not sides:
        return []
    seen = float(np.median(sides))
    if abs(seen - table.side_mm) <= DISAGREES * SIDE_U_MM:
        return []
    return [
        reason("setup-tags-size", Weight.DOUBT, "the tags", seen_mm=round(seen, 2), given_mm=table.side_mm)
    ]


def tag_side_seen(station: Station) -> list[float]:
    """Each tag's side, mm, as its corners lie on the panel's plane: the scale is that of the tags' places.

    Only what lies across the sight line counts. A tag that leans with a crowned panel looks longer or shorter along the
    sight line (by its lean times the tangent of the view's angle), and across it as it is.
    """
    camera, pose = station.camera, station.fit.pose

    def on_panel(corners: Array) -> Array:
        ideal = undistort(corners, camera=camera)
        rays = np.column_stack([ideal, np.ones(len(ideal))]) @ pose.rotation
        return np.asarray(pose.centre_mm + rays * (-pose.centre_mm[2] / rays[:, 2])[:, None])

    sides = []
    for tag in station.tags:
        corners = on_panel(tag.corners_px)[:, :2]
        middle = corners.mean(axis=0)
        # From the tag's own square, a side long, to the panel: a linear map whose row across the view is the side.
        square = np.array([[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]])
        lie = square.T @ (corners - middle)
        view = pose.centre_mm[:2] - middle
        across = np.array([-view[1], view[0]]) / max(float(np.linalg.norm(view)), 1e-9)
        sides.append(float(np.linalg.norm(lie @ across)))
    return sides
