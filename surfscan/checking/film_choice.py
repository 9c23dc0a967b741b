"""Which frames of a video make a sweep: those that show most of the panel in the board, from different places."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from surfscan.checking.context import board_of, crown_of
from surfscan.core.records import Array
from surfscan.job.sheet import Sheet
from surfscan.optics.mirror import hit_board
from surfscan.optics.pose import PoseFit
from surfscan.reading.surface import on_board
from surfscan.reading.sweep_photo import inner_board

__all__ = ["MOST_STILLS", "choose"]

MOST_STILLS = 14
"""Frames chosen of a video: more cost time, and tell little more."""

CELLS = 32
"""Cells across the panel that what is seen is counted on."""

ENOUGH = 2
"""Frames that should see each place."""

LEAST_GAIN = 0.01
"""What a further frame must add, as a share of seeing all of the panel once."""


def choose(sheet: Sheet, fits: Mapping[int, PoseFit], *, blur_px: Mapping[int, float]) -> list[int]:
    """Choose frames, one after another, by what each adds to those before.

    Parameters
    ----------
    sheet : Sheet
    fits : mapping of int to PoseFit
        The frames to choose among, by number.
    blur_px : mapping of int to float
        How blurred each is.

    Returns
    -------
    list of int
        Ascending.
    """
    board = sheet.board
    if board is None or not board.posed or sheet.panel.size_mm is None:
        return _farthest(fits)
    lit = _lit(sheet, fits)
    sharpest = min(blur_px.values())
    counts = np.zeros(next(iter(lit.values())).shape)
    taken: list[int] = []
    while len(taken) < min(MOST_STILLS, len(fits)):
        # Seen once counts most, and what is seen often enough counts little.
        worth = np.where(counts < ENOUGH, 0.5**counts, 0.01)
        gain = {
            k: float((worth * mask).mean()) * (sharpest / blur_px[k]) ** 0.5
            for k, mask in lit.items()
            if k not in taken
        }
        best = max(gain, key=lambda k: gain[k])
        if gain[best] < LEAST_GAIN and taken:
            break
        taken.append(best)
        counts += lit[best]
    return sorted(taken)


def _lit(sheet: Sheet, fits: Mapping[int, PoseFit]) -> dict[int, Array]:
    """Where the panel, a crown as its tags lie, shows the board in each frame."""
    w, h = sheet.panel.extent_mm
    rows = max(4, round(CELLS * h / w))
    x, y = np.meshgrid(np.linspace(-w / 2, w / 2, CELLS), np.linspace(-h / 2, h / 2, rows))
    known = crown_of(sheet, list(fits.values()))
    a, b, c = np.zeros(3) if known is None else known
    z = 0.5 * (a * x * x + 2 * b * x * y + c * y * y)
    board = board_of(sheet)
    small = inner_board(board)
    return {
        k: on_board(
            hit_board(x, y, z, a * x + b * y, b * x + c * y, camera_mm=fit.pose.centre_mm, board=board), small
        )
        for k, fit in fits.items()
    }


def _farthest(fits: Mapping[int, PoseFit]) -> list[int]:
    """Frames as far from each other as can be: where it is not known yet what they show."""
    numbers = list(fits)
    places = np.array([fits[k].pose.centre_mm for k in numbers])
    taken = [0]
    away = np.linalg.norm(places - places[0], axis=1)
    while len(taken) < min(MOST_STILLS, len(numbers)):
        best = int(np.argmax(away))
        if away[best] <= 0:
            break
        taken.append(best)
        away = np.minimum(away, np.linalg.norm(places - places[best], axis=1))
    return sorted(numbers[k] for k in taken)
