"""The board's tags seen in the panel's mirror, held against the set-up.

They need no photo of their own: wherever the panel reflects one of the board's tags into a photo, the panel as measured
says where on the board that ray ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.core.base import Base
from surfscan.core.carrier import Array
from surfscan.core.reading import Reading, View
from surfscan.core.records import Board, Grid, Pose, TagSeen
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.lens import undistort
from surfscan.optics.mirror import hit_board
from surfscan.optics.mirrored_rays import MirroredTags
from surfscan.optics.tag_shape import tag_middle
from surfscan.reading.propagation import Inputs, sources
from surfscan.reading.surface import Surface, scaled_axes
from surfscan.surface.slopes import continue_smoothly

__all__ = ["DISAGREES", "MirrorCheck", "check_mirrored"]

U_SLOPE_MRAD = 0.3
"""Least standard uncertainty of the panel's slope under a mirrored tag, where its paper hides the stripes."""

DISAGREES = 3.0
"""Standard uncertainties past which a mirrored tag contradicts the set-up."""


@dataclass(frozen=True, slots=True)
class MirrorCheck:
    """Whether the mirrored tags are where the set-up says.

    Attributes
    ----------
    rows : tuple of dict
        Per tag: photo, tag, how far off it is on the board (mm), its standard uncertainty (mm).
    """

    rows: tuple[dict[str, Any], ...]

    @property
    def worst(self) -> dict[str, Any]:
        """The tag that is furthest off for its uncertainty."""
        return max(self.rows, key=lambda row: row["off_mm"] / row["u_mm"])

    @property
    def agrees(self) -> bool:
        """Whether no tag contradicts the set-up."""
        return bool(self.worst["off_mm"] <= DISAGREES * self.worst["u_mm"])


def check_mirrored(
    found: list[MirroredTags],
    reading: Reading,
    *,
    board: Board,
    centres_mm: dict[int, tuple[float, float]],
    inputs: Inputs,
    board_fit: BoardFit | None = None,
) -> MirrorCheck | None:
    """Hold the mirrored tags against the set-up, with the panel as measured for a mirror.

    Parameters
    ----------
    found : list of MirroredTags
    reading : Reading
        Its height and slopes carry the rays from panel to board.
    board : Board
    centres_mm : dict of id to (across, up)
    inputs, board_fit
        As in the budget: they say how far off a tag may be.

    Returns
    -------
    MirrorCheck or None
        None when no tag was seen in the part of the panel that was measured.
    """
    grid = reading.grid
    measured = np.isfinite(reading.height_mm)
    x, y, _ = scaled_axes(grid)
    maps = [
        continue_smoothly(np.nan_to_num(m), measured, x, y, reach_px=8.0)
        for m in (reading.height_mm, reading.p, reading.q)
    ]
    u_slope = 1e-3 * float(np.hypot(U_SLOPE_MRAD, np.nan_to_num(reading.closure_mrad)))
    given = _Given(reading.grid, maps, board, inputs, board_fit, u_slope, reading.base)
    rows = []
    for one in found:
        for tag in one.tags:
            row = _off(one, tag, given, centres_mm[tag.id])
            if row is not None:
                rows.append(row)
    return MirrorCheck(tuple(rows)) if rows else None


@dataclass(frozen=True, slots=True)
class _Given:
    """The panel as measured, for a mirror, and how well the set-up is known."""

    grid: Grid
    maps: list[Array]  # height and both slopes, finite everywhere
    board: Board
    inputs: Inputs
    board_fit: BoardFit | None
    u_slope: float
    base: Base | None = None


