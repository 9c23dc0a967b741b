"""`job.json` in a result folder: it is there only with everything else, and says which job the result is of.

It is taken away before anything beside it changes and written after all of it, so a program killed at any moment
leaves either a finished job or one that will be done again.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from surfscan.fleet.bundles import JOB_KEPT
from surfscan.fleet.places import find_below, read_each
from surfscan.fleet.rows import JOB_COLUMNS, OUTCOMES, Row
from surfscan.report.output import FAULTS_FILE, OUTPUT_FILES, sweep, write_file

__all__ = ["MARK", "OWN", "SMALL", "Mark", "clear", "read_mark", "read_marks", "write_mark"]

MARK = "job.json"
SMALL = "small.jpg"
"""The small picture for an index."""
OWN = (*OUTPUT_FILES, FAULTS_FILE, SMALL)
"""Files of a result folder besides its mark."""
_SCHEMA = 1
_NEEDED = {column.name for column in JOB_COLUMNS}


@dataclass(frozen=True, slots=True)
class Mark:
    """A finished job: its row, its spots' rows, and whether its result has heights, so that a record takes it."""

    row: Row
    spots: Sequence[Row] = ()
    heights: bool = False


def write_mark(folder: Path, mark: Mark) -> None:
    """Finish a result folder (RefusedError when it can't be written)."""
    document = {"schema": _SCHEMA, "heights": mark.heights, "job": mark.row, "spots": list(mark.spots)}
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    write_file(folder / MARK, f"{text}\n".encode(), make_folder=True)


def clear(folder: Path, *, results: bool = False) -> None:
    """Make a result folder unfinished, and take away what a killed run left; with `results`, its results too."""
    sweep(folder, older_s=0.0)  # nobody else writes here: a batch holds its output folder
    for name in (MARK, *(OWN if results else ())):
        with suppress(FileNotFoundError):
            (folder / name).unlink()
    if results:
        shutil.rmtree(folder / JOB_KEPT, ignore_errors=True)


def read_mark(out: str, name: str) -> Mark | None:
    """The mark of a job below an output place; None when it is not finished, or its mark is damaged."""
    (data,) = read_each(out, [f"{name}/{MARK}"])
    return None if data is None else _parse(data)


def read_marks(out: str) -> Iterator[Mark]:
    """Every finished job below an output place, in the order of their names; one after the other."""
    for data in read_each(out, find_below(out, MARK)):
        mark = None if data is None else _parse(data)
        if mark is not None:
            yield mark


def _parse(data: bytes) -> Mark | None:
    try:
        document: Any = json.loads(data)
        row, spots = document["job"], document["spots"]
        good = document["schema"] == _SCHEMA and row["outcome"] in OUTCOMES and set(row) >= _NEEDED
        return Mark(row, spots, bool(document["heights"])) if good and isinstance(spots, list) else None
    except (ValueError, KeyError, TypeError):
        return None
