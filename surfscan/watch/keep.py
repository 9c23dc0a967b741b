"""What a watch has seen and done, in one file beside its results: written whole after each change, read by the page."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from surfscan.core.errors import RefusedError
from surfscan.report.output import write_file

__all__ = ["STATE", "JobKept", "PhotoKept", "WatchState", "read_state", "write_state"]

STATE = "watch.json"
_SCHEMA = 1


@dataclass(slots=True)
class PhotoKept:
    """A photo by its content: its place when it was last seen, what it told, and the job it went into ("" for none).

    `why` says why it is in no job and will be in none, until it changes.
    """

    place: str
    taken: float | None = None
    tags: dict[str, list[int]] = field(default_factory=dict)
    job: str = ""
    why: str = ""


@dataclass(slots=True)
class JobKept:
    """A job: the panel's name, the job number, its photos by content, how it stands, and where it was taken."""

    panel: str
    job_number: str
    photos: list[str]
    state: str = "waiting"  # then "done"
    outcome: str = ""
    reason: str = ""
    made: str = ""  # ISO 8601, UTC
    done: str = ""
    place: str = ""  # of photos without a sheet: the name of its template


@dataclass(slots=True)
class WatchState:
    """Photos by SHA-256, jobs by name; and what only the latest look told: files that still change, groups that lack
    photos."""

    photos: dict[str, PhotoKept] = field(default_factory=dict)
    jobs: dict[str, JobKept] = field(default_factory=dict)
    moving: list[str] = field(default_factory=list)
    lacking: list[dict[str, Any]] = field(default_factory=list)
    looked: str = ""


def read_state(out: Path) -> WatchState:
    """The state below an output folder; a new one where there is none.

    Raises
    ------
    RefusedError
        When it is damaged: what was done can be seen from the results, but not what it was made from.
    """
    path = out / STATE
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return WatchState()
    except OSError as error:
        raise RefusedError(
            f"{path} can't be read",
            found=error.strerror or str(error),
            allowed="a file that you may read",
            cure="check its rights, and that the drive is there",
        ) from None
    try:
        document = json.loads(data)
        if document["schema"] != _SCHEMA:
            raise ValueError(document["schema"])
        return WatchState(
            {sha: PhotoKept(**row) for sha, row in document["photos"].items()},
            {name: JobKept(**row) for name, row in document["jobs"].items()},
            list(document["moving"]),
            list(document["lacking"]),
            str(document["looked"]),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise RefusedError(
            f"{path} is damaged",
            found="not what surfscan watch writes",
            allowed="a state that it wrote",
            cure="take it from a copy; or move it away, and what lies in the folder is looked at anew",
        ) from None


def write_state(out: Path, state: WatchState) -> None:
    """Write the state, whole or not at all."""
    text = json.dumps({"schema": _SCHEMA, **asdict(state)}, ensure_ascii=False, indent=1)
    write_file(out / STATE, f"{text}\n".encode())