def _off(
    one: MirroredTags, tag: TagSeen, given: _Given, centre: tuple[float, float]
) -> dict[str, Any] | None:
    """How far one tag is off on the board, and how far it may be; None outside the part that was measured."""
    grid, maps, board, inputs = given.grid, given.maps, given.board, given.inputs
    ideal = undistort(tag_middle(tag.corners_px)[None], camera=one.camera)[0]

    def land(pose: Pose, longer: float, there: Board) -> Array | None:
        ray = np.array([ideal[0] / longer, ideal[1] / longer, 1.0]) @ pose.rotation
        eye = pose.centre_mm
        if given.base is not None:
            return _land_on_base(eye, ray, given, there)
        z = p = q = 0.0
        for _ in range(4):
            t = (z - eye[2]) / ray[2]
            px, py = eye[0] + t * ray[0], eye[1] + t * ray[1]
            column, row = (px - grid.x_mm[0]) / grid.step_mm, (py - grid.y_mm[0]) / grid.step_mm
            if not (0 <= column < grid.x_mm.size - 1 and 0 <= row < grid.y_mm.size - 1):
                return None
            z, p, q = (_between(m, float(row), float(column)) for m in maps)
        hit = hit_board(np.array(px), np.array(py), z, p, q, camera_mm=eye, board=there)
        return np.array([float(hit.across_mm), float(hit.up_mm), *map(float, (*hit.d_across, *hit.d_up))])

    now = land(one.fit.pose, 1.0, board)
    if now is None or not np.isfinite(now).all():
        return None
    off = now[:2] - centre
    lever = now[2:].reshape(2, 2)
    spread = given.u_slope**2 * lever @ lever.T + inputs.tag_centre_mm**2 * np.eye(2)
    view = View(one.photo, one.camera, one.fit.pose, "across")
    for name, _, moves in sources([view], [one.fit], board, inputs, given.board_fit):
        if name == "stripe period":
            continue
        for stands, there, scale in moves:
            moved = land(*stands[0], there)
            if moved is not None:
                d = scale * (moved[:2] - now[:2])
                spread = spread + np.outer(d, d)
    size = float(np.linalg.norm(off))
    along = off / max(size, 1e-9)
    return {
        "photo": one.photo.file,
        "tag": tag.id,
        "off_mm": size,
        "u_mm": float(np.sqrt(along @ spread @ along)),
    }


def _land_on_base(eye: Array, ray: Array, given: _Given, there: Board) -> Array | None:
    """Where a ray ends on the board by way of a curved panel, and its levers; None beside what was measured."""
    base, grid = given.base, given.grid
    assert base is not None
    t = float(np.linalg.norm(eye - base.origin_mm) / np.linalg.norm(ray))
    x = y = z = p = q = 0.0
    for _ in range(12):
        x, y, h = (float(v) for v in base.chart((eye + t * ray)[None])[0])
        column, row = (x - grid.x_mm[0]) / grid.step_mm, (y - grid.y_mm[0]) / grid.step_mm
        column, row = (
            float(np.clip(v, 0, n - 1.001)) for v, n in ((column, grid.x_mm.size), (row, grid.y_mm.size))
        )
        z, p, q = (_between(m, row, column) for m in given.maps)
        normal = base.frame(base.along(np.array(x), np.array(y))[0])[1]
        t += (z - h) / float(ray @ normal)
    half = 0.5 * grid.step_mm
    inside = grid.x_mm[0] - half < x < grid.x_mm[-1] + half and grid.y_mm[0] - half < y < grid.y_mm[-1] + half
    if not inside or abs(z - h) > 0.01:
        return None
    cell = [np.full((1, 1), v) for v in (x, y, z, p, q)]
    hit = Surface(cell[0], cell[1], cell[2], cell[3], cell[4], base).hit(eye, there)
    return np.array([part.item() for part in (hit.across_mm, hit.up_mm, *hit.d_across, *hit.d_up)])


def _between(values: Array, row: float, column: float) -> float:
    """Bilinear value of a map."""
    i, j = int(row), int(column)
    f, g = row - i, column - j
    low, high = values[i, j : j + 2], values[i + 1, j : j + 2]
    return float((1 - f) * ((1 - g) * low[0] + g * low[1]) + f * ((1 - g) * high[0] + g * high[1]))
