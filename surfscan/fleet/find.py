"""Jobs below folders, and what their results are called."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from surfscan.core.errors import RefusedError, UsageError
from surfscan.fleet.bundles import Packed, job_number_in, panel_in
from surfscan.fleet.identity import SHEET
from surfscan.fleet.places import base_name, is_address, remote_folders
from surfscan.job.file_kinds import is_photo

__all__ = ["Found", "Job", "find_all", "find_jobs"]

_RESULTS = frozenset({"result.json", "job.json"})
"""What is in a folder with pictures of ours, which are no photos of a panel."""


@dataclass(frozen=True, slots=True)
class Job:
    """A job to do.

    Attributes
    ----------
    name : str
        Its result folder below the output folder, with ``/`` between the parts.
    source : str
        The job folder: a path, or an address of fsspec.
    packed : Packed or None
        Where its photos were taken, when it is a folder of photos without a sheet.
    panel, job_number : str
        What such a folder is named: the panel, and a folder of digits on the way.
    """

    name: str
    source: str
    packed: Packed | None = None
    panel: str = ""
    job_number: str = ""


@dataclass(frozen=True, slots=True)
class Found:
    """What lies below folders: jobs by their names, and folders of photos that are no jobs for want of a station."""

    jobs: list[Job]
    bare: list[str]


@dataclass(frozen=True, slots=True)
class _Below:
    """A folder that is or could be a job: the folder given, the place below it, where it is, whether it has a sheet."""

    top: str
    place: str
    source: str
    sheet: bool


def find_jobs(folders: Sequence[str | Path], *, leave_out: str | Path | None = None) -> list[Job]:
    """`find_all` for jobs with sheets alone."""
    return find_all(folders, leave_out=leave_out).jobs


def find_all(
    folders: Sequence[str | Path], *, leave_out: str | Path | None = None, packed: Packed | None = None
) -> Found:
    """Every folder with a `panel.toml`, or with photos, at the folders and below them, in the order of their names.

    Parameters
    ----------
    folders : sequence of path or address
        Hidden folders in them are passed by.
    leave_out : path, optional
        Nothing below this folder is a job: the output.
    packed : Packed, optional
        The station, or the kits, of folders that hold photos and no sheet. Such folders in a job or in a result are
        none.

    Returns
    -------
    Found
        Jobs named as their folder below the one given; with the name of that one before it where two would be called
        the same. A folder that is a job itself has its own name.

    Raises
    ------
    RefusedError
        When a folder is not there, or two jobs still have one name.
    """
    if not folders:
        raise UsageError(
            "No folder was given", found="none", allowed="one or more", cure="name a folder of jobs"
        )
    below: list[_Below] = []
    for folder in dict.fromkeys(str(one) for one in folders):
        if is_address(folder):
            listed: Iterable[tuple[str, str, Sequence[str]]] = remote_folders(folder)
        else:
            listed = _local_folders(Path(folder), None if leave_out is None else Path(leave_out))
        below += _likely(base_name(folder), listed)
    wanted = [one for one in below if one.sheet or packed is not None]
    plain = Counter(one.place or one.top for one in wanted)
    jobs = []
    for one in wanted:
        name = one.place or one.top
        if one.place and plain[one.place] > 1:
            name = f"{one.top}/{one.place}"
        whole = f"{one.top}/{one.place}".rstrip("/")
        jobs.append(
            Job(name, one.source)
            if one.sheet
            else Job(name, one.source, packed, panel_in(whole), job_number_in(whole))
        )
    _see_names(jobs)
    _see_apart(jobs, leave_out)
    bare = [one.source for one in below if not one.sheet] if packed is None else []
    return Found(sorted(jobs, key=lambda job: job.name), bare)


def _see_names(jobs: Sequence[Job]) -> None:
    twice = next((name for name, count in Counter(job.name for job in jobs).items() if count > 1), None)
    if twice is not None:
        both = [job.source for job in jobs if job.name == twice][:2]
        raise RefusedError(
            f"Two jobs would have one result folder, {twice}",
            found=" and ".join(both),
            allowed="one job for each name",
            cure="run them one after the other, each into an output folder of its own",
        )


def _see_apart(jobs: Sequence[Job], out: str | Path | None) -> None:
    """Pictures of a result among a bundle's photos would be taken for photos."""
    for job in jobs:
        if job.packed is not None and out is not None and not (is_address(out) or is_address(job.source)):
            place = (Path(out) / job.name).resolve()
            if place == Path(job.source).resolve():
                raise UsageError(
                    "Results can't go in among photos",
                    found=f"{place} for both",
                    allowed="a folder of its own for results",
                    cure="choose another --out",
                )


def _likely(top: str, folders: Iterable[tuple[str, str, Sequence[str]]]) -> Iterator[_Below]:
    """Folders with a sheet or photos, of those listed with their files, each after the one that it is in."""
    shut: set[str] = set()  # places of jobs and results: pictures in them and below are theirs
    for place, source, files in folders:
        inside = any(up in shut for up in _ups(place))
        if SHEET in files or not _RESULTS.isdisjoint(files):
            shut.add(place)
        if SHEET in files:
            yield _Below(top, place, source, True)
        elif not inside and place not in shut and any(map(is_photo, files)):
            yield _Below(top, place, source, False)


def _ups(place: str) -> Iterator[str]:
    """The places that a place is in: "a/b/c" is in "a/b", "a" and ""."""
    while place:
        place = place.rpartition("/")[0]
        yield place


def _local_folders(folder: Path, leave_out: Path | None) -> Iterator[tuple[str, str, Sequence[str]]]:
    """Place below the folder, "" for itself, path, and files of every folder; linked ones too, each real one once."""
    if not folder.is_dir():
        raise RefusedError(
            f"The folder {folder} is not there",
            found="a file" if folder.exists() else "nothing",
            allowed="a folder with job folders in it",
            cure="check the path",
        )
    left = None if leave_out is None else leave_out.resolve()
    seen = set()
    for here, inner, files in os.walk(folder, followlinks=True):
        real = Path(here).resolve()
        if real in seen or (real == left and here != str(folder)):
            inner.clear()
            continue
        seen.add(real)
        inner[:] = sorted(name for name in inner if not name.startswith("."))
        place = Path(here).relative_to(folder).as_posix()
        yield "" if place == "." else place, os.path.abspath(here), files  # a worker may stand elsewhere
