"""The board's place found without a tape measure: the set-up photo, and the board's tags in the panel's mirror.

The set-up photo shows the tags of panel and board; the mirrored tags are held against it (`reading.mirror_check`).
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import replace

import numpy as np

from surfscan.checking.stations import camera_of, explain_tags, see_once
from surfscan.checking.survey import Laid
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo, TagSeen
from surfscan.job.sheet import Sheet
from surfscan.job.tags import explain_missing, find_tags
from surfscan.optics.board_mirror import board_from_mirror
from surfscan.optics.board_pose import BoardFit, TagSet, board_from_tags
from surfscan.optics.mirrored_rays import MirroredTags
from surfscan.reading.propagation import Inputs
from surfscan.reading.station import Station

__all__ = [
    "find_mirrored",
    "mirrored_tags",
    "posed_sheet",
    "stand_board",
    "stand_by_mirror",
    "told",
]


def stand_board(
    sheet: Sheet, photo: Photo, *, inputs: Inputs, laid: Laid | None = None
) -> tuple[BoardFit, Station]:
    """Find the board's pose from the set-up photo.

    Parameters
    ----------
    sheet : Sheet
        With ``board.setup_photo``, ``board.tags`` and ``tags``.
    photo : Photo
        The set-up photo.
    inputs : Inputs
        For the uncertainty of focal length, tag places and corners.
    laid : Laid, optional
        Where the tags were surveyed: what was found of them in this photo.

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
    laid = laid or Laid(sheet)
    camera, source = laid.cameras.get(photo.file) or camera_of(sheet, photo)
    sets = []
    for name, table in (("the panel", sheet.tags), ("the board", sheet.board.tags)):
        known = laid.tags.get(photo.file) if name == "the panel" else None
        seen = [
            tag
            for tag in known or find_tags(photo, dictionary=table.dictionary, thorough=True)
            if tag.id in table.centres_mm
        ]
        see_once(photo, seen, of=name)
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
        sets.append(TagSet(tuple(seen), table.places_mm, table.side_mm))
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
            allowed="a board in front of the panel, z over 0",
        )
    return laid.board(_with_given(fit, sheet), inputs), Station(
        photo, camera, fit.camera_fit, sets[0].tags, source
    )


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


def stand_by_mirror(laid: Laid, found: Sequence[MirroredTags], inputs: Inputs) -> BoardFit:
    """Find the board's pose from its tags in the panel's mirror, where there is no set-up photo.

    Parameters
    ----------
    laid : Laid
        Its sheet has ``tags`` and ``board.tags``.
    found : sequence of MirroredTags
        With the poses as the tags gave them; what a survey left open is added here.
    inputs : Inputs

    Raises
    ------
    RefusedError
        As `surfscan.optics.board_mirror.board_from_mirror` does.
    """
    sheet = laid.sheet
    assert sheet.board is not None  # the sheet was asked before, as the next two
    assert sheet.board.tags is not None
    assert sheet.tags is not None
    if laid.curved is not None:
        raise RefusedError(
            "nothing tells where the board stands before a curved panel",
            found="no set-up photo and no measured pose",
            allowed="a set-up photo of panel and board, or board.centre_mm, across and up",
            cure="take a set-up photo; a curved panel mirrors the board's tags in places that its form must tell first",
        )
    table = sheet.board.tags
    fit = board_from_mirror(
        found,
        TagSet((), table.places_mm, table.side_mm),
        np.array([(*at, 0.0)[:3] for at in sheet.tags.places_mm.values()]),
        u_tag_mm=inputs.tag_centre_mm,
        u_focal_rel=inputs.focal_rel,
    )
    return laid.board(_with_given(fit, sheet), inputs)


def find_mirrored(sheet: Sheet, stations: Sequence[Station]) -> list[MirroredTags]:
    """Look for the board's tags in the panel's mirror, in every photo."""
    if sheet.board is None or sheet.board.tags is None:
        return []
    table = sheet.board.tags
    found = []
    for station in stations:
        tags = mirrored_tags(station.photo, table.dictionary, table.centres_mm)
        if tags:
            found.append(MirroredTags(station.photo, station.camera, station.fit, tuple(tags)))
    return found


def mirrored_tags(photo: Photo, dictionary: str, ids: Container[int]) -> list[TagSeen]:
    """The tags of a board that a photo shows in the panel's mirror."""
    found = find_tags(photo, dictionary=dictionary, mirrored=True, thorough=True)
    return [tag for tag in found if tag.id in ids]
