"""Where everything stands in a reading from two directions."""

from __future__ import annotations

from dataclasses import dataclass

from surfscan.core.reading import View
from surfscan.core.records import Board
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.pose import PoseFit
from surfscan.reading.propagation import Inputs, JointChange
from surfscan.reading.reference import Null

__all__ = ["SetUp"]


@dataclass(frozen=True, slots=True)
class SetUp:
    """Where everything stands in a reading from two directions, and how well that is known.

    Attributes
    ----------
    views : tuple of View
        One per direction.
    fits : tuple of PoseFit
        Of the same photos.
    board : Board
    inputs : Inputs
    board_fit : BoardFit, optional
        The board's pose as a set-up photo gave it: its covariance then counts in place of the inputs'.
    null : Null, optional
        The reference that was taken off: what an input does to its map is taken off the input's effect too.
    corners : tuple, optional
        Of a sweep: changes of all views' poses at once, and of the board with them, in place of the fits' covariances.
    """

    views: tuple[View, ...]
    fits: tuple[PoseFit, ...]
    board: Board
    inputs: Inputs
    board_fit: BoardFit | None = None
    null: Null | None = None
    corners: tuple[JointChange, ...] | None = None
