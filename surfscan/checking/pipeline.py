"""A job from its folder to its result: the only file that knows the order of the stages."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from surfscan.checking.context import PlacedJob, Taken
from surfscan.checking.curved import curved_details, explain_plane, on_its_surface
from surfscan.checking.film import has_video
from surfscan.checking.finish import with_finish, with_pieces
from surfscan.checking.lights import kind_of_light, lacks_scale, take
from surfscan.checking.outcome import assemble
from surfscan.checking.photos import check_sizes, read_photos
from surfscan.checking.quality import coverage_of, judge_photo
from surfscan.checking.reference import add_null, read_reference, stand_again
from surfscan.checking.setup import find_mirrored, posed_sheet, stand_board, stand_by_mirror, told
from surfscan.checking.setup_doubts import refuse_mixed, setup_reasons, setup_row
from surfscan.checking.setup_told import add_setup
from surfscan.checking.stations import stand
from surfscan.checking.survey import Laid, lay_out
from surfscan.checking.sweep_light import Gathered, gather_sweep, is_sweep
from surfscan.core.errors import RefusedError
from surfscan.core.reading import Reading
from surfscan.core.records import CheckResult, HeightMap, Photo, PhotoCheck
from surfscan.job.photo_quality import check_exposure
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.sheet_tables import PhotoSheet
from surfscan.judge.gauges import Instruments
from surfscan.judge.judgement import judge_map
from surfscan.judge.limits import Limits, default_limits, with_given
from surfscan.judge.trade import Material
from surfscan.judge.verdict import with_reasons
from surfscan.optics.board_pose import BoardFit
from surfscan.optics.mirrored_rays import MirroredTags
from surfscan.reading.budget import Budget, Inputs
from surfscan.reading.mirror_check import check_mirrored
from surfscan.reading.station import Station
from surfscan.reading.surface import ENOUGH
from surfscan.surface.form import FairForm, fit_fair_form

if TYPE_CHECKING:
    from surfscan.change.against import Against

__all__ = ["check_job", "read_job"]

Progress = Callable[[str, float], None]


def check_job(
    job: Path | str | Sheet, *, progress: Progress | None = None, against: Against | None = None
) -> CheckResult:
    """Check one panel: sheet and photos to verdict.

    Parameters
    ----------
    job : path or Sheet
        The job folder, or its sheet as read.
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.
    against : Against, optional
        Another measured panel as the fair form (`surfscan.change.against.against_result`).

    Returns
    -------
    CheckResult

    Raises
    ------
    RefusedError
        The sheet or a photo can't be used.
    NotMeasuredError
        The photos can be read, but no stripes on the panel.
    """
    clock = _Clock(time.perf_counter(), datetime.now(UTC))
    tell = progress or (lambda stage, share: None)
    tell("reading the sheet", 0.0)
    sheet = job if isinstance(job, Sheet) else load_sheet(job)
    limits = with_given(default_limits(sheet.panel.stage), sheet.limits.model_dump())
    tell("reading the photos", 0.05)
    why = lacks_scale(sheet)
    gathered = None
    if is_sweep(sheet) and (not why or has_video(sheet)):
        from surfscan.checking.film_frames import film_photos  # late: most checks are of photos

        sheet, stills = film_photos(sheet, lambda words, share: tell(words, 0.05 + 0.15 * share), why=why)
        laid = on_its_surface(lay_out(sheet, stills=stills), sheet, sweep=True)
        try:
            gathered = gather_sweep(laid.sheet, laid=laid, stills=stills)
        except RefusedError as error:
            raise explain_plane(sheet, error, stills) from None
        laid, photos = replace(laid, sheet=gathered.sheet), [station.photo for station in gathered.stations]
    else:
        photos = read_photos(sheet)
        check_sizes(photos)
        for photo in photos:
            check_exposure(photo)
        laid = lay_out(sheet, photos)
        if not why:
            laid = on_its_surface(laid, sheet, sweep=False)
    check_sizes(photos)
    if why:
        return _look(laid.sheet, photos, why, limits, clock, tell, against=against is not None)
    placed, setup = _set_up(laid, photos, tell, gathered)
    taken = _take(placed, tell)
    placed = taken.placed or placed
    quality = [
        judge_photo(
            station,
            taken.reading.quality[min(k, len(taken.reading.quality) - 1)],
            taken.region,
            part=gathered is not None,
        )
        for k, station in enumerate(placed.stations)
    ]
    result, reading, budget = _judge(placed, taken, quality, limits, clock, tell, against=against)
    result = replace(result, details={**result.details, **laid.details(), **curved_details(laid)})
    return _with_setup(result, placed, setup, reading, budget)


def read_job(sheet: Sheet) -> tuple[PlacedJob, Taken]:
    """What the photos of a job say, not judged.

    Parameters
    ----------
    sheet : Sheet
        With a scale, and no sweep.

    Returns
    -------
    PlacedJob, Taken

    Raises
    ------
    RefusedError, NotMeasuredError
        As `check_job` does.
    """
    why = lacks_scale(sheet)
    if why:
        raise RefusedError(
            "The job has no scale",
            found=why,
            allowed="tags or corners_px, and where the board stands",
            cure="add them to the sheet",
        )
    photos = read_photos(sheet)
    check_sizes(photos)
    for photo in photos:
        check_exposure(photo)
    placed, _ = _set_up(lay_out(sheet, photos), photos, lambda stage, share: None, None)
    return placed, take(placed)


def _take(placed: PlacedJob, tell: Progress) -> Taken:
    light = kind_of_light(placed.sheet).words
    tell(light, 0.35)
    return take(placed, progress=lambda share: tell(light, 0.35 + 0.4 * share))


@dataclass(frozen=True, slots=True)
class _Clock:
    """When a run began: ``time.perf_counter()``, and the date."""

    began: float
    started: datetime


def _look(
    sheet: Sheet,
    photos: list[Photo],
    why: str,
    limits: Limits,
    clock: _Clock,
    tell: Progress,
    *,
    against: bool,
) -> CheckResult:
    """The look at photos that have no scale."""
    if against:
        raise RefusedError(
            "This job can't be held against another panel: it has no scale",
            found=why,
            allowed="tags or corners_px, and where the board stands",
            cure="add them to the sheet, or leave --against out",
        )
    from surfscan.checking.relative import look_job  # loaded when used, as what few jobs need is

    tell("looking without a scale", 0.25)
    return look_job(
        sheet,
        photos,
        why=why,
        limits=limits,
        started=clock.started,
        began=clock.began,
        progress=lambda share: tell("looking without a scale", 0.25 + 0.7 * share),
    )


def _set_up(
    laid: Laid, photos: list[Photo], tell: Progress, gathered: Gathered | None
) -> tuple[PlacedJob, Station | None]:
    """Where everything stands: by the tags, a set-up photo or a mirror, a reference; and the set-up photo's station."""
    tell("finding the tags", 0.25)
    sheet = laid.sheet
    stations = _stand_all(sheet, photos, laid) if gathered is None else list(gathered.stations)
    seen, stations = stations, laid.stations(stations)
    inputs = laid.inputs(_inputs(sheet, stations))
    board_fit, setup = None, None
    if sheet.board is not None and sheet.board.setup_photo is not None:
        tell("finding the board", 0.3)
        board_fit, setup = _stand(laid, [] if gathered else photos, inputs)
    mirrored: tuple[MirroredTags, ...] = ()
    if sheet.board is not None and sheet.board.by_mirror and not sheet.by_lamp:
        tell("finding the board in the panel's mirror", 0.3)
        mirrored = tuple(find_mirrored(sheet, seen)) if gathered is None else gathered.mirrored
        board_fit = stand_by_mirror(laid, mirrored, inputs)
    if board_fit is not None:
        sheet, inputs = posed_sheet(sheet, board_fit), told(board_fit, inputs)
    null = None
    if any(row.reference is not None for row in sheet.photos):
        tell("reading the reference", 0.3)
        null = read_reference(sheet, _stand_references(sheet, photos), inputs=inputs, board_fit=board_fit)
        stations = stand_again(sheet, stations, null)
    placed = PlacedJob(sheet, tuple(stations), inputs, board_fit, null, mirrored=mirrored, curved=laid.curved)
    if gathered is not None:
        placed = replace(placed, left_out=gathered.left_out, stills=gathered.stills)
    return placed, setup


