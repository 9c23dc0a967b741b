"""A panel checked from photos alone: at a station, or with a kit.

The plain interface for programs and the page::

    result = check_photos(photos, folder, Panel("left front door", "primer"), station="bay-2")

writes an ordinary job (sheet and photos) into `folder`, checks it as any other, and says what the station has to say.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.checking.pipeline import check_job
from surfscan.checking.setup import stand_board
from surfscan.checking.survey import Laid
from surfscan.core.errors import RefusedError
from surfscan.core.message import Reason, Weight
from surfscan.core.records import CheckResult, Photo
from surfscan.job.photos import pixels_of, read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.judge.reasons import reason
from surfscan.judge.verdict import with_reasons
from surfscan.places.arrange import Arranged, Panel, arrange, write_job
from surfscan.places.stations import Station, load_station
from surfscan.places.surveying import LENS
from surfscan.reading.propagation import Inputs

__all__ = ["check_photos", "moved_frame", "parts_for", "station_job", "told_by_station"]

MOVED = 3.0
"""Standard uncertainties past which a board does not stand where it stood."""

Progress = Callable[[str, float], None]


def check_photos(
    photos: Sequence[Path],
    folder: Path,
    panel: Panel,
    *,
    station: str | None = None,
    progress: Progress | None = None,
    today: datetime.date | None = None,
) -> CheckResult:
    """Check one panel from its photos, without a sheet.

    Parameters
    ----------
    photos : sequence of path
        In any order: those of the panel and, unless a station with a frame is named, the set-up photo.
    folder : path
        Where the job is kept: a new folder.
    panel : Panel
        What was typed.
    station : str, optional
        The station's name; without one the photos must show a kit.
    progress : callable, optional
        As `check_job`.
    today : date, optional

    Returns
    -------
    CheckResult
        ``details["station"]`` says which, when it was proved, and what has moved.

    Raises
    ------
    RefusedError, NotMeasuredError, UsageError
        As `surfscan.places.arrange.arrange` and `check_job` do.
    """
    tell = progress or (lambda stage, share: None)
    tell("looking at the photos", 0.0)
    if station is None:
        write_job(arrange(photos, panel), folder)
        return check_job(folder, progress=progress)
    place = load_station(station)
    try:
        job = station_job(place, photos, panel)
        write_job(job, folder)
        sheet = load_sheet(folder)
        result = check_job(sheet, progress=progress)
    except RefusedError as error:
        raise moved_frame(place, error) from None
    moved = _moved_board(place, job, sheet) if place.frame and job.setup else []
    return told_by_station(place, result, moved, today=today)


def told_by_station(
    place: Station, result: CheckResult, moved: Sequence[Reason] = (), *, today: datetime.date | None = None
) -> CheckResult:
    """A result with what its station has to say, and with what has moved there."""
    row: dict[str, Any] = {
        "name": place.name,
        "surveyed": place.made.isoformat(),
        "frame": place.frame,
        "proved": None if place.proof is None else place.proof.date.isoformat(),
        "sentence": f"Station {place.name}: surveyed on {place.made.isoformat()}, {place.proved(today)}.",
        "moved": bool(moved) or any(r.code == "setup-contradicted" for r in result.findings),
    }
    result = replace(result, details={**result.details, "station": row})
    return with_reasons(result, list(moved)) if moved else result


def station_job(place: Station, photos: Sequence[Path], panel: Panel) -> Arranged:
    """The job that photos make at a station.

    Raises
    ------
    RefusedError, UsageError
        As `arrange` does.
    """
    looked = panel.focal_35mm is None and photos and photos[0].is_file()
    tables, files = parts_for(place, pixels_of(photos[0], photos[0].name) if looked else None)
    return arrange(photos, panel, tables=tables, files=files)


def parts_for(place: Station, pixels: int | None) -> tuple[dict[str, Any], dict[str, Path]]:
    """`Station.job_parts` for photos of so many pixels: of the survey's number, its focal length is theirs too."""
    tables, files = place.job_parts()
    if place.focal_px is None or place.u_focal_rel is None or place.size_px is None:
        return tables, files
    if pixels != place.size_px[0] * place.size_px[1]:
        return tables, files
    tables["camera"] = {"focal_px": place.focal_px}
    tables["uncertainty"] = {**tables.get("uncertainty", {}), "focal_rel": place.u_focal_rel}
    return tables, {name: path for name, path in files.items() if name != LENS}


def moved_frame(place: Station, error: RefusedError) -> RefusedError:
    """A refusal about tags, told as what it means at a station whose tags stay."""
    if not (place.frame and error.about == "tags"):
        return error
    return RefusedError(
        f"The frame of station {place.name} is not as it was surveyed on {place.made.isoformat()}",
        found=f"{error.what}; {error.found}",
        allowed="tags that lie where they lay",
        cure="put the frame back, or survey the station again:"
        f" surfscan station new {place.name} PHOTO... --frame --replace",
    )


def _moved_board(place: Station, job: Arranged, sheet: Sheet) -> list[Reason]:
    """Where a set-up photo among the job's puts the board, held against the survey."""
    assert sheet.board is not None
    photo: Photo = read_photo(job.files[job.setup], job.setup)
    given = {k: v for k, v in sheet.uncertainty.model_dump().items() if v is not None}
    inputs = Inputs(**given)
    open_sheet = sheet.model_copy(
        update={
            "board": sheet.board.model_copy(
                update={"centre_mm": None, "across": None, "up": None, "setup_photo": job.setup}
            ),
            # What the survey left open is the station's, not this photo's.
            "uncertainty": sheet.uncertainty.model_copy(
                update={"board_centre_mm": None, "board_angle_deg": None}
            ),
        }
    )
    fit, _ = stand_board(open_sheet, photo, inputs=inputs, laid=Laid(open_sheet))
    off = fit.centre_mm - np.array(sheet.board.centre_mm)
    spread = fit.covariance[3:, 3:] + inputs.board_centre_mm**2 * np.eye(3)
    size = float(np.linalg.norm(off))
    along = off / max(size, 1e-9)
    allowed = MOVED * float(np.sqrt(along @ spread @ along))
    if size <= allowed:
        return []
    return [
        reason(
            "setup-moved",
            Weight.DOUBT,
            "the board",
            station=place.name,
            date=place.made.isoformat(),
            off_mm=size,
            allowed_mm=allowed,
        )
    ]
