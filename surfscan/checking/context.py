"""The sheet's words turned into what a reading stands on: board, views, grid, region and level, without the sheet."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from surfscan.checking.stations import level_places
from surfscan.core.carrier import Array
from surfscan.core.errors import RefusedError
from surfscan.core.message import Reason
from surfscan.core.reading import Context, Reading, Trace, View
from surfscan.core.records import Board, Grid
from surfscan.job.sheet import Sheet
from surfscan.job.tags import QUIET_CELLS, cells_across, paper_outline
from surfscan.optics.base_fit import BaseFit
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.field import make_grid, mask_region, mask_squares
from surfscan.optics.mirrored_rays import MirroredTags
from surfscan.optics.pose import PoseFit
from surfscan.reading.budget import Budget, Inputs
from surfscan.reading.reference import Null
from surfscan.reading.station import Station
from surfscan.reading.sweep import LeftOut
from surfscan.surface.form import BEND_SHAPE, FairForm

if TYPE_CHECKING:
    from surfscan.checking.film import Still

__all__ = [
    "PlacedJob",
    "Progress",
    "Taken",
    "board_of",
    "context_of",
    "crown_of",
    "judged_region",
    "tag_half_mm",
    "view_of",
]

TAG_MARGIN_MM = 1.5
"""Kept free around a tag's paper, where its edge shades the panel."""

PATCH_MARGIN_MM = 5.0
"""Kept free around a tag of the board: its reflection is that little out of place while the panel is not yet known."""

Progress = Callable[[float], None]
"""Told a share from 0 to 1."""


@dataclass(frozen=True, slots=True)
class PlacedJob:
    """Photos that stand somewhere, with the sheet they belong to.

    Attributes
    ----------
    sheet : Sheet
    stations : tuple of Station
        One per photo, in the sheet's order.
    inputs : Inputs
        How well the set-up is known.
    board_fit : BoardFit, optional
        The board's pose as a set-up photo, or its mirrored tags, gave it; the sheet has it too by now.
    null : Null, optional
        What a reference found: its board is used, and what is left on it is taken off.
    left_out : tuple of LeftOut
        Photos of a sweep that could not be used so far.
    stills : mapping of str to Still
        Frames of videos among the photos.
    mirrored : tuple of MirroredTags
        The board's tags in the panel's mirror, where they had to say where it stands.
    curved : BaseFit, optional
        What a curved panel is measured on; the sheet's region is drawn on that.
    """

    sheet: Sheet
    stations: tuple[Station, ...]
    inputs: Inputs
    board_fit: BoardFit | None = None
    null: Null | None = None
    left_out: tuple[LeftOut, ...] = ()
    stills: Mapping[str, Still] = field(default_factory=dict)
    mirrored: tuple[MirroredTags, ...] = ()
    curved: BaseFit | None = None

    @property
    def views(self) -> tuple[View, ...]:
        """The photos as a reading wants them."""
        rows = zip(self.stations, self.sheet.photos, strict=True)
        return tuple(view_of(self.sheet, station, row.varies or "") for station, row in rows)

    @property
    def board(self) -> Board:
        """The sheet's board, or the one that the reference found."""
        return board_of(self.sheet) if self.null is None else self.null.board


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading with what judging it needs to know.

    Attributes
    ----------
    grid : Grid
    region : ndarray (H, W), int32
        Flags of the judged region, 0 inside.
    reading : Reading
    budget : callable
        Works out the uncertainty budget for a fair form.
    floor_mm : float
        Deviation that the light's own unevenness may reach.
    grow_mm : float
        How far a spot's tails reach beyond what stands out.
    detail_mm : float
        Finest faithful detail times two: a reflected stripe period.
    spot_flags : tuple of str
        Flags that every spot carries.
    views : tuple of View
        The photos that give the two directions, where there are two.
    details : dict
        What else was learned about the light, JSON-ready.
    least_floor_mm : float
        Deviation that this reading can't tell from a fair form, whatever the limits ask for.
    bends_mm : ndarray (H, W, K), optional
        What the set-up's uncertainty does to the height (`surfscan.reading.bends`); of a curved panel, how its bend may
        change along it.
    bend_shape : float
        Relative standard uncertainty of what those are at one place.
    placed : PlacedJob, optional
        The photos that were used, where some were left out.
    doubts : tuple of Reason
        What the reading itself has to say to the verdict.
    traces : callable, optional
        Reads photos again that were dropped, and says where their stripes were found.
    """

    grid: Grid
    region: Array
    reading: Reading
    budget: Callable[[FairForm], Budget]
    floor_mm: float
    grow_mm: float
    detail_mm: float
    spot_flags: tuple[str, ...] = ()
    views: tuple[View, ...] = ()
    details: dict[str, Any] = field(default_factory=dict)
    least_floor_mm: float = 0.0
    bends_mm: Array | None = None
    bend_shape: float = BEND_SHAPE
    placed: PlacedJob | None = None
    doubts: tuple[Reason, ...] = ()
    traces: Callable[[], tuple[Trace, ...]] | None = None


def board_of(sheet: Sheet) -> Board:
    """The board of a sheet that says where it stands.

    Raises
    ------
    RefusedError
        Without a pose, a size or a period.
    """
    table = sheet.board
    if table is None or table.centre_mm is None or table.size_mm is None or table.period_mm is None:
        raise RefusedError(
            "the board is not described",
            cure="give [board] with its pose, size and period",
            found="a sheet without a board's place",
            allowed="[board] with centre_mm, across, up, size_mm and period_mm",
        )
    patches: tuple[tuple[float, float, float], ...] = ()
    if table.tags is not None:
        half = (
            table.tags.side_mm * (0.5 + QUIET_CELLS / cells_across(table.tags.dictionary)) + PATCH_MARGIN_MM
        )
        patches = tuple((*centre, half) for centre in table.tags.centres_mm.values())
    return Board(
        np.array(table.centre_mm),
        np.array(table.across),
        np.array(table.up),
        table.size_mm,
        table.period_mm,
        patches_mm=patches,
    )


def context_of(placed: PlacedJob, step_mm: float, *, board: Board | None) -> Context:
    """The context of a light that asks for a grid of this step."""
    sheet, stations = placed.sheet, list(placed.stations)
    grid = make_grid(sheet.panel.extent_mm, step_mm)
    if placed.curved is not None:
        curved = placed.curved
        return Context(
            placed.views,
            grid,
            judged_region(sheet, grid, stations, curved),
            curved.places_mm[:, :2],
            board,
            curved.crown,
            curved.base,
            curved.places_mm[:, 2],
        )
    return Context(
        placed.views,
        grid,
        judged_region(sheet, grid, stations),
        level_places(sheet),
        board,
        crown_of(sheet, [station.fit for station in stations]),
    )


def view_of(sheet: Sheet, station: Station, varies: str) -> View:
    """A station's photo, with the tags' paper as what hides the panel in it."""
    hidden: tuple[Array, ...] = ()
    if sheet.tags is not None:
        grow = 2 * tag_half_mm(sheet) / sheet.tags.side_mm
        hidden = tuple(paper_outline(tag, grow=grow) for tag in station.tags)
    return View(station.photo, station.camera, station.fit.pose, varies, hidden)


def tag_half_mm(sheet: Sheet) -> float:
    """Half a tag's paper with the margin kept free around it, mm."""
    if sheet.tags is None:
        return 0.0
    return sheet.tags.side_mm * (0.5 + QUIET_CELLS / cells_across(sheet.tags.dictionary)) + TAG_MARGIN_MM


