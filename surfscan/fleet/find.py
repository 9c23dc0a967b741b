"""Jobs below folders, and what their results are called."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from surfscan.core.errors import RefusedError, UsageError
from surfscan.fleet.identity import SHEET
from surfscan.fleet.places import base_name, is_address, remote_jobs

__all__ = ["Job", "find_jobs"]


@dataclass(frozen=True, slots=True)
class Job:
    """A job to do.

    Attributes
    ----------
    name : str
        Its result folder below the output folder, with ``/`` between the parts.
    source : str
        The job folder: a path, or an address of fsspec.
    station : str
        The file of the station that its photos were taken at; "" for none.
    """

    name: str
    source: str
    station: str = ""


def find_jobs(folders: Sequence[str | Path], *, leave_out: str | Path | None = None) -> list[Job]:
    """Every folder with a `panel.toml`, at the folders and below them, in the order of their names.

    Parameters
    ----------
    folders : sequence of path or address
        Hidden folders in them are passed by.
    leave_out : path, optional
        Nothing below this folder is a job: the output.

    Returns
    -------
    list of Job
        Named as their folder below the one given; with the name of that one before it where two would be called the
        same. A folder that is a job itself has its own name.

    Raises
    ------
    RefusedError
        When a folder is not there, or two jobs still have one name.
    """
    if not folders:
        raise UsageError(
            "No folder was given", found="none", allowed="one or more", cure="name a folder of jobs"
        )
    found: list[tuple[str, str, str]] = []  # the folder given, the place below it, the job folder
    for folder in dict.fromkeys(str(one) for one in folders):
        if is_address(folder):
            below = remote_jobs(folder)
        else:
            below = list(_local_jobs(Path(folder), None if leave_out is None else Path(leave_out)))
        found += [(base_name(folder), place, source) for place, source in below]
    plain = Counter(place or base for base, place, _ in found)
    jobs = [
        Job(f"{base}/{place}" if place and plain[place] > 1 else place or base, source)
        for base, place, source in found
    ]
    twice = next((name for name, count in Counter(job.name for job in jobs).items() if count > 1), None)
    if twice is not None:
        both = [job.source for job in jobs if job.name == twice][:2]
        raise RefusedError(
            f"Two jobs would have one result folder, {twice}",
            found=" and ".join(both),
            allowed="one job for each name",
            cure="run them one after the other, each into an output folder of its own",
        )
    return sorted(jobs, key=lambda job: job.name)


def _local_jobs(folder: Path, leave_out: Path | None) -> Iterator[tuple[str, str]]:
    """Place below the folder, "" for itself, and path, of every job; linked folders too, each real one once."""
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
        if SHEET in files:
            place = Path(here).relative_to(folder).as_posix()
            yield "" if place == "." else place, os.path.abspath(here)  # a worker may stand elsewhere
