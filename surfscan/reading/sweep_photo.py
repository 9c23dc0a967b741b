"""One photo of a sweep: the part of the panel that it lights, its round, and what it tells the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.poisson import label_islands
from surfscan.core.reading import Context, QualityMaps, Trace
from surfscan.core.records import Board, Grid, Pose
from surfscan.optics.board_pose import move_board
from surfscan.optics.field import Cutout
from surfscan.phase.carrier import Tiles
from surfscan.reading.crown import check_on, look_for_stripes
from surfscan.reading.follow import SMALL_CHANGE, Track, follow
from surfscan.reading.joint import MODES, Agreement, Told
from surfscan.reading.propagation import moved_pose
from surfscan.reading.stripes import TOLD
from surfscan.reading.surface import Surface, on_board, slide

__all__ = [
    "LEAST_LIT",
    "Seen",
    "box_of",
    "follow_photo",
    "gap_flags",
    "inner_board",
    "look_at",
    "move_photos",
    "part_of",
    "told_by",
    "traces_of_most",
    "trust",
    "weight_of",
    "whole_quality",
]

LEAST_LIT = 0.02
"""Share of the region under which a photo is no help."""

MOST_TRACED = 4
"""Photos whose stripes are kept for small faults: each is looked at whole, at its own pixels."""

REACH_MM = 40.0
"""How far beyond what a photo is expected to light it is looked at: the crown is known by tags only, at first."""

FEATHER = 2.5
"""Reflected periods over which a photo's weight rises from the rim of what it lights."""

START_MM = 0.01
"""Spread of board places told, as a share of the period, against which poses are held by their tags."""

CELLS = 1_500_000
"""Cells times squared directions that carry the agreement."""


@dataclass(slots=True)
class Seen:
    """One photo of a sweep: its directions, on the part of the grid that it lights.

    Attributes
    ----------
    number : int
        Its number among those given.
    tracks : list of Track
    box : tuple of slice
        Rows and columns of the panel's grid.
    context : Context
        Of that part.
    modes : list of ndarray (6,)
        Independent changes of its pose, one standard deviation each.
    start : Pose
        As its tags gave it.
    moved : ndarray (6,)
        By how many of those it has been moved.
    odd : ndarray, bool
        Cells of its part that fit no smooth surface.
    """

    number: int
    tracks: list[Track]
    box: tuple[slice, slice]
    context: Context
    modes: list[Array]
    start: Pose
    moved: Array
    odd: Array
    folded: Array

    @property
    def file(self) -> str:
        """Its name."""
        return self.tracks[0].view.photo.file


def inner_board(board: Board) -> Board:
    """The board less a rim that a surface not quite known might take for it."""
    rim = 0.5 * board.period_mm
    return replace(board, size_mm=(board.size_mm[0] - rim, board.size_mm[1] - rim))


def box_of(on: Array, grid: Grid) -> tuple[slice, slice]:
    """The part of the grid around some cells."""
    reach = round(REACH_MM / grid.step_mm)
    found = []
    for axis, size in ((1, grid.shape[0]), (0, grid.shape[1])):
        at = np.flatnonzero(on.any(axis))
        found.append(slice(max(int(at[0]) - reach, 0), min(int(at[-1]) + 1 + reach, size)))
    return found[0], found[1]


def part_of(context: Context, box: tuple[slice, slice]) -> Context:
    grid = context.grid
    part = Grid(grid.x_mm[box[1]], grid.y_mm[box[0]], grid.step_mm)
    return replace(context, grid=part, region=context.region[box])


def look_at(each: list[Cutout], lit: Array, flat: Surface, context: Context) -> list[Tiles] | str:
    """A photo's stripes where it is lit; or why it can't be used."""
    name = each[0].view.photo.file
    if lit.sum() < LEAST_LIT * context.inside.sum():
        return "the panel does not reflect the board into it"
    try:
        if context.base is not None:  # its tags tell the form, which is no crown
            check_on(each, flat, context, lit)
            return []
        return look_for_stripes(each, context, lit=[lit] * len(each))
    except (RefusedError, NotMeasuredError) as error:
        return error.what.removeprefix(f"{name}: ")


