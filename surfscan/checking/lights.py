"""The lights as a table: how a sheet tells each, the grid it asks for, and its way from photos to a reading.

A new light is a reader in `reading/` and a row of `LIGHTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from surfscan.checking.context import PlacedJob, Progress, Taken, board_of, context_of, view_of
from surfscan.checking.lamp_light import lamp_step_mm, take_lamp
from surfscan.checking.next_photos import next_photos
from surfscan.checking.sweep_light import is_sweep, take_sweep
from surfscan.core.errors import RefusedError
from surfscan.core.reading import Context, Reading
from surfscan.core.records import Board
from surfscan.job.sheet import Sheet
from surfscan.optics.field import FINE, make_grid, pixel_pitch, step_within
from surfscan.optics.mirror import distance_to_board
from surfscan.reading.bends import bends_of, move_all
from surfscan.reading.budget import (
    MODEL_STEPPED,
    MODEL_STRIPES,
    Budget,
    Inputs,
    SetUp,
    budget_scaled,
    budget_stripes,
)
from surfscan.reading.reference import take_off
from surfscan.reading.station import Station
from surfscan.reading.stepped import read_stepped, stepped_grid_mm
from surfscan.reading.stripes import read_stripes
from surfscan.reading.surface import first_surface, on_board
from surfscan.surface.form import FairForm

__all__ = ["LIGHTS", "LightKind", "PlacedJob", "Taken", "board_of", "kind_of_light", "lacks_scale", "take"]

CELLS_PER_STRIPE = 17.0
"""Fine cells wanted along a reflected stripe period: hard edges then cost nothing that a finer grid would save."""

FLOOR_MM = 0.004
"""Deviation that the unevenness of a striped or dotted board may reach."""

STEPPED_FLOOR_MM = 0.0005
"""The same of a stepped series."""


def lacks_scale(sheet: Sheet) -> str:
    """Why a sheet gives no scale, in words; empty when it does."""
    placed = sheet.tags is not None or all(photo.corners_px is not None for photo in sheet.photos)
    lamp = sheet.by_lamp
    board = sheet.board
    posed = board is not None and (board.posed or board.setup_photo is not None or board.by_mirror)
    if not placed:
        return "the sheet names no tags and no corners_px, so that nothing in the photos has a size"
    if not lamp and not posed:
        return "the sheet does not say where the board stands, so that a shift of the stripes has no size"
    return ""


@dataclass(frozen=True, slots=True)
class LightKind:
    """One row of the table of lights.

    Attributes
    ----------
    name : str
    words : str
        What its reading is called while it runs.
    described_by : callable
        Whether a sheet describes it; the first row that says so is the sheet's.
    has_board : bool
        Whether the sheet must say where a board stands.
    step_mm : callable
        Coarse grid step that it asks for, mm.
    read : callable
        From the photos and their context to a reading, told how far it is.
    """

    name: str
    words: str
    described_by: Callable[[Sheet], bool]
    has_board: bool
    step_mm: Callable[[PlacedJob], float]
    read: Callable[[PlacedJob, Context, Progress | None], Taken]


def kind_of_light(sheet: Sheet) -> LightKind:
    """The row of the light that a sheet describes."""
    return next(kind for kind in LIGHTS if kind.described_by(sheet))


def take(placed: PlacedJob, *, progress: Progress | None = None) -> Taken:
    """Read the panel by the sheet's light.

    Parameters
    ----------
    placed : PlacedJob
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
    kind = kind_of_light(placed.sheet)
    board = placed.board if kind.has_board else None
    return kind.read(placed, context_of(placed, kind.step_mm(placed), board=board), progress)


