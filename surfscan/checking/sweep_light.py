"""A sweep: many photos of one job, each read, stood in its place and dropped, then read again one part at a time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache, partial
from typing import Any

import numpy as np

from surfscan.checking.context import PlacedJob, Progress
from surfscan.checking.film import Still, has_video, photo_of, stand_still
from surfscan.checking.setup import find_mirrored
from surfscan.checking.stations import camera_of, stand
from surfscan.checking.survey import Laid
from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.message import Reason, Weight
from surfscan.core.reading import Context, Reading, Trace
from surfscan.core.records import Photo
from surfscan.job.photo_quality import check_exposure
from surfscan.job.sheet import Sheet
from surfscan.judge.reasons import reason
from surfscan.optics.field import Cutout, cut_out
from surfscan.optics.mirrored_rays import MirroredTags
from surfscan.reading.budget import SetUp
from surfscan.reading.joint import MODES
from surfscan.reading.propagation import JointChange, modes
from surfscan.reading.station import Station
from surfscan.reading.surface import stand_off_mm
from surfscan.reading.sweep import LeftOut, Sweep, read_sweep

__all__ = ["Gathered", "SweepTaken", "gather_sweep", "is_sweep", "take_sweep"]

BASE_OFF_MM = 5.0
"""How far a curved panel may stand off its base beside what its tags say."""

JOINT_MODES = 24
"""Most changes of all poses at once that stand for what is left open of them; the rest is smaller than these."""

DISAGREE_MRAD = 0.15
"""Disagreement of the photos, where they overlap, that is told as a doubt."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """The photos of a sweep that stand somewhere; only the first keeps its picture.

    Attributes
    ----------
    sheet : Sheet
        With their entries only.
    stations : tuple of Station
    left_out : tuple of LeftOut
    stills : mapping of str to Still
        Frames of videos among them.
    mirrored : tuple of MirroredTags
        Looked for where nothing else says where the board stands.
    """

    sheet: Sheet
    stations: tuple[Station, ...]
    left_out: tuple[LeftOut, ...]
    stills: Mapping[str, Still] = field(default_factory=dict)
    mirrored: tuple[MirroredTags, ...] = ()


@dataclass(frozen=True, slots=True)
class SweepTaken:
    """A sweep's reading, and what goes with it into `Taken`."""

    reading: Reading
    kept: dict[str, Any]


def is_sweep(sheet: Sheet) -> bool:
    """Whether a sheet gives more photos than one reading of both directions takes, or a video."""
    board = sheet.board
    if board is None or board.pattern not in ("stripes", "crossed"):
        return False
    if has_video(sheet):
        return True
    return len(sheet.photos) > (1 if board.pattern == "crossed" else 2)


def gather_sweep(
    sheet: Sheet, *, laid: Laid | None = None, stills: Mapping[str, Still] | None = None
) -> Gathered:
    """Read every photo and find where it was taken from; those that can't be used are named and left out.

    Parameters
    ----------
    sheet : Sheet
    laid : Laid, optional
        Where the tags were surveyed: what was found of them.
    stills : mapping of str to Still, optional
        Frames of videos among the photos.

    Raises
    ------
    RefusedError
        The last one's, when none can be used.
    """
    stations: list[Station] = []
    left: list[LeftOut] = []
    rows = []
    last: RefusedError | None = None
    shape: tuple[int, ...] = ()
    mirrored: list[MirroredTags] = []
    by_mirror = sheet.board is not None and sheet.board.by_mirror
    for row in sheet.photos:
        still = (stills or {}).get(row.file)
        photo = photo_of(sheet, row, stills or {})
        try:
            check_exposure(photo)
            known = laid or Laid(sheet)
            found, camera = known.tags.get(photo.file), known.cameras.get(photo.file)
            if still is None:
                station = stand(sheet, photo, row, tags=found, camera=camera)
            else:
                station = stand_still(sheet, still, photo, *(camera or camera_of(sheet, photo)))
        except RefusedError as error:
            last = error
            left.append(LeftOut(row.file, _why(error, row.file)))
            continue
        if shape and photo.image.shape not in (shape, shape[::-1]):
            left.append(LeftOut(row.file, "it is not of the same size as the others"))
            continue
        shape = shape or photo.image.shape
        for one in find_mirrored(sheet, [station]) if by_mirror else ():
            mirrored.append(replace(one, photo=_emptied(photo)))
        stations.append(station if not stations else replace(station, photo=_emptied(photo)))
        rows.append(row)
    if not stations:
        assert last is not None
        raise last
    return Gathered(
        sheet.model_copy(update={"photos": tuple(rows)}),
        tuple(stations),
        tuple(left),
        stills or {},
        tuple(mirrored),
    )


def _why(error: RefusedError | NotMeasuredError, file: str) -> str:
    said = error.what.removeprefix(f"{file}: ")
    return f"{said} ({error.found})" if error.found else said


def _emptied(photo: Photo) -> Photo:
    """A photo without its picture: the right shape, and no memory."""
    shape = photo.image.shape
    return replace(
        photo,
        image=np.broadcast_to(np.float32(0), shape),
        saturated=np.broadcast_to(np.bool_(False), shape),
    )


