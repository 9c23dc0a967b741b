"""One branch per kind of light: from the photos' stations to a reading and what its uncertainty is made of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.flags import bit
from surfscan.core.records import Array, Board, Grid, Reading, View
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet
from surfscan.job.tags import QUIET_CELLS, cells_across, paper_outline
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.field import FINE, make_grid, mask_region, mask_squares, pixel_pitch
from surfscan.optics.mirror import distance_to_board
from surfscan.reading.budget import (
    MODEL_STEPPED,
    MODEL_STRIPES,
    Budget,
    Inputs,
    budget_scaled,
    budget_stripes,
)
from surfscan.reading.lamp import read_lamp
from surfscan.reading.lamp_places import find_lamps
from surfscan.reading.reference import Null, take_off
from surfscan.reading.stations import Station, level_places
from surfscan.reading.stepped import Frame, read_stepped, stepped_grid_mm
from surfscan.reading.stripes import read_stripes
from surfscan.surface.form import FairForm

__all__ = ["Taken", "board_of", "kind_of_light", "lacks_scale", "take"]

CELLS_PER_STRIPE = 17.0
"""Fine cells wanted along a reflected stripe period: hard edges then cost nothing that a finer grid would save."""

TAG_MARGIN_MM = 1.5
"""Kept free around a tag's paper, where its edge shades the panel."""

LAMP_GRID_MM = 2.0
"""Finest coarse grid for a lamp: a matt surface's shading carries no detail worth a finer one."""


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


def lacks_scale(sheet: Sheet) -> str:
    """Why a sheet gives no scale, in words; empty when it does."""
    placed = sheet.tags is not None or all(photo.corners_px is not None for photo in sheet.photos)
    lamp = sheet.by_lamp
    board = sheet.board
    posed = board is not None and (board.posed or board.setup_photo is not None)
    if not placed:
        return "the sheet names no tags and no corners_px, so that nothing in the photos has a size"
    if not lamp and not posed:
        return "the sheet does not say where the board stands, so that a shift of the stripes has no size"
    return ""


def kind_of_light(sheet: Sheet) -> str:
    """Say which light a sheet describes: "stripes", "one way", "stepped", "dots" or "lamp"."""
    if sheet.by_lamp:
        return "lamp"
    if sheet.board is None or sheet.board.pattern == "stripes":
        return "stripes" if len(sheet.photos) > 1 else "one way"
    return sheet.board.pattern


def take(
    sheet: Sheet,
    stations: list[Station],
    *,
    inputs: Inputs,
    board_fit: BoardFit | None = None,
    null: Null | None = None,
    progress: Callable[[float], None] | None = None,
) -> Taken:
    """Read the panel by the sheet's light.

    Parameters
    ----------
    sheet : Sheet
    stations : list of Station
        One per photo, in the sheet's order.
    inputs : Inputs
        How well the set-up is known.
    board_fit : BoardFit, optional
        The board's pose as the set-up photo gave it; the sheet has it too by now.
    null : Null, optional
        What a reference found: its board is used, and what is left on it is taken off.
    progress : callable, optional
        Told a share from 0 to 1.

    Returns
    -------
    Taken

    Raises
    ------
    RefusedError, NotMeasuredError
        As the readings do.
    """
    views = [_view(sheet, s, row.varies or "") for s, row in zip(stations, sheet.photos, strict=True)]
    kind = kind_of_light(sheet)
    if kind == "lamp":
        return _lamp(sheet, stations, views, inputs, progress)
    board = board_of(sheet) if null is None else null.board
    level, crown = level_places(sheet), _tag_curvature(sheet, stations)
    size = sheet.panel.size_mm
    if kind == "stepped":
        step = stepped_grid_mm(size, views)
    elif kind == "dots":
        from surfscan.reading.dots import dots_grid_mm

        step = dots_grid_mm(size, views[0], board)
    else:
        step = _step(sheet, stations, board)
    grid = make_grid(sheet.panel.size_mm, step)
    region = _region(sheet, grid, stations)
    fits = [s.fit for s in stations]
    given: dict[str, Any] = {
        "board": board,
        "grid": grid,
        "region": region,
        "level_at_mm": level,
        "start_curvature": crown,
    }
    if kind == "one way":
        # Loaded when used: its sparse solver takes a fifth of a second to load, which most checks need not wait for.
        from surfscan.reading.one_way import read_one_way

        reading = read_one_way(views[0], progress=progress, **given)
        far = _distance(stations[:1], board)

        def scaled(fair: FairForm) -> Budget:
            return budget_scaled(reading, fair, shares=_board_shares(inputs, far))

        return _taken(grid, region, reading, scaled, 0.004, flags=("one_direction",))
    if kind == "stepped":
        frames = [
            Frame(view, row.period_mm or board.period_mm, float(np.radians(row.phase_deg or 0.0)))
            for view, row in zip(views, sheet.photos, strict=True)
        ]
        reading = read_stepped(frames, progress=progress, **given)
        pick = [next(k for k, v in enumerate(views) if v.varies == axis) for axis in ("across", "up")]
        both, both_fits = [views[k] for k in pick], [fits[k] for k in pick]
        floor = 0.0005
    elif kind == "dots":
        from surfscan.reading.dots import read_dots  # loaded when used, like the reading of one photo

        reading = read_dots(views[0], progress=progress, **given)
        both = [_along(views[0], axis) for axis in ("across", "up")]
        both_fits = [fits[0], fits[0]]
        floor = 0.004
    else:
        reading = read_stripes(views, progress=progress, **given)
        both, both_fits, floor = views, fits, 0.004

    if null is not None:
        reading = take_off(reading, null)

    def propagated(fair: FairForm) -> Budget:
        model = MODEL_STEPPED if kind == "stepped" else MODEL_STRIPES
        return budget_stripes(
            reading,
            fair,
            both,
            both_fits,
            board=board,
            inputs=inputs,
            model=model,
            board_fit=board_fit,
            null=null,
        )

    return replace(_taken(grid, region, reading, propagated, floor), views=tuple(both))


