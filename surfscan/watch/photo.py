"""What one arrived photo tells: when it was taken, and which tags are seen. Called in a process of its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from surfscan.job.photos import read_photo
from surfscan.job.tags import find_tags
from surfscan.look.job_check import seen_ways

__all__ = ["photo_told", "ways_told"]


def photo_told(
    path: str, name: str, dictionaries: Sequence[str], *, progress: Callable[..., Any]
) -> dict[str, Any]:
    """Read a photo.

    Returns
    -------
    dict
        "taken": seconds of its EXIF time on the clock that the camera shows, None without one; "tags": list of ids by
        dictionary.

    Raises
    ------
    RefusedError
        When it is no whole photo.
    """
    photo = read_photo(path, name)
    tags = {one: sorted({tag.id for tag in find_tags(photo, dictionary=one)}) for one in dictionaries}
    return {"taken": _seconds(photo.taken), "tags": tags}


def _seconds(taken: str) -> float | None:
    """EXIF's time as seconds of a clock without a zone: only differences count."""
    if not taken:
        return None
    return datetime.strptime(taken[:19], "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC).timestamp()


def ways_told(folder: str, *, progress: Callable[..., Any]) -> list[str] | None:
    """Which way the stripes run in each photo of a job folder of two, as they are seen; None where it can't be told."""
    return seen_ways(Path(folder))
