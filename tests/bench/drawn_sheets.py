"""A job's sheet as its user filled it in: with errors of measuring, and now and then a blunder."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from surfscan.job.sheet import Sheet
from surfscan.reading.budget import Inputs

BLUNDERS = ("distance", "lean", "turn", "roll", "period", "tags", "tag places", "focal")
"""What can be off by a blunder (`blunder`)."""

TAPE, ANGLE_DEG, BLUNDER_SHARE = 0.005, 1.0, 0.02
"""What people do: a board's distance off by up to a half per cent, its angle by up to a degree (all alike likely);
one set-up in fifty has a blunder on top of that."""


def draw_sheet(sheet: Sheet, rng: np.random.Generator, inputs: Inputs, *, people: bool = False) -> Sheet:
    """The sheet as a user might have measured it: every input off by its own uncertainty; or board as people do."""
    board = sheet.board
    assert board is not None
    angle = rng.normal(0, np.radians(inputs.board_angle_deg), 3)
    place = rng.normal(0, inputs.board_centre_mm, 3)
    if people:
        angle = rng.uniform(-1, 1, 3) * np.radians(ANGLE_DEG)
        place = rng.uniform(-1, 1, 3) * TAPE * float(np.linalg.norm(board.centre_mm))
    turn = cv2.Rodrigues(angle)[0]
    board = board.model_copy(
        update={
            "centre_mm": tuple(np.array(board.centre_mm) + place),
            "across": tuple(turn @ np.array(board.across)),
            "up": tuple(turn @ np.array(board.up)),
            "period_mm": board.period_mm * (1 + rng.normal(0, inputs.period_rel)),
        }
    )
    focal = sheet.camera.focal_px * (1 + rng.normal(0, inputs.focal_rel))
    places = {
        tag: tuple(np.array(at) + rng.normal(0, inputs.tag_centre_mm, 2))
        for tag, at in sheet.tags.centres_mm.items()
    }
    return sheet.model_copy(
        update={
            "board": board,
            "camera": sheet.camera.model_copy(update={"focal_px": focal}),
            "tags": sheet.tags.model_copy(update={"centres_mm": places}),
        }
    )


def blunder(sheet: Sheet, kind: str, by: float) -> Sheet:
    """The sheet with one input wrong: degrees for a turn, else a share."""
    board, tags = sheet.board, sheet.tags
    assert board is not None
    assert tags is not None
    if kind == "focal":
        camera = sheet.camera.model_copy(update={"focal_px": sheet.camera.focal_px * (1 + by)})
        return sheet.model_copy(update={"camera": camera})
    if kind in ("tags", "tag places"):
        places = {tag: (x * (1 + by), y * (1 + by)) for tag, (x, y) in tags.centres_mm.items()}
        side = tags.side_mm * (1 + by) if kind == "tags" else tags.side_mm
        return sheet.model_copy(
            update={"tags": tags.model_copy(update={"centres_mm": places, "side_mm": side})}
        )
    change: dict[str, Any] = {}
    across, up = np.array(board.across), np.array(board.up)
    if kind == "distance":
        change["centre_mm"] = tuple(np.array(board.centre_mm) * (1 + by))
    elif kind == "period":
        change["period_mm"] = board.period_mm * (1 + by)
    elif kind != "none":
        axis = {"lean": across, "turn": up, "roll": np.cross(across, up)}[kind]
        turn = cv2.Rodrigues(axis * np.radians(by))[0]
        change = {"across": tuple(turn @ across), "up": tuple(turn @ up)}
    return sheet.model_copy(update={"board": board.model_copy(update=change)})
