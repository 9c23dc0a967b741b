"""The null test: the photos of a flat glass read like a panel's, and the set-up fitted to what they show."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from surfscan.checking.context import PlacedJob, Progress, board_of
from surfscan.checking.lights import take
from surfscan.core.records import CheckResult
from surfscan.job.sheet import Sheet
from surfscan.optics.board_pose import BoardFit
from surfscan.reading.propagation import Inputs
from surfscan.reading.reference import Null, restand, shifted
from surfscan.reading.reference_fit import Known, calibrate
from surfscan.reading.station import Station

__all__ = ["add_null", "read_reference", "stand_again"]


def read_reference(
    sheet: Sheet,
    stations: list[Station],
    *,
    inputs: Inputs,
    board_fit: BoardFit | None = None,
    progress: Progress | None = None,
) -> Null:
    """Read the reference photos and fit the set-up to them.

    Parameters
    ----------
    sheet : Sheet
        With a posed board, ``[reference]`` and a reference for every photo.
    stations : list of Station
        Of the reference photos, in the order of the sheet's photos.
    inputs, board_fit
        How well the set-up was known before.
    progress : callable, optional

    Returns
    -------
    Null

    Raises
    ------
    RefusedError, NotMeasuredError
        As a panel's photos do.
    """
    assert sheet.reference is not None  # the sheet was asked before, as the next two
    assert sheet.board is not None
    assert sheet.tags is not None
    up = sheet.reference.thickness_mm
    board = board_of(sheet)
    low = (float(board.centre_mm[0]), float(board.centre_mm[1]), float(board.centre_mm[2] - up))
    photos = tuple(row.model_copy(update={"file": row.reference}) for row in sheet.photos)
    panel = {"region_mm": sheet.reference.region_mm, "leave_out_mm": ()}
    glass = sheet.model_copy(
        update={
            "photos": photos,
            "panel": sheet.panel.model_copy(update=panel),
            "board": sheet.board.model_copy(update={"centre_mm": low}),
        }
    )
    taken = take(PlacedJob(glass, tuple(shifted(s, up) for s in stations), inputs), progress=progress)
    views = list(taken.views)
    by_photo = {s.photo.file: s for s in stations}
    known = Known(board, up, inputs, sheet.tags.centres_mm, sheet.tags.side_mm, board_fit)
    return calibrate(taken.reading, [by_photo[view.photo.file] for view in views], views, known=known)


def stand_again(sheet: Sheet, stations: list[Station], null: Null) -> list[Station]:
    """The panel's photos with the lens and tag places that the reference found."""
    assert sheet.tags is not None
    return [restand(s, null, centres_mm=sheet.tags.centres_mm, side_mm=sheet.tags.side_mm) for s in stations]


def add_null(result: CheckResult, null: Null) -> CheckResult:
    """Put what the reference found into the result."""
    dk1, dk2, longer, right, down = null.lens
    found: dict[str, Any] = {
        "map_before_mrad": null.before_mrad,
        "map_after_mrad": null.after_mrad,
        "board_bulge_mm": list(null.board.bend_mm),
        "board_centre_mm": [float(v) for v in null.board.centre_mm],
        "lens": {
            "k1_change": dk1,
            "k2_change": dk2,
            "focal_rel": longer,
            "axis_share_of_width": [right, down],
        },
        "tag_shift_mm": {str(k): [float(v) for v in d] for k, d in null.tag_shift_mm.items()},
        "noise_mm": null.noise_mm,
        "files": [view.photo.file for view in null.views],
        "sha256": [view.photo.sha256 for view in null.views],
    }
    return replace(result, details={**result.details, "reference": found})
