"""The board's place found without a tape measure: the set-up photo, and the board's tags in the panel's mirror.

The set-up photo shows the tags of panel and board. The mirrored tags need no photo of their own: wherever the
panel reflects one of the board's tags into a photo, the panel as measured says where on the board that ray ends.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Board, Camera, Photo, Pose, Reading, TagSeen, View
from surfscan.job.sheet import Sheet
from surfscan.job.tags import explain_missing, find_tags
from surfscan.optics.board_pose import BoardFit, TagSet, board_from_tags
from surfscan.optics.lens import undistort
from surfscan.optics.mirror import hit_board
from surfscan.optics.pose import PoseFit
from surfscan.optics.tag_shape import tag_middle
from surfscan.reading.propagation import Inputs, sources
from surfscan.reading.stations import Station, camera_of, explain_tags
from surfscan.surface.slopes import continue_smoothly

__all__ = [
    "DISAGREES",
    "MirrorCheck",
    "Mirrored",
    "check_mirrored",
    "find_mirrored",
    "posed_sheet",
    "stand_board",
    "told",
]

U_SLOPE_MRAD = 0.3
"""Least standard uncertainty of the panel's slope under a mirrored tag, where its paper hides the stripes."""

DISAGREES = 3.0
"""Standard uncertainties past which a mirrored tag contradicts the set-up."""


def stand_board(sheet: Sheet, photo: Photo, *, inputs: Inputs) -> tuple[BoardFit, Station]:
    """Find the board's pose from the set-up photo.

    Parameters
    ----------
    sheet : Sheet
        With ``board.setup_photo``, ``board.tags`` and ``tags``.
    photo : Photo
        The set-up photo.
    inputs : Inputs
        For the uncertainty of focal length, tag places and corners.

    Returns
    -------
    BoardFit
    Station
        Where the set-up photo was taken from.

    Raises
    ------
    RefusedError
        Tags missing, doubled, or not where the sheet says; a board behind the panel.
    """
    assert sheet.board is not None  # the sheet was asked before, as the next two
    assert sheet.board.tags is not None
    assert sheet.tags is not None
    camera, source = camera_of(sheet, photo)
    sets = []
    for name, table in (("the panel", sheet.tags), ("the board", sheet.board.tags)):
        seen = [
            tag
            for tag in find_tags(photo, dictionary=table.dictionary, thorough=True)
            if tag.id in table.centres_mm
        ]
        twice = [tag for tag, count in Counter(tag.id for tag in seen).items() if count > 1]
        if twice:
            raise RefusedError(
                f"{photo.file}: tag {twice[0]} of {name} is in the photo more than once",
                allowed="each tag once",
                cure="take the spare away, or print each number once",
            )
        if not seen:
            if name == "the panel":
                raise explain_tags(photo, table)
            why = explain_missing(photo, dictionary=table.dictionary)
            raise RefusedError(
                f"{photo.file}: no tags of the board found",
                found=why.split(";", maxsplit=1)[0] if why and "mirrored" in why else "",
                allowed=f"tags {', '.join(map(str, table.centres_mm))} of {table.dictionary}",
                cure="step back until the front of the board is in the photo with the panel, its tags sharp and flat",
            )
        sets.append(TagSet(tuple(seen), table.centres_mm, table.side_mm))
    fit = board_from_tags(
        sets[0],
        sets[1],
        camera=camera,
        u_tag_mm=inputs.tag_centre_mm,
        u_focal_rel=inputs.focal_rel,
        u_corner_px=inputs.tag_corner_px,
        file=photo.file,
        width_px=photo.image.shape[1],
    )
    if fit.centre_mm[2] <= 0:
        raise RefusedError(
            f"{photo.file}: the board comes out behind the panel",
            found=f"its middle at z = {fit.centre_mm[2]:.0f} mm",
            cure="check [board.tags]: centres_mm are [across, up] on the board, as seen from its front",
        )
    return _with_given(fit, sheet), Station(photo, camera, fit.camera_fit, sets[0].tags, source)