def judged_region(sheet: Sheet, grid: Grid, stations: list[Station], curved: BaseFit | None = None) -> Array:
    """Flags of the judged region, (H, W) int32: 0 inside, else left out, outside or under a tag."""
    under = np.zeros(grid.shape, bool)
    if sheet.tags is not None:
        turns: dict[int, float] = {}
        for station in stations:
            turns.update(station.fit.tag_turn_rad)
        centres = sheet.tags.centres_mm
        if curved is not None:
            centres = {tag: (x, y) for tag, (x, y, _) in zip(centres, curved.places_mm, strict=True)}
            turns = dict(zip(centres, curved.turns_rad, strict=True))
        under = mask_squares(grid, centres, turns, tag_half_mm(sheet))
    return mask_region(
        grid,
        region_mm=None if sheet.panel.region_mm is None else list(sheet.panel.region_mm),
        leave_out_mm=[list(polygon) for polygon in sheet.panel.leave_out_mm],
        tags=under,
    )


def crown_of(sheet: Sheet, fits: Sequence[PoseFit]) -> Array | None:
    """A first look at the crown: how the tags' tilts change across the panel."""
    if sheet.tags is None:
        return None
    rows, right = [], []
    for fit in fits:
        for tag, (p, q) in fit.tag_tilt.items():
            x, y = sheet.tags.centres_mm[tag]
            rows += [[x, y, 0, 1, 0], [0, x, y, 0, 1]]
            right += [p, q]
    if len(rows) < 6:
        return None
    found = np.linalg.lstsq(np.array(rows, float), np.array(right), rcond=None)[0][:3]
    return np.asarray(np.clip(found, -1e-3, 1e-3))