def _judge(
    placed: PlacedJob,
    taken: Taken,
    quality: list[list[PhotoCheck]],
    limits: Limits,
    clock: _Clock,
    tell: Progress,
    *,
    against: Against | None,
) -> tuple[CheckResult, Reading, Budget]:
    """From a reading to its result: fair form, uncertainty, judgement; and the reading as it was judged."""
    sheet, reading, grid = placed.sheet, taken.reading, taken.grid
    fit: dict[str, Any] = {
        "floor_mm": max(taken.least_floor_mm, min(taken.floor_mm, 0.25 * min(limits.low_mm, limits.high_mm))),
        "grow_px": max(2, round(taken.grow_mm / grid.step_mm)),
    }
    held = None
    if against is not None and np.isfinite(reading.height_mm).sum() >= ENOUGH:
        from surfscan.change.against import hold_against

        tell("holding it against the other panel", 0.76)
        held = hold_against(reading, against, **fit)
        reading = held.reading
    coverage = coverage_of(reading, taken.region, quality)
    tell("finding the fair form", 0.78)
    fair = held.fair if held else _fair_form(taken, fit)
    tell("working out the uncertainty", 0.82)
    budget = taken.budget(fair)
    refuse_mixed(budget.pair)
    height = _height_map(reading, fair, budget)
    tell("judging", 0.88)
    judgement = judge_map(
        height,
        limits=limits,
        stage=sheet.panel.stage,
        material=Material(sheet.panel.substrate, sheet.panel.film_mm),
        coverage=coverage,
        period_mm=taken.detail_mm,
        u_slope_mrad=budget.u_slope_mrad,
        instruments=Instruments(**sheet.measure.model_dump()),
        spot_flags=taken.spot_flags,
    )
    judgement = with_finish(judgement, placed, taken, height, limits)
    told = (*judgement.evidence.doubts, *taken.doubts)
    judgement = replace(judgement, evidence=replace(judgement.evidence, doubts=told))
    result = assemble(
        sheet,
        list(placed.stations),
        quality,
        reading,
        height,
        judgement,
        limits=limits,
        budget=budget,
        inputs=placed.inputs,
        started=clock.started,
        began=clock.began,
    )
    result = with_pieces(result, taken)
    if held is not None:
        from surfscan.change.against import add_against

        result = add_against(result, held)
    if placed.null is not None:
        result = add_null(result, placed.null)
    return replace(result, details={**result.details, **taken.details}), reading, budget


