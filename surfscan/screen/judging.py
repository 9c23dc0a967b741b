"""A photo of a shot in step with a screen, judged when it arrives: good, or what cures it.

It is known what the screen showed, so more is asked than of a photo that comes alone: all of the screen's tags in the
set-up photo, and in the others the very stripes, the right way round.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from surfscan.checking.setup import posed_sheet, stand_board
from surfscan.checking.survey import lay_out
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.records import Photo, PhotoCheck
from surfscan.job.sheet import Sheet
from surfscan.job.tags import find_tags
from surfscan.look.first_look import look_at
from surfscan.places.kit import DICTIONARY, Kit, kit_of, screen_ids
from surfscan.reading.propagation import Inputs

__all__ = ["Setup", "judge_photo", "judge_setup", "kit_seen", "set_tables"]

LEAST_SEEN = 3
"""Tags of the screen in the set-up photo: with two its turn is told by four corners each, and badly."""


@dataclass(frozen=True, slots=True)
class Setup:
    """What the set-up photo told.

    Attributes
    ----------
    far_mm : float
        From the camera to the middle of the screen.
    words : str
        For the phone.
    """

    far_mm: float
    words: str


def kit_seen(photo: Photo) -> Kit:
    """The kit whose tags lie on the panel; the screen's own are nobody's kit.

    Raises
    ------
    RefusedError
        None, or one that this computer does not know.
    """
    seen = {tag.id for tag in find_tags(photo, dictionary=DICTIONARY, thorough=True)}
    if not seen - set(screen_ids()):
        raise RefusedError(
            "No tags are seen on the panel",
            found=f"{len(seen)} of the screen's tags" if seen else "no tag at all",
            allowed="a kit's tags on the panel, sharp, flat and in the light",
            cure="lay four tags of a printed kit round the place to be judged; photograph them and the screen together",
        )
    return kit_of(seen - set(screen_ids()))


def set_tables(
    kit: Kit, board: dict[str, Any], *, u_rel: float, far_mm: float | None = None
) -> dict[str, Any]:
    """`[tags]`, `[board]` and `[uncertainty]` of a sheet: a kit's tags before a screen.

    Parameters
    ----------
    kit : Kit
    board : dict
        As `SetBoard.tables` has it, with the set-up photo's name.
    u_rel : float
        Standard uncertainty of the screen's scale, as a share.
    far_mm : float, optional
        From the set-up photo's camera to the screen: a screen taken for larger than it is stands farther off.
    """
    of_kit = kit.uncertainty_tables()
    told = {"period_rel": u_rel, "tag_side_mm": of_kit["tag_side_mm"]}
    if far_mm is not None:
        told["board_centre_mm"] = round(max(u_rel * far_mm, 0.1), 2)
    return {"tags": kit.tags_tables(), "board": board, "uncertainty": told}


def judge_setup(photo: Photo, sheet: Sheet) -> Setup:
    """Judge the photo of the set-up.

    Parameters
    ----------
    photo : Photo
        Under the name that ``board.setup_photo`` has.
    sheet : Sheet
        With the tables of `set_tables`.

    Raises
    ------
    RefusedError
        With what is missing, and the cure.
    """
    assert sheet.board is not None  # of the caller's own making, as the next two
    assert sheet.board.tags is not None
    assert sheet.tags is not None
    ids = set(sheet.board.tags.centres_mm)
    seen = {tag.id for tag in find_tags(photo, dictionary=sheet.board.tags.dictionary, thorough=True)}
    if len(seen & ids) < LEAST_SEEN:
        raise RefusedError(
            "The screen is not whole in the set-up photo",
            found=f"{len(seen & ids)} of its {len(ids)} tags",
            allowed=f"all {len(ids)}, or {LEAST_SEEN} at least, and no lamp mirrored over one",
            cure="step back and to the side until all of the screen and the panel's tags are in the photo",
        )
    if len(seen - ids) < 3:
        raise RefusedError(
            "Too few of the panel's tags are in the set-up photo",
            found=f"{len(seen - ids)}",
            allowed="three and more, best all",
            cure="step back until the tags on the panel and all of the screen are in one photo",
        )
    laid = lay_out(sheet, [photo], setup=False)
    fit, station = stand_board(laid.sheet, photo, inputs=Inputs(), laid=laid)
    far = float(np.linalg.norm(fit.centre_mm - station.fit.pose.centre_mm))
    return Setup(far, f"{len(seen & ids)} of the screen's tags and {len(seen - ids)} of the panel's are seen")


def judge_photo(photo: Photo, setup: Photo, sheet: Sheet, row: int) -> tuple[PhotoCheck, ...]:
    """Judge a photo of the panel against what the screen showed for it.

    Parameters
    ----------
    photo, setup : Photo
        Under the names that the sheet has for them.
    sheet : Sheet
        With a row for each photo so far.
    row : int
        That of this one, from 0.

    Returns
    -------
    tuple of PhotoCheck
        Good and poor.

    Raises
    ------
    RefusedError
        When nothing can be said of the photo at all.
    """
    try:
        laid = lay_out(sheet, [photo, setup])
        fit, _ = stand_board(laid.sheet, setup, inputs=Inputs(), laid=laid)
    except NotMeasuredError as error:  # for one kind of what comes out of here
        raise RefusedError(error.what, found=error.found, allowed=error.allowed, cure=error.cure) from None
    posed = posed_sheet(laid.sheet, fit)
    checks = look_at(photo, sheet=posed, row=row).checks
    if any(check.name == "stripes" and check.value is None for check in checks):
        return tuple(_stripes_amiss(check, photo, posed, row) for check in checks)
    return checks


def _stripes_amiss(check: PhotoCheck, photo: Photo, posed: Sheet, row: int) -> PhotoCheck:
    """A refusal of the stripes, told to who can't have chosen them: the screen did."""
    if check.name != "stripes" or check.value is not None:
        return check
    entry = posed.photos[row]
    if entry.varies is not None:
        turned = entry.model_copy(update={"varies": "up" if entry.varies == "across" else "across"})
        rows = tuple(turned if k == row else one for k, one in enumerate(posed.photos))
        if look_at(photo, sheet=posed.model_copy(update={"photos": rows}), row=row).runs_so:
            return replace(
                check,
                sentence="the stripes in this photo run the other way: it is of another picture of the screen",
                cure="take the photo of what the screen shows now",
            )
    return replace(
        check,
        sentence="the screen's stripes are not seen over enough of the panel",
        cure="move until the screen is mirrored between the tags; wet or wipe the panel, and shade it",
    )
