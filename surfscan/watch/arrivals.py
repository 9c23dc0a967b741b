"""Files in a watched folder: those that have come to rest, each by its content. Looked at again and again, as network
drives and phones' sync folders tell nobody when a file is whole."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from surfscan.job.file_kinds import is_photo

__all__ = ["Arrivals", "Resting"]


@dataclass(frozen=True, slots=True)
class Resting:
    """A file that has not changed for a while: its path, place below the folder, SHA-256, and when it was changed."""

    path: Path
    place: str
    sha256: str
    changed_s: float


class Arrivals:
    """The photos below a folder.

    Parameters
    ----------
    folder : Path
    leave_out : Path
        Nothing in it is looked at: our own output.
    settle_s : float
        A file that was not changed for so long is at rest.
    clock : callable, optional
        Seconds, rising.
    """

    def __init__(
        self, folder: Path, *, leave_out: Path, settle_s: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._folder, self._out = folder, leave_out.resolve()
        self._settle_s, self._clock = settle_s, clock
        self._seen: dict[str, tuple[tuple[int, int], float]] = {}  # size and time of change, since when
        self._hashed: dict[str, tuple[tuple[int, int], str]] = {}

    def look(self) -> tuple[list[Resting], list[str]]:
        """The photos at rest, and the places of those that still change.

        A file that was renamed is another place with the same SHA-256; one that went away is in neither list.
        """
        now = self._clock()
        resting: list[Resting] = []
        moving: list[str] = []
        there: set[str] = set()
        for path in self._files(self._folder):
            place = path.relative_to(self._folder).as_posix()
            try:
                status = path.stat()
            except OSError:  # it went away since the folder was listed
                continue
            there.add(place)
            state = (status.st_size, status.st_mtime_ns)
            before = self._seen.get(place)
            if before is None or before[0] != state:
                self._seen[place] = before = (state, now)
            if status.st_size == 0 or now - before[1] < self._settle_s:
                moving.append(place)
                continue
            with suppress(OSError):
                resting.append(Resting(path, place, self._digest(path, place, state), status.st_mtime))
        for kept in (self._seen, self._hashed):
            for place in kept.keys() - there:
                del kept[place]
        return resting, moving

    def _digest(self, path: Path, place: str, state: tuple[int, int]) -> str:
        known = self._hashed.get(place)
        if known is not None and known[0] == state:
            return known[1]
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        self._hashed[place] = (state, digest)
        return digest

    def _files(self, folder: Path) -> Iterator[Path]:
        """Photos in the order of their names; hidden ones and our own are passed by, and folders that are jobs."""
        try:
            with os.scandir(folder) as entries:
                found = sorted(entries, key=lambda entry: entry.name)
        except OSError:
            return
        if any(entry.name == "panel.toml" for entry in found):
            return  # a whole job: surfscan batch is for those
        for entry in found:
            if entry.name.startswith("."):
                continue
            path = Path(entry.path)
            if entry.is_dir():
                if path.resolve() != self._out:
                    yield from self._files(path)
            elif is_photo(entry.name):
                yield path