def take_sweep(placed: PlacedJob, context: Context, progress: Progress | None) -> tuple[SweepTaken, SetUp]:
    """Read the panel from a sweep: the reading with what goes along with it, and its set-up.

    Raises
    ------
    RefusedError, NotMeasuredError
        As `read_sweep` does.
    """
    board_modes = _board_modes(placed)
    sweep = read_sweep(
        [_cutouts(placed, context, k) for k in range(len(placed.stations))],
        context,
        board_modes=board_modes,
        progress=progress,
    )
    numbers = [each.number for each in sweep.seen]
    rows = tuple(placed.sheet.photos[k] for k in numbers)
    used = replace(
        placed,
        sheet=placed.sheet.model_copy(update={"photos": rows}),
        stations=tuple(placed.stations[k] for k in numbers),
    )
    views = tuple(track.view for each in sweep.seen for track in each.tracks)
    fits = tuple(placed.stations[each.number].fit for each in sweep.seen for _ in each.tracks)
    corners = _pose_changes(sweep, board_modes)
    setup = SetUp(views, fits, sweep.board, placed.inputs, placed.board_fit, corners=corners)
    left = (*placed.left_out, *sweep.left_out)
    kept = {
        "placed": used,
        "doubts": _doubts(sweep, left),
        "details": _details(sweep, left, placed.stills),
        "traces": cache(partial(_traces, sweep.traces, used)),
    }
    return SweepTaken(sweep.reading, kept), setup


def _traces(traces: tuple[Trace, ...], used: PlacedJob) -> tuple[Trace, ...]:
    """The traces with their photos read again."""
    rows = {row.file: row for row in used.sheet.photos}
    found: dict[str, Photo] = {}
    out = []
    for trace in traces:
        file = trace.view.photo.file
        if file not in found:
            found[file] = photo_of(used.sheet, rows[file], used.stills)
        out.append(replace(trace, view=replace(trace.view, photo=found[file])))
    return tuple(out)


def _cutouts(placed: PlacedJob, context: Context, number: int) -> list[Cutout]:
    """The panel's part of one photo, for each direction that it carries; the rest of the photo is dropped."""
    view, row = context.views[number], placed.sheet.photos[number]
    photo = photo_of(placed.sheet, row, placed.stills)
    reach = stand_off_mm(context.grid)
    if context.level_mm is not None:
        reach = BASE_OFF_MM + 2 * float(np.abs(context.level_mm).max())
    cut = cut_out(replace(view, photo=photo), context.grid, reach_mm=reach, base=context.base)
    ways = (view.varies,) if view.varies else ("across", "up")
    return [replace(cut, view=replace(view, varies=way)) for way in ways]


def _board_modes(placed: PlacedJob) -> list[Array]:
    """How the board may stand elsewhere than it was said to; of a curved panel only, whose photos tell.

    On a flat one most of what a board that is off does to the photos is what a fair form does too.
    """
    if placed.curved is None:
        return []
    if placed.board_fit is not None:
        return modes(placed.board_fit.own)
    turn, shift = np.radians(placed.inputs.board_angle_deg), placed.inputs.board_centre_mm
    return modes(np.diag([turn**2] * 3 + [shift**2] * 3))


def _pose_changes(sweep: Sweep, board_modes: list[Array]) -> tuple[JointChange, ...]:
    """The largest changes of all poses at once that tags and overlaps leave open, and of the board with them."""
    found = sorted(modes(sweep.agreement.covariance), key=lambda change: -float(change @ change))[
        :JOINT_MODES
    ]
    out: list[JointChange] = []
    count = MODES * len(sweep.seen)
    for one in found:
        each = one[:count].reshape(-1, MODES)
        changes = [
            np.sum([n * mode for n, mode in zip(row, seen.modes, strict=True)], axis=0)
            for row, seen in zip(each, sweep.seen, strict=True)
        ]
        views = tuple(c for c, seen in zip(changes, sweep.seen, strict=True) for _ in seen.tracks)
        shift = None
        if board_modes:
            shift = np.sum([n * mode for n, mode in zip(one[count:], board_modes, strict=True)], axis=0)
        out.append((views, shift))
    return tuple(out)


def _doubts(sweep: Sweep, left: tuple[LeftOut, ...]) -> tuple[Reason, ...]:
    rows = [reason("photo-left-out", about=one.file, file=one.file, why=one.why) for one in left]
    off = sweep.agreement.off_mrad
    if np.isfinite(off).any() and float(np.nanmedian(off)) > DISAGREE_MRAD:
        worst = sweep.seen[int(np.nanargmax(off))].file
        rows.append(
            reason(
                "light-photos-disagree", weight=Weight.DOUBT, slope_mrad=float(np.nanmedian(off)), file=worst
            )
        )
    return tuple(rows)


def _details(sweep: Sweep, left: tuple[LeftOut, ...], stills: Mapping[str, Still]) -> dict[str, Any]:
    films = list({id(still.film): still.film for still in stills.values()}.values())
    inside = sweep.counts[np.isfinite(sweep.reading.height_mm)]
    off = sweep.agreement.off_mrad
    return {
        "sweep": {
            "photos_used": len(sweep.seen),
            "left_out": [{"file": one.file, "why": one.why} for one in left],
            "seen_by_median": float(np.median(inside)) if inside.size else 0.0,
            "seen_by_one_share": float(np.mean(inside == 1)) if inside.size else 0.0,
            "disagreement_mrad": {
                each.file: None if np.isnan(v) else float(v) for each, v in zip(sweep.seen, off, strict=True)
            },
        },
        **({"videos": [film.told(stills) for film in films]} if films else {}),
    }
