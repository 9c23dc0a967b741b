"""A car's panels brought together: from `car.toml`, from the jobs below a folder, or from a record by job number."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from surfscan.car.places import place_named
from surfscan.car.sheet import CAR_SHEET, load_car_sheet
from surfscan.car.summary import Car, CarPanel, make_car, slug_of
from surfscan.core.errors import RefusedError, SurfscanError
from surfscan.fleet.find import Job
from surfscan.fleet.one import Orders
from surfscan.fleet.pool import Pool, cores
from surfscan.report.export import write_png
from surfscan.report.figures import draw_map
from surfscan.report.output import prepare_output, write_files
from surfscan.results.record import Record
from surfscan.results.stored import StoredResult, load_result

__all__ = ["Gathered", "gather_car", "gather_recorded_car", "job_numbers", "keep_recorded"]

_DEEPEST = 4  # folders between a car's and a job's
_MOST = 60
_PANELS = "panels"

Progress = Callable[[str, float], None]


class Gathered(NamedTuple):
    """A car, and where each panel's result lies, by the panel's slug."""

    car: Car
    sources: dict[str, Path]


class _Entry(NamedTuple):
    place: str
    name: str
    job: Path | None
    result: Path | None


def gather_car(
    folder: Path, out: Path, *, record: str | None = None, progress: Progress | None = None
) -> Gathered:
    """Check what is new or changed, on all cores, and read every panel's result.

    Parameters
    ----------
    folder : Path
        It holds `car.toml`; or jobs and results in folders below it, whose places their names tell.
    out : Path
        Where results of jobs go, below ``panels/``.
    record : str, optional
        A record that results of jobs are added to, under the car's job number.
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.

    Returns
    -------
    Gathered
        A panel that was refused is in it without a result, with the reason.

    Raises
    ------
    RefusedError
        When the folder holds no car, or the results can't be written.
    """
    name, number, entries = _entries(folder, out)
    slugs: list[str] = []
    for entry in entries:
        slugs.append(slug_of(entry.place or entry.name, slugs))
    jobs = {f"{_PANELS}/{slug}": e.job for slug, e in zip(slugs, entries, strict=True) if e.job is not None}
    refused = _check(jobs, Orders(str(out), record=record, job_number=number), progress)
    panels: list[CarPanel] = []
    sources: dict[str, Path] = {}
    for slug, entry in zip(slugs, entries, strict=True):
        source = entry.result if entry.job is None else out / _PANELS / slug
        why = "not checked yet" if source is None else refused.get(f"{_PANELS}/{slug}", "")
        result = None
        if source is not None and not why:
            try:
                result = load_result(source)
            except SurfscanError as error:
                why = str(error)
        if result is None or source is None:
            panels.append(CarPanel(entry.place, entry.name, slug, None, why.rstrip(".")))
        else:
            panels.append(_panel(entry.place, slug, result))
            sources[slug] = source
    return Gathered(make_car(panels, name=name, job_number=number), sources)


def _check(jobs: dict[str, Path], orders: Orders, progress: Progress | None) -> dict[str, str]:
    """Check jobs by the name of their result folder; why there is no result, for those that have none."""
    if not jobs:
        return {}
    refused = {}
    with Pool(orders, workers=min(len(jobs), cores())) as pool:
        for k, done in enumerate(pool.run([Job(name, str(source)) for name, source in jobs.items()]), 1):
            if progress is not None:
                progress(f"{k} of {len(jobs)} panels checked", k / len(jobs))
            name = str(done.row["job"])
            if not (Path(orders.out) / name / "result.json").is_file():
                refused[name] = str(done.row["reason"])
    return refused


def _entries(folder: Path, out: Path) -> tuple[str, str, list[_Entry]]:
    """The car's name, its job number, and its panels."""
    if (folder / CAR_SHEET).is_file() or not folder.is_dir():
        sheet = load_car_sheet(folder)
        entries = [
            _Entry(
                panel.place, "", None if panel.job is None else folder / panel.job,
                None if panel.result is None else folder / panel.result,
            )
            for panel in sheet.panels
        ]  # fmt: skip
        return sheet.car.name, sheet.car.job_number, entries
    found = _below(folder, out)
    if not found:
        raise RefusedError(
            f"{folder} holds no car",
            found=f"no {CAR_SHEET}, and no job and no result below it",
            allowed=f"a folder with {CAR_SHEET}, or with folders that hold panel.toml or result.json",
            cure=f"write {CAR_SHEET}, one [[panel]] with place and job for each panel",
        )
    if len(found) > _MOST:
        raise RefusedError(
            f"{folder} holds more panels than a car has",
            found=str(len(found)),
            allowed=f"up to {_MOST}",
            cure="give the folder of one car; surfscan batch checks many",
        )
    return folder.name, "", found