def _stripes(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    reading = read_stripes(context, progress=progress)
    return _two_directions(placed, reading, context, list(range(len(context.views))))


def _stepped(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    default = context.mirrored_board.period_mm
    steps = [
        (row.period_mm or default, float(np.radians(row.phase_deg or 0.0))) for row in placed.sheet.photos
    ]
    reading = read_stepped(context, steps, progress=progress)
    pick = [next(k for k, v in enumerate(context.views) if v.varies == axis) for axis in ("across", "up")]
    return _two_directions(placed, reading, context, pick, model=MODEL_STEPPED, floor_mm=STEPPED_FLOOR_MM)


def _dots(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    from surfscan.reading.dots import read_dots  # loaded when used, like the reading of one photo

    reading = read_dots(context, progress=progress)
    both = tuple(replace(context.views[0], varies=axis) for axis in ("across", "up"))
    return _two_directions(placed, reading, replace(context, views=both), [0, 0])


def _crossed(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    both = tuple(replace(context.views[0], varies=axis) for axis in ("across", "up"))
    context = replace(context, views=both)
    reading = read_stripes(context, progress=progress)
    taken = _two_directions(placed, reading, context, [0, 0])
    return replace(taken, details={**taken.details, **next_photos(placed, context, reading)})


def _sweep(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    taken, setup = take_sweep(placed, context, progress)

    def propagated(fair: FairForm) -> Budget:
        return budget_stripes(taken.reading, fair, setup)

    whole = replace(_taken(context, taken.reading, propagated, FLOOR_MM), **taken.kept)
    if placed.curved is not None:  # a corner's radius may change along the bend, and it is fair
        bends = placed.curved.changes_mm(*np.meshgrid(context.grid.x_mm, context.grid.y_mm))
        whole = replace(whole, bends_mm=bends, bend_shape=0.0)
    return replace(whole, details={**whole.details, **next_photos(placed, context, taken.reading)})


def _dots_step_mm(placed: PlacedJob) -> float:
    from surfscan.reading.dots import dots_grid_mm

    return dots_grid_mm(placed.sheet.panel.extent_mm, placed.views[0], placed.board)


def _one_way(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    # Loaded when used: its sparse solver takes a fifth of a second to load, which most checks need not wait for.
    from surfscan.reading.one_way import read_one_way

    reading = read_one_way(context, progress=progress)
    shares = _board_shares(placed.inputs, _distance(placed.stations[0], context.mirrored_board))

    def scaled(fair: FairForm) -> Budget:
        return budget_scaled(reading, fair, shares=shares)

    return _taken(context, reading, scaled, FLOOR_MM, flags=("one_direction",))


def _two_directions(
    placed: PlacedJob,
    reading: Reading,
    context: Context,
    stations: list[int],
    *,
    model: tuple[float, float] = MODEL_STRIPES,
    floor_mm: float = FLOOR_MM,
) -> Taken:
    """The end of a light that tells both slopes: the reference off, the set-up propagated.

    `stations` are the numbers of the photos that tell them, one per direction.
    """
    if placed.null is not None:
        reading = take_off(reading, placed.null)
    views = list(context.views) if len(context.views) == 2 else [context.views[k] for k in stations]
    fits = [placed.stations[k].fit for k in stations]

    setup = SetUp(
        tuple(views), tuple(fits), context.mirrored_board, placed.inputs, placed.board_fit, placed.null
    )

    # A reference takes the bends off already.
    moves = move_all(reading, setup) if placed.null is None else None
    bends = None if moves is None else bends_of(moves, reading)

    def propagated(fair: FairForm) -> Budget:
        return budget_stripes(reading, fair, setup, model=model, moves=moves)

    return replace(_taken(context, reading, propagated, floor_mm), views=tuple(views), bends_mm=bends)


def _taken(
    context: Context,
    reading: Reading,
    budget: Callable[[FairForm], Budget],
    floor_mm: float,
    flags: tuple[str, ...] = (),
) -> Taken:
    detail = float(np.max(reading.period_mm))
    return Taken(context.grid, context.region, reading, budget, floor_mm, 0.6 * detail, detail, flags)


def _distance(station: Station, board: Board) -> float:
    """From the panel's middle to the board along the reflected ray, mm."""
    far = distance_to_board(0.0, 0.0, camera_mm=station.fit.pose.centre_mm, board=board)
    if not np.isfinite(far):
        raise RefusedError(
            f"{station.photo.file}: the panel's middle does not reflect the board",
            found="the reflected ray leaves the board behind",
            cure="check board.centre_mm, board.across and board.up, or where the photo was taken from",
            allowed="a board that the panel's middle mirrors into the camera",
        )
    return far


def _stripes_step_mm(placed: PlacedJob) -> float:
    """Coarse grid step: fine enough for the reflected stripes, never finer than the photo itself."""
    sheet, stations, board = placed.sheet, placed.stations, placed.board
    pitch = min(pixel_pitch(sheet.panel.extent_mm, camera=s.camera, pose=s.fit.pose) for s in stations)
    periods = []
    if placed.curved is not None:
        periods = [_bent_period_mm(placed, s) for s in stations]
        stations = ()
    for s in stations:
        near = float(np.linalg.norm(s.fit.pose.centre_mm))
        far = _distance(s, board)
        periods.append(board.period_mm * near / (near + far))
    step = FINE * max(min(periods) / CELLS_PER_STRIPE, pitch)
    return step_within(step, sheet.panel.extent_mm)


def _bent_period_mm(placed: PlacedJob, station: Station) -> float:
    """Reflected stripe period on a curved panel, mm, where it is narrow: its lower quartile; inf where none is seen."""
    assert placed.curved is not None
    board, fit = placed.board, placed.curved
    grid = make_grid(placed.sheet.panel.extent_mm, min(placed.sheet.panel.extent_mm) / 60)
    blank = np.zeros(grid.shape, np.int32)
    surface = first_surface(
        Context(
            (view_of(placed.sheet, station, ""),),
            grid,
            blank,
            fit.places_mm[:, :2],
            board,
            fit.crown,
            fit.base,
        )
    )
    hit = surface.hit(station.fit.pose, board)
    on = on_board(hit, board)
    if not on.any():
        return float("inf")
    rates = [np.hypot(*np.gradient(hit.place(way), grid.step_mm))[on] for way in ("across", "up")]
    return board.period_mm / max(float(np.nanpercentile(rate, 75)) for rate in rates)


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


def _stepped_step_mm(placed: PlacedJob) -> float:
    return stepped_grid_mm(placed.sheet.panel.extent_mm, list(placed.views))


def _is_striped(sheet: Sheet) -> bool:
    return sheet.board is None or sheet.board.pattern == "stripes"


def _is_pattern(pattern: str) -> Callable[[Sheet], bool]:
    return lambda sheet: sheet.board is not None and sheet.board.pattern == pattern


REFLECTION = "reading the reflection"

LIGHTS: tuple[LightKind, ...] = (
    LightKind("lamp", "reading the lamp's shading", lambda s: s.by_lamp, False, lamp_step_mm, take_lamp),
    LightKind("dots", REFLECTION, _is_pattern("dots"), True, _dots_step_mm, _dots),
    LightKind("sweep", "reading the reflections", is_sweep, True, _stripes_step_mm, _sweep),
    LightKind("crossed", REFLECTION, _is_pattern("crossed"), True, _stripes_step_mm, _crossed),
    LightKind("stepped", REFLECTION, _is_pattern("stepped"), True, _stepped_step_mm, _stepped),
    LightKind(
        "one way",
        REFLECTION,
        lambda s: _is_striped(s) and len(s.photos) == 1,
        True,
        _stripes_step_mm,
        _one_way,
    ),
    LightKind("stripes", REFLECTION, _is_striped, True, _stripes_step_mm, _stripes),
)
"""Every light, the more special first."""
