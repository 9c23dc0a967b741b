"""Calibration boards in photos: a ChArUco board as `surfscan lens --print` makes it, or a plain chessboard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.errors import UsageError
from surfscan.core.records import Array, Photo

__all__ = ["MARKER_SHARE", "OTHER_FAMILY", "TAG_FAMILY", "Chart", "charuco_board", "find_corners"]

MARKER_SHARE = 0.75
"""Side of a marker as a share of its square."""

TAG_FAMILY = "5x5_100"
"""Markers of the board: not of the family that panels' tags usually are of."""

OTHER_FAMILY = "4x4_50"
"""Markers of boards printed elsewhere, looked for too."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A calibration board.

    Attributes
    ----------
    squares : (int, int)
        ChArUco: squares across and down. Chessboard: inner corners across and down.
    square_mm : float
    plain : bool
        True for a chessboard without markers.
    """

    squares: tuple[int, int]
    square_mm: float
    plain: bool = False

    def __post_init__(self) -> None:
        across, down = self.squares
        if not (3 <= across <= 30 and 3 <= down <= 30):
            raise UsageError(
                "The board has too few or too many squares",
                found=f"{across}x{down}",
                allowed="3x3 to 30x30",
                cure="correct the number of squares",
            )
        if not self.plain and (across * down) // 2 > 100:
            raise UsageError(
                "The board has more squares than markers",
                found=f"{across}x{down}",
                allowed="up to 200 squares",
                cure="take fewer squares",
            )

    @property
    def words(self) -> str:
        """The board in words."""
        kind = "chessboard, inner corners" if self.plain else f"ChArUco board of {TAG_FAMILY}, squares"
        return f"{kind} {self.squares[0]} x {self.squares[1]}, {self.square_mm:g} mm"


def charuco_board(chart: Chart, family: str = TAG_FAMILY) -> Any:
    """OpenCV's board of a chart."""
    table = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{family.upper()}"))
    return cv2.aruco.CharucoBoard(chart.squares, chart.square_mm, MARKER_SHARE * chart.square_mm, table)


def find_corners(photo: Photo, chart: Chart) -> tuple[Array, Array]:
    """Find a board's inner corners.

    Returns
    -------
    points_mm : ndarray (N, 3), float32
        On the board, z = 0.
    places_px : ndarray (N, 2), float32
        In the photo; both empty when there is no board.
    """
    grey = _eight_bits(photo.image)
    if chart.plain:
        return _chessboard(grey, chart)
    best = np.zeros((0, 3), np.float32), np.zeros((0, 2), np.float32)
    for family in (TAG_FAMILY, OTHER_FAMILY):
        if family == OTHER_FAMILY and (len(best[0]) or chart.squares[0] * chart.squares[1] // 2 > 50):
            break
        board = charuco_board(chart, family)
        corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(grey)
        if ids is not None and len(ids):
            every = np.asarray(board.getChessboardCorners(), np.float32).reshape(-1, 3)
            best = every[np.ravel(ids)], np.asarray(corners, np.float32).reshape(-1, 2)
    return best


def _eight_bits(image: Array) -> NDArray[np.uint8]:
    # A square root is close to the eye's own scale, so that shaded squares keep their contrast.
    top = max(float(np.percentile(image[::4, ::4], 99.5)), 1e-6)
    return np.asarray(255 * np.sqrt(np.clip(image / top, 0, 1))).astype(np.uint8)


def _chessboard(grey: NDArray[np.uint8], chart: Chart) -> tuple[Array, Array]:
    across, down = chart.squares
    found, corners = cv2.findChessboardCornersSB(grey, (across, down), flags=cv2.CALIB_CB_ACCURACY)
    if not found:
        found, corners = cv2.findChessboardCorners(grey, (across, down))
        if found:
            stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
            corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), stop)
    if not found:
        return np.zeros((0, 3), np.float32), np.zeros((0, 2), np.float32)
    points = np.zeros((across * down, 3), np.float32)
    points[:, :2] = np.mgrid[0:across, 0:down].T.reshape(-1, 2) * chart.square_mm
    return points, np.asarray(corners, np.float32).reshape(-1, 2)