def _taken(
    grid: Grid,
    region: Array,
    reading: Reading,
    budget: Callable[[FairForm], Budget],
    floor_mm: float,
    flags: tuple[str, ...] = (),
) -> Taken:
    detail = float(np.max(reading.period_mm))
    return Taken(grid, region, reading, budget, floor_mm, 0.6 * detail, detail, flags)


def _along(view: View, axis: str) -> View:
    return View(view.photo, view.camera, view.pose, axis, view.hidden_px)


def _lamp(
    sheet: Sheet,
    stations: list[Station],
    views: list[View],
    inputs: Inputs,
    progress: Callable[[float], None] | None,
) -> Taken:
    pitch = min(pixel_pitch(sheet.panel.size_mm, camera=s.camera, pose=s.fit.pose) for s in stations)
    width, height = sheet.panel.size_mm
    step = float(
        np.clip(max(FINE * pitch, LAMP_GRID_MM), np.sqrt(width * height / 1e6), min(width, height) / 60)
    )
    grid = make_grid(sheet.panel.size_mm, step)
    region = _region(sheet, grid, stations)
    region = _without_balls(sheet, grid, region, stations[0])
    found = find_lamps(sheet, stations, place_sd_mm=inputs.lamp_mm)
    places = found.lamps.places_mm
    got = read_lamp(
        views,
        lamps=found.lamps,
        grid=grid,
        region=region,
        level_at_mm=level_places(sheet),
        ambient=_ambient(sheet, stations[0], views[0]),
        bend_sd_mm=found.sd_mm,
        progress=progress,
    )
    # What turns a slope into brightness is the tangent of the lamps' angle off the panel's normal.
    out, over = np.median(np.hypot(places[:, 0], places[:, 1])), np.median(places[:, 2])
    tangent_rel = found.sd_mm * float(np.hypot(1 / max(out, 1.0), 1 / over))

    def scaled(fair: FairForm) -> Budget:
        return budget_scaled(
            got.reading,
            fair,
            shares=(
                ("light and room", "darken the room, and use more lamp places", got.scale_rel),
                (
                    "lamp places",
                    "measure the lamp's places again, from the panel's middle",
                    tangent_rel,
                ),
                (
                    "tag places",
                    "lay the tags to a rule, and measure between their middles",
                    inputs.tag_centre_mm / width,
                ),
            ),
            maps=(
                (
                    "lamp places, bend",
                    "measure the lamp's places again, from the panel's middle",
                    got.places_mm,
                ),
                ("paint not quite matt", "a dry guide coat, and lamps lower over the panel", got.paint_mm),
            ),
        )

    setting = got.setting
    light = {
        "lamps": list(found.rows),
        "room_light": setting.room,
        "brightness": [float(value) for value in setting.brightness],
        "depth_scale_rel": got.scale_rel,
    }
    least = 2 * float(np.median(got.paint_mm[np.isfinite(got.reading.height_mm)]))
    return Taken(
        grid, region, got.reading, scaled, 0.015, 12.0, 0.0, details={"light": light}, least_floor_mm=least
    )


def _ambient(sheet: Sheet, station: Station, view: View) -> View | None:
    """The photo with the lamp out, through the pose of the lit ones: its own tags may be too dark to see."""
    if sheet.lamp is None or sheet.lamp.ambient_photo is None:
        return None
    name = sheet.lamp.ambient_photo
    photo = read_photo(sheet.folder / name, name, encoding=sheet.photos[0].encoding)
    if photo.image.shape != station.photo.image.shape:
        raise RefusedError(
            f"{name} is not of the same size as {station.photo.file}",
            found=f"{photo.image.shape[1]} x {photo.image.shape[0]} pixels",
            allowed=f"{station.photo.image.shape[1]} x {station.photo.image.shape[0]}, as the lamp photos",
            cure="take the photo with the lamp out from the same stand, with the same settings",
        )
    return View(photo, view.camera, view.pose, "", view.hidden_px)