def _below(folder: Path, out: Path) -> list[_Entry]:
    """Jobs and results in folders below, in the order of their names; what is in `out` is not looked at."""
    found: list[_Entry] = []
    for path in sorted(folder.rglob("*")):
        depth = len(path.relative_to(folder).parts)
        if not path.is_dir() or depth > _DEEPEST or path.resolve().is_relative_to(out.resolve()):
            continue
        name = path.name.replace("-", " ").replace("_", " ")
        place = place_named(name) or ""
        if (path / "panel.toml").is_file():
            found.append(_Entry(place, name, path, None))
        elif (path / "result.json").is_file():
            found.append(_Entry(place, name, None, path))
    return found


def _panel(place: str, slug: str, result: StoredResult) -> CarPanel:
    name = str(result.panel.get("name") or "")
    return CarPanel(place or place_named(name) or "", name, slug, result)


def gather_recorded_car(record: Record, job_number: str) -> tuple[Car, dict[str, int]]:
    """A car from a record: the latest pass of each panel with one job number.

    Parameters
    ----------
    record : Record
    job_number : str

    Returns
    -------
    Car, and dict of slug to the pass's number

    Raises
    ------
    RefusedError
        When the record has no pass of that number.
    """
    latest = {row.panel: row.id for row in record.history(job=job_number)}
    if not latest:
        raise RefusedError(
            f"The record has no pass of job {job_number}",
            found="none",
            allowed="a job number that surfscan history lists",
            cure="check its panels with --record and --job-number",
        )
    panels: list[CarPanel] = []
    numbers: dict[str, int] = {}
    for name, number in latest.items():
        slug = slug_of(place_named(name) or name, [p.slug for p in panels])
        try:
            panels.append(_panel("", slug, record.get(number)))
        except RefusedError as error:
            panels.append(CarPanel(place_named(name) or "", name, slug, None, str(error).rstrip(".")))
            continue
        numbers[slug] = number
    return make_car(panels, job_number=job_number), numbers


def keep_recorded(record: Record, car: Car, numbers: dict[str, int], out: Path) -> dict[str, Path]:
    """Write the passes of a recorded car below ``panels/``, each with its map drawn; return where each lies."""
    sources = {}
    for panel in car.panels:
        if panel.result is None:
            continue
        target = out / _PANELS / panel.slug
        prepare_output(target)
        write_files(target, record.files(numbers[panel.slug]))
        result = panel.result
        drawn = draw_map(
            result.height, result.spots, limits=result.limits, verdict=result.verdict, sentence=""
        )
        write_png(target / "map.png", drawn)
        sources[panel.slug] = target
    return sources


def job_numbers(record: Record) -> Sequence[tuple[str, int]]:
    """The job numbers of a record that have more than none, the latest first, with how many panels each has."""
    found: dict[str, set[str]] = {}
    for row in record.history():
        if row.job:
            panels = found.pop(row.job, set())
            found[row.job] = panels | {row.panel}  # put back at the end: its latest pass counts
    return [(number, len(panels)) for number, panels in reversed(found.items())]
