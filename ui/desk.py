"""Checks run in the background, two at a time, found again by the bytes they were made from. No session here."""

from __future__ import annotations

import hashlib
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import surfscan
from surfscan.fleet.apart import CHECK, Keeper

__all__ = ["FOLDER", "Desk", "PhotoFile", "Work", "digest_of", "no_room", "without_folder"]

FOLDER = "surfscan-page-"
"""How our temporary folders' names begin."""


@dataclass(frozen=True)
class PhotoFile:
    """One photo as uploaded. `file` is our name, `shown` the client's, for eyes only."""

    file: str
    shown: str
    sha256: str
    data: bytes = field(repr=False)


def digest_of(*parts: bytes | str) -> str:
    """SHA-256 over parts, each with its length, so that no two lists of parts run together."""
    total = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        total.update(len(data).to_bytes(8, "big") + data)
    return total.hexdigest()


def without_folder(call: Callable[[], Any], folder: str) -> Any:
    """Call, and keep our own folder's name out of what is said."""
    try:
        return call()
    except surfscan.SurfscanError as error:
        parts = {
            k: getattr(error, k).replace(folder, "the job") for k in ("what", "found", "allowed", "cure")
        }
        raise type(error)(parts.pop("what"), **parts) from None


def no_room(error: OSError) -> surfscan.RefusedError:
    """What to say when the computer that serves the page can't write for a moment."""
    return surfscan.RefusedError(
        "The computer that serves this page can't keep the photos while they are read",
        found=error.strerror or str(error),
        allowed="room in its folder for temporary files, for a job's photos",
        cure="free some room there, then try again; nothing you brought is lost",
    )


@dataclass
class Work:
    """One check, running or done. Written by its thread alone. `files` are those of a result that was brought."""

    digest: str
    stage: str = "waiting for its turn"
    share: float = 0.0
    result: surfscan.CheckResult | None = None
    error: surfscan.SurfscanError | None = None
    fault: str = ""
    started: float = field(default_factory=time.monotonic)
    files: dict[str, bytes] | None = field(default=None, repr=False)

    @property
    def done(self) -> bool:
        """Whether there is nothing more to wait for."""
        return self.result is not None or self.error is not None or bool(self.fault)


class Desk:
    """Runs checks, two at a time, and keeps the last few: the same job asked twice is computed once."""

    def __init__(self, *, at_once: int = 2, keep: int = 8) -> None:
        # A process each: a check's threads and the page's would hold each other up in one.
        self._keeper = Keeper()
        self._pool = ThreadPoolExecutor(at_once, thread_name_prefix="check")
        self._keep, self._lock = keep, threading.Lock()
        self._works: OrderedDict[str, Work] = OrderedDict()

    def check(self, digest: str, text: str, taken: list[PhotoFile], station: str = "") -> Work:
        """Start a check (at a station), or hand back the one of the same bytes."""
        with self._lock:
            known = self._works.get(digest)
            if known is not None and not known.fault:
                self._works.move_to_end(digest)
                return known
            fresh = self._works[digest] = Work(digest)
            while len(self._works) > self._keep and next(iter(self._works.values())).done:
                self._works.popitem(last=False)
        self._pool.submit(self._run, fresh, text, list(taken), station)
        return fresh

    @property
    def idle(self) -> bool:
        """Whether no check runs or waits."""
        with self._lock:
            return all(work.done for work in self._works.values())

    def warm_up(self) -> None:
        """Load what a check needs, so that a first one need not wait for it."""
        self._keeper.start()

    def _run(self, this: Work, text: str, taken: list[PhotoFile], station: str) -> None:
        def tell(stage: str, share: float) -> None:
            this.stage, this.share = stage, share

        try:
            with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
                (Path(folder) / "panel.toml").write_text(text, encoding="utf-8")
                for photo in taken:
                    (Path(folder) / photo.file).write_bytes(photo.data)
                found = without_folder(lambda: self._keeper.call(CHECK, folder, progress=tell), folder)
                this.result = _at_station(station, found)
        except surfscan.SurfscanError as error:
            this.error = _moved(station, error)
        except OSError as error:  # a full disk, or one that is gone
            this.error = no_room(error)
        except Exception as error:  # a fault of ours: told as a sentence, whatever it is
            this.fault = f"{type(error).__name__}: {error}"


def _station_of(name: str) -> Any:
    """The station; None without one, or where it was forgotten meanwhile: the sheet has all that was measured with."""
    if not name:
        return None
    from surfscan.places.stations import load_station  # late: most checks are at none

    try:
        return load_station(name)
    except surfscan.SurfscanError:
        return None


def _at_station(name: str, result: surfscan.CheckResult) -> surfscan.CheckResult:
    """The result with what its station has to say."""
    place = _station_of(name)
    if place is None:
        return result
    from surfscan.places.check import told_by_station

    return told_by_station(place, result)


def _moved(name: str, error: surfscan.SurfscanError) -> surfscan.SurfscanError:
    """A refusal about tags told as what it means at a station."""
    place = _station_of(name)
    if place is None or not isinstance(error, surfscan.RefusedError):
        return error
    from surfscan.places.check import moved_frame

    return moved_frame(place, error)