def _without_balls(sheet: Sheet, grid: Grid, region: Array, station: Station) -> Array:
    """The region less what each ball hides from the camera, and the ground it stands on."""
    out = region.copy()
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    camera = station.fit.pose.centre_mm
    for ball in sheet.balls:
        middle = np.array(ball.centre_mm)
        # The ball hides the panel from where it stands to where the sight line through its middle meets the panel.
        behind = middle + (middle - camera) * middle[2] / (camera[2] - middle[2])
        for share in np.linspace(0.0, 1.0, 7):
            at = middle[:2] + share * (behind - middle)[:2]
            out[np.hypot(x - at[0], y - at[1]) < 1.3 * ball.radius_mm] |= bit("left_out")
    return out


def board_of(sheet: Sheet) -> Board:
    """The board of a sheet that says where it stands.

    Raises
    ------
    RefusedError
        Without a pose, a size or a period.
    """
    table = sheet.board
    if table is None or table.centre_mm is None or table.size_mm is None or table.period_mm is None:
        raise RefusedError("the board is not described", cure="give [board] with its pose, size and period")
    return Board(
        np.array(table.centre_mm), np.array(table.across), np.array(table.up), table.size_mm, table.period_mm
    )


def _distance(stations: list[Station], board: Board) -> float:
    """From the panel's middle to the board along the reflected ray, mm."""
    for s in stations:
        far = distance_to_board(0.0, 0.0, camera_mm=s.fit.pose.centre_mm, board=board)
        if not np.isfinite(far):
            raise RefusedError(
                f"{s.photo.file}: the panel's middle does not reflect the board",
                found="the reflected ray leaves the board behind",
                cure="check board.centre_mm, board.across and board.up, or where the photo was taken from",
            )
    return far


def _step(sheet: Sheet, stations: list[Station], board: Board) -> float:
    """Coarse grid step: fine enough for the reflected stripes, never finer than the photo itself."""
    pitch = min(pixel_pitch(sheet.panel.size_mm, camera=s.camera, pose=s.fit.pose) for s in stations)
    periods = []
    for s in stations:
        near = float(np.linalg.norm(s.fit.pose.centre_mm))
        far = _distance([s], board)
        periods.append(board.period_mm * near / (near + far))
    step = FINE * max(min(periods) / CELLS_PER_STRIPE, pitch)
    width, height = sheet.panel.size_mm
    # Never fewer than 60 cells across, never more than a million in all.
    return float(np.clip(step, np.sqrt(width * height / 1e6), min(width, height) / 60))


def _board_shares(inputs: Inputs, far_mm: float) -> tuple[tuple[str, str, float], ...]:
    """Shares of a depth by which the board's inputs move it, where they can't be propagated cell by cell."""
    return (
        (
            "board place",
            "measure from the panel's middle to the board's with a laser or a stiff rule",
            inputs.board_centre_mm / far_mm,
        ),
        (
            "board angle",
            "measure to both ends of the board, not to its middle only",
            float(np.tan(np.radians(inputs.board_angle_deg))),
        ),
        ("stripe period", "measure over twenty stripes and divide", inputs.period_rel),
        (
            "focal length",
            "calibrate the lens, or give focal_px instead of a maker's figure",
            inputs.focal_rel / 3,
        ),
    )


def _view(sheet: Sheet, station: Station, varies: str) -> View:
    hidden: tuple[Array, ...] = ()
    if sheet.tags is not None:
        grow = 2 * _tag_half_mm(sheet) / sheet.tags.side_mm
        hidden = tuple(paper_outline(tag, grow=grow) for tag in station.tags)
    return View(station.photo, station.camera, station.fit.pose, varies, hidden)


def _tag_half_mm(sheet: Sheet) -> float:
    """Half a tag's paper with the margin kept free around it, mm."""
    if sheet.tags is None:
        return 0.0
    return sheet.tags.side_mm * (0.5 + QUIET_CELLS / cells_across(sheet.tags.dictionary)) + TAG_MARGIN_MM


def _region(sheet: Sheet, grid: Grid, stations: list[Station]) -> Array:
    under = np.zeros(grid.shape, bool)
    if sheet.tags is not None:
        turns: dict[int, float] = {}
        for station in stations:
            turns.update(station.fit.tag_turn_rad)
        under = mask_squares(grid, sheet.tags.centres_mm, turns, _tag_half_mm(sheet))
    return mask_region(
        grid,
        region_mm=None if sheet.panel.region_mm is None else list(sheet.panel.region_mm),
        leave_out_mm=[list(polygon) for polygon in sheet.panel.leave_out_mm],
        tags=under,
    )


def _tag_curvature(sheet: Sheet, stations: list[Station]) -> Array | None:
    """A first look at the crown: how the tags' tilts change across the panel."""
    if sheet.tags is None:
        return None
    rows, right = [], []
    for station in stations:
        for tag, (p, q) in station.fit.tag_tilt.items():
            x, y = sheet.tags.centres_mm[tag]
            rows += [[x, y, 0, 1, 0], [0, x, y, 0, 1]]
            right += [p, q]
    if len(rows) < 6:
        return None
    found = np.linalg.lstsq(np.array(rows, float), np.array(right), rcond=None)[0][:3]
    return np.asarray(np.clip(found, -1e-3, 1e-3))