def _fair_form(taken: Taken, fit: dict[str, Any]) -> FairForm:
    return fit_fair_form(
        taken.reading.height_mm,
        x_mm=taken.grid.x_mm,
        y_mm=taken.grid.y_mm,
        bends_mm=taken.bends_mm,
        bend_shape=taken.bend_shape,
        **fit,
    )


def _height_map(reading: Reading, fair: FairForm, budget: Budget) -> HeightMap:
    """The deviation from the fair form, what the set-up is found to have added taken off."""
    return HeightMap(
        reading.grid,
        reading.height_mm - fair.form_mm - budget.correction_mm,
        fair.form_mm + budget.correction_mm,
        np.where(np.isfinite(reading.height_mm), budget.sigma_mm, np.nan),
        reading.flags,
        fair.name,
    )


def _stand_all(sheet: Sheet, photos: list[Photo], laid: Laid | None = None) -> list[Station]:
    known = laid or Laid(sheet)

    def place(photo: Photo, row: PhotoSheet) -> Station:
        found, camera = known.tags.get(photo.file), known.cameras.get(photo.file)
        return stand(sheet, photo, row, tags=found, camera=camera)

    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(place, photos, sheet.photos))


def _stand_references(sheet: Sheet, photos: list[Photo]) -> list[Station]:
    """The stations of the reference photos, each from its own tags."""
    glass = read_photos(sheet, references=True)
    check_sizes([photos[0], *glass])
    for photo in glass:
        check_exposure(photo)
    return _stand_all(sheet, glass)


def _stand(laid: Laid, photos: list[Photo], inputs: Inputs) -> tuple[BoardFit, Station]:
    """The board by its set-up photo."""
    sheet = laid.sheet
    assert sheet.board is not None
    name = str(sheet.board.setup_photo)
    photo = next((photo for photo in photos if photo.file == name), laid.setup)
    if photo is None:
        photo = read_photo(sheet.folder / name, name)
    if sheet.camera.focal_px is not None and photos:
        check_sizes([photos[0], photo])
    check_exposure(photo)
    return stand_board(sheet, photo, inputs=inputs, laid=laid)


def _with_setup(
    result: CheckResult, placed: PlacedJob, setup: Station | None, reading: Reading, budget: Budget
) -> CheckResult:
    """The result with what the board's tags said about its place."""
    board = placed.sheet.board
    mirror = None
    if board is not None and board.tags is not None:
        mirror = check_mirrored(
            list(placed.mirrored)
            or find_mirrored(
                placed.sheet, [*placed.stations] if setup is None else [*placed.stations, setup]
            ),
            reading,
            board=placed.board,
            centres_mm=board.tags.centres_mm,
            inputs=placed.inputs,
            board_fit=placed.board_fit,
        )
        result = add_setup(result, placed.board_fit, mirror, photo=None if setup is None else setup.photo)
    row = setup_row(budget)
    if row:
        result = replace(result, details={**result.details, "setup_check": row})
    more = setup_reasons(placed, budget, cross_checked=mirror is not None)
    return with_reasons(result, more) if more else result


def _inputs(sheet: Sheet, stations: list[Station]) -> Inputs:
    """Uncertainties of the set-up: the sheet's, else the defaults, the focal length's by where it comes from."""
    given = {k: v for k, v in sheet.uncertainty.model_dump().items() if v is not None}
    return Inputs(**{"focal_rel": max(s.camera.u_focal_rel for s in stations), **given})