def follow_photo(each: Seen, *, surface: Surface, turn: int) -> bool:
    """One round of one photo; whether anything is left of it."""
    part, board = surface.at(each.box), inner_board(each.context.mirrored_board)
    inside = each.context.inside & ~each.odd & ~each.folded
    inside &= on_board(part.hit(each.tracks[0].view.pose, board), board)
    if inside.sum() < 50:
        return False
    for track in each.tracks:
        near = track.last is not None and track.last.change_rad < SMALL_CHANGE
        found = follow(track, turn, part, context=each.context, inside=inside)
        good = found.good
        if not near and good.any():  # parts that are not joined may be whole turns apart
            good = label_islands(good)[1] == 1
            track.last = found = replace(found, good=good)
        if good.sum() < 50:
            return False
    return True


def trust(track: Track) -> Array:
    """Weight of a direction by what its picture tells, (H, W), 0 to 1."""
    found = track.found
    told = np.ones(found.good.shape) if found.telling is None else np.minimum(found.telling / TOLD, 1.0) ** 3
    return np.where(found.good, np.maximum(told, 1e-3), 0.0)


def weight_of(track: Track, step_mm: float) -> Array:
    """Weight in the sums over photos: trust, faded out towards the rim of what the photo lights."""
    found = track.found
    far = cv2.distanceTransform(found.good.astype(np.uint8), cv2.DIST_L2, 3)
    reach = max(FEATHER * found.spacing_mm / step_mm, 1.0)
    return np.asarray(trust(track) * np.clip(far / reach, 1e-3, 1.0) ** 2)