def _with_given(fit: BoardFit, sheet: Sheet) -> BoardFit:
    """What the sheet says about the board on top: it may have been touched since the set-up photo."""
    shift, turn = sheet.uncertainty.board_centre_mm or 0.0, sheet.uncertainty.board_angle_deg or 0.0
    more = np.diag([np.radians(turn) ** 2] * 3 + [shift**2] * 3)
    return replace(fit, own=fit.own + more, covariance=fit.covariance + more)


def posed_sheet(sheet: Sheet, fit: BoardFit) -> Sheet:
    """The sheet with the board's pose in it, as if it had been measured."""
    assert sheet.board is not None
    pose = {
        "centre_mm": tuple(map(float, fit.centre_mm)),
        "across": tuple(map(float, fit.across)),
        "up": tuple(map(float, fit.up)),
    }
    return sheet.model_copy(update={"board": sheet.board.model_copy(update=pose)})


def told(fit: BoardFit, inputs: Inputs) -> Inputs:
    """The inputs with the board's uncertainty as the set-up photo leaves it (mean of its three directions)."""
    spread = np.diag(fit.covariance)
    return replace(
        inputs,
        board_centre_mm=float(np.sqrt(spread[3:].mean())),
        board_angle_deg=float(np.degrees(np.sqrt(spread[:3].mean()))),
    )


@dataclass(frozen=True, slots=True)
class Mirrored:
    """The board's tags seen in the panel's mirror in one photo."""

    photo: Photo
    camera: Camera
    fit: PoseFit
    tags: tuple[TagSeen, ...]


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


def find_mirrored(sheet: Sheet, stations: list[Station]) -> list[Mirrored]:
    """Look for the board's tags in the panel's mirror, in every photo."""
    if sheet.board is None or sheet.board.tags is None:
        return []
    table = sheet.board.tags
    found = []
    for station in stations:
        tags = [
            tag
            for tag in find_tags(station.photo, dictionary=table.dictionary, mirrored=True, thorough=True)
            if tag.id in table.centres_mm
        ]
        if tags:
            found.append(Mirrored(station.photo, station.camera, station.fit, tuple(tags)))
    return found


def check_mirrored(
    found: list[Mirrored],
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
    found : list of Mirrored
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
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    x, y = grid.x_mm / reach, grid.y_mm / reach
    maps = [
        continue_smoothly(np.nan_to_num(m), measured, x, y, reach_px=8.0)
        for m in (reading.height_mm, reading.p, reading.q)
    ]
    u_slope = 1e-3 * float(np.hypot(U_SLOPE_MRAD, np.nan_to_num(reading.closure_mrad)))
    rows = []
    for one in found:
        for tag in one.tags:
            row = _off(one, tag, maps, reading, board, centres_mm[tag.id], inputs, board_fit, u_slope)
            if row is not None:
                rows.append(row)
    if not rows:
        return None
    return MirrorCheck(tuple(rows))


def _off(
    one: Mirrored,
    tag: TagSeen,
    maps: list[Array],
    reading: Reading,
    board: Board,
    centre: tuple[float, float],
    inputs: Inputs,
    board_fit: BoardFit | None,
    u_slope: float,
) -> dict[str, Any] | None:
    grid = reading.grid
    ideal = undistort(tag_middle(tag.corners_px)[None], camera=one.camera)[0]

    def land(pose: Pose, longer: float, there: Board) -> Array | None:
        ray = np.array([ideal[0] / longer, ideal[1] / longer, 1.0]) @ pose.rotation
        eye = pose.centre_mm
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
    spread = u_slope**2 * lever @ lever.T + inputs.tag_centre_mm**2 * np.eye(2)
    view = View(one.photo, one.camera, one.fit.pose, "across")
    for name, _, moves in sources([view], [one.fit], board, inputs, board_fit):
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


def _between(values: Array, row: float, column: float) -> float:
    """Bilinear value of a map."""
    i, j = int(row), int(column)
    f, g = row - i, column - j
    low, high = values[i, j : j + 2], values[i + 1, j : j + 2]
    return float((1 - f) * ((1 - g) * low[0] + g * low[1]) + f * ((1 - g) * high[0] + g * high[1]))