def told_by(seen: list[Seen], surface: Surface, context: Context, board_modes: Sequence[Array] = ()) -> Told:
    """What all photos tell at thinned cells; with changes of the board's pose, what each does to their misses."""
    board = context.mirrored_board
    tracks = [track for each in seen for track in each.tracks]
    count = max(200, min(1500, CELLS // len(tracks) ** 2))
    skip = max(1, int(np.sqrt(context.grid.shape[0] * context.grid.shape[1] / count)))
    rows = np.arange(skip // 2, context.grid.shape[0], skip)
    columns = np.arange(skip // 2, context.grid.shape[1], skip)
    shape = (rows.size, columns.size, len(tracks))
    a, b, miss, weight = (np.zeros(shape) for _ in range(4))
    moved, photo = np.zeros((*shape, MODES)), np.zeros(len(tracks), int)
    shifted = np.zeros((*shape, len(board_modes)))
    t = 0
    for number, each in enumerate(seen):
        r = (rows >= each.box[0].start) & (rows < each.box[0].stop)
        c = (columns >= each.box[1].start) & (columns < each.box[1].stop)
        at = np.ix_(rows[r] - each.box[0].start, columns[c] - each.box[1].start)
        to = np.ix_(r, c)
        part = surface.at(each.box)
        few = part.at(at)
        hit = part.hit(each.tracks[0].view.pose, board)
        for track in each.tracks:
            way, found = track.view.varies, track.found
            place = hit.place(way)
            lever = hit.lever(way)
            w = weight_of(track, context.grid.step_mm)[at]
            gap = np.nan_to_num(found.wanted_mm - place)[at]
            a[..., t][to], b[..., t][to] = lever[0][at], lever[1][at]
            miss[..., t][to], weight[..., t][to] = gap, np.where(w > 1e-4, w, 0.0)
            slope = [np.nan_to_num(g)[at] for g in np.gradient(place, context.grid.step_mm)]
            for m, change in enumerate(each.modes):
                moved[..., t, m][to] = _moved(few, track, change, slope, board, place[at])
            for m, change in enumerate(board_modes):
                there = few.hit(track.view.pose, move_board(board, change)).place(way)
                shifted[..., t, m][to] = place[at] - there
            photo[t] = number
            t += 1
    unit = 1 / (START_MM * board.period_mm) ** 2
    n = rows.size * columns.size
    seen_by = weight.reshape(n, -1)
    use = (seen_by > 0).sum(1) > 0
    flat = [np.nan_to_num(m.reshape(n, len(tracks)))[use] for m in (a, b, miss)]
    modes_moved = np.nan_to_num(moved.reshape(n, len(tracks), MODES))[use]
    by_board = np.nan_to_num(shifted.reshape(n, len(tracks), -1))[use] if len(board_modes) else None
    return Told(flat[0], flat[1], flat[2], unit * seen_by[use], modes_moved, photo, by_board)


def _moved(
    few: Surface, track: Track, change: Array, slope: list[Array], board: Board, place: Array
) -> Array:
    """What a change of a photo's pose does to its misses, mm."""
    old = track.view.pose
    new = moved_pose(old, change)
    dx, dy = slide(few, old, new)
    there = few.hit(new, board).place(track.view.varies)
    return np.asarray(-(slope[1] * dx + slope[0] * dy) - (there - place))


def move_photos(seen: list[Seen], found: Agreement, context: Context, *, poses: bool) -> None:
    """Move starts and, once the stripes are told apart safely, poses."""
    per_mm = 2 * np.pi / context.mirrored_board.period_mm
    t = 0
    for k, each in enumerate(seen):
        for track in each.tracks:
            start = float(found.start_mm[t])
            last = track.found
            track.last = replace(
                last, wanted_mm=last.wanted_mm + start, offset_rad=last.offset_rad - start * per_mm
            )
            t += 1
        if poses:
            each.moved = each.moved + found.pose[k]
            change = np.sum([n * mode for n, mode in zip(each.moved, each.modes, strict=True)], axis=0)
            pose = moved_pose(each.start, change)
            for track in each.tracks:
                track.cutout = replace(track.cutout, view=replace(track.view, pose=pose))


def whole_quality(small: QualityMaps, box: tuple[slice, slice], shape: tuple[int, int]) -> QualityMaps:
    """A photo's quality on the whole panel's grid."""

    def grown(values: Array) -> Array:
        out = np.zeros(shape, values.dtype)
        out[box] = values
        return out

    return replace(
        small,
        lit=grown(small.lit),
        clipped=grown(small.clipped),
        modulation=grown(small.modulation),
        level=grown(small.level),
    )


def gap_flags(seen: list[Seen], surface: Surface, context: Context, measured: Array) -> Array:
    """Why each cell was not measured: what the photos that could have seen it have against it."""
    flags, inside = context.region.copy(), context.inside
    folded, odd, reached, blown = (np.zeros(flags.shape, bool) for _ in range(4))
    board = context.mirrored_board
    for each in seen:
        state = each.tracks[0].found.state
        part = surface.at(each.box)
        reached[each.box] |= on_board(part.hit(each.tracks[0].view.pose, board), board) & (state == 0)
        blown[each.box] |= (state & bit("saturated")) != 0
        folded[each.box] |= each.folded
        odd[each.box] |= each.odd
    gap = inside & ~measured
    flags[gap & folded] |= bit("fold")
    flags[gap & odd] |= bit("inconsistent")
    flags[gap & blown & ~reached] |= bit("saturated")
    flags[gap & ~reached & (flags == 0)] |= bit("off_board")
    flags[gap & (flags == 0)] |= bit("weak_stripes")
    return flags


def traces_of_most(seen: list[Seen], surface: Surface, shape: tuple[int, ...]) -> tuple[Trace, ...]:
    """Where the stripes of the `MOST_TRACED` photos that light most lie."""
    lit = [int(each.tracks[0].found.good.sum()) for each in seen]
    most = sorted(np.argsort(lit)[-MOST_TRACED:].tolist())
    return tuple(
        _trace(each, track, surface.at(each.box), shape)
        for each in (seen[k] for k in most)
        for track in each.tracks
    )


def _trace(each: Seen, track: Track, part: Surface, shape: tuple[int, ...]) -> Trace:
    """Where one direction's stripes of a photo lie, on the whole panel; its view has no picture any more."""
    board = each.context.mirrored_board
    hit = part.hit(track.view.pose, board)
    lever = np.array([np.nanmedian(slope[track.found.good]) for slope in hit.lever(track.view.varies)])
    place, lit = np.full(shape, np.nan), np.zeros(shape, bool)
    place[each.box] = np.where(track.found.good, track.found.wanted_mm, np.nan)
    lit[each.box] = on_board(hit, inner_board(board)) & each.context.inside
    return Trace(track.view, place, lever, board.period_mm, spacing_mm=track.found.spacing_mm, lit=lit)
