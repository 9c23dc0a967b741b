"""Jobs of the service: taken in on disk, done by the pool in their turn, found again after a restart. No HTTP here.

A job's folder lies in ``jobs/`` until it is done, and its result in ``results/``, both under the job's identity: the
same bytes sent twice are one job. Nothing of a photo or a result is held in memory.
"""

from __future__ import annotations

import json
import shutil
import threading
import time
from collections import OrderedDict, deque
from concurrent.futures import CancelledError, Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from surfscan.fleet.find import Job
from surfscan.fleet.identity import identity_of
from surfscan.fleet.marks import read_mark
from surfscan.fleet.one import DEFAULT_BOUNDS, Done, Orders
from surfscan.fleet.pool import Pool
from surfscan.report.output import OUTPUT_FILES, write_file

__all__ = ["FullError", "JobDesk", "Told"]

State = Literal["waiting", "running", "done"]
FAILED = frozenset({"timeout", "memory", "crashed", "fault"})
"""Outcomes that are done again when the same job is sent again."""

_ENVELOPE = ".envelope.json"  # in a waiting job: what was said about it; no upload may be hidden
_MOST_TOLD = 1000  # done jobs whose state is in memory; older ones are read from their folder
_RECENT = 20  # jobs whose times make the guess of how long to wait
_GUESS_S = 5.0


class FullError(Exception):
    """The queue is full; `wait_s` says when to try again."""

    def __init__(self, wait_s: int) -> None:
        super().__init__(f"the queue is full: try again in {wait_s} s")
        self.wait_s = wait_s


@dataclass(slots=True)
class Told:
    """What is known of a job.

    Attributes
    ----------
    id : str
        Its identity, 64 hexadecimal digits.
    state : {"waiting", "running", "done"}
    ahead : int
        Jobs before it in the queue.
    stage : str
        What is done to it just now.
    share : float
        Of it, 0 to 1.
    row : dict
        Of a job that is done: its row in the table of a batch.
    """

    id: str
    state: State = "waiting"
    ahead: int = 0
    stage: str = ""
    share: float = 0.0
    row: dict[str, Any] | None = None


class JobDesk:
    """Takes jobs and has them done; use it in a ``with`` block, or close it.

    Parameters
    ----------
    folder : Path
        Where jobs and results lie.
    workers : int, optional
        Jobs at once; all cores by default.
    most_waiting : int
        Jobs that may wait; more are told to come again.
    record : str, optional
        A record that results are added to.
    keep_days : float
        Results older than this are taken away.
    """

    def __init__(
        self,
        folder: Path,
        *,
        workers: int | None = None,
        most_waiting: int = 200,
        record: str | None = None,
        keep_days: float = 7.0,
    ) -> None:
        self._jobs, self._results = folder / "jobs", folder / "results"
        self.incoming = folder / "incoming"
        shutil.rmtree(self.incoming, ignore_errors=True)  # uploads that a killed service left
        for place in (self._jobs, self._results, self.incoming):
            place.mkdir(parents=True, exist_ok=True)
        self._orders = Orders(str(self._results), DEFAULT_BOUNDS, FAILED, record)
        self._most, self._keep_s = most_waiting, 86400 * keep_days
        self._lock = threading.RLock()  # a job may be done before it is asked to tell so
        self._told: OrderedDict[str, Told] = OrderedDict()
        self._waiting: deque[str] = deque()
        self._took: deque[float] = deque(maxlen=_RECENT)
        self._running, self._closed = 0, False
        self._swept = 0.0
        self._pool = Pool(self._orders, workers=workers)
        self._take_up()

    def __enter__(self) -> JobDesk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End what runs; what waits is taken up at the next start."""
        with self._lock:
            self._closed = True
        self._pool.close()

    @property
    def workers(self) -> int:
        return self._pool.workers

    def count(self) -> dict[str, int]:
        """How many jobs wait, and how many run."""
        with self._lock:
            return {"waiting": len(self._waiting), "running": self._running}

    def see_room(self) -> None:
        """Raise `FullError` when no further job is taken just now."""
        with self._lock:
            self._see_room()

    def _see_room(self) -> None:
        if len(self._waiting) >= self._most:
            each = sum(self._took) / len(self._took) if self._took else _GUESS_S
            # time until a tenth of the queue is done: then there is room for some
            raise FullError(max(1, min(300, round(0.1 * self._most * each / self._pool.workers))))

    def take(self, folder: Path, *, job_number: str = "") -> tuple[Told, bool]:
        """Take a job folder in; it is moved away.

        Parameters
        ----------
        folder : Path
            With `panel.toml` and what it names, on the same drive.
        job_number : str
            In the record.

        Returns
        -------
        Told, bool
            What is known of it, and whether it was put into the queue now.

        Raises
        ------
        FullError
            When the queue is full; the folder is taken away all the same.
        """
        try:
            name = identity_of(folder)
            with self._lock:
                known = self._find(name)
                if known is not None and not (known.row is not None and known.row["outcome"] in FAILED):
                    return known, False
                self._see_room()
                home = self._jobs / name
                shutil.rmtree(home, ignore_errors=True)
                write_file(folder / _ENVELOPE, json.dumps({"job_number": job_number}).encode())
                folder.rename(home)
                told = self._told[name] = Told(name)
                self._queue(told, job_number)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        self._sweep()
        return told, True

    def find(self, name: str) -> Told | None:
        """What is known of a job; None when there is no such one."""
        with self._lock:
            told = self._find(name)
            if told is not None and told.state == "waiting":
                told.ahead = self._waiting.index(name) if name in self._waiting else 0
            return told

    def _find(self, name: str) -> Told | None:
        if name in self._told:
            return self._told[name]
        if len(name) != 64 or set(name) - set("0123456789abcdef"):
            return None
        mark = read_mark(str(self._results), name)
        return None if mark is None else Told(name, "done", share=1.0, row=mark.row)

    def file(self, name: str, file: str) -> Path | None:
        """A file of a job's result; None when there is none."""
        told = self.find(name)
        if told is None or told.state != "done" or file not in OUTPUT_FILES:
            return None
        path = self._results / name / file
        return path if path.is_file() else None

    def forget(self, name: str) -> bool:
        """Take a finished job's result away for good; False when it runs or waits, or is not there."""
        with self._lock:
            told = self._find(name)
            if told is None or told.state != "done":
                return False
            self._told.pop(name, None)
            shutil.rmtree(self._results / name, ignore_errors=True)
            return True

    def _queue(self, told: Told, job_number: str) -> None:
        """Put a job in line; the lock is held."""
        self._waiting.append(told.id)
        orders = Orders(str(self._results), DEFAULT_BOUNDS, FAILED, self._orders.record, job_number)

        def tell(stage: str, share: float) -> None:
            with self._lock:
                if told.state == "waiting":
                    self._start(told)
                told.stage, told.share = stage, share

        future = self._pool.submit(Job(told.id, str(self._jobs / told.id)), orders=orders, progress=tell)
        future.add_done_callback(lambda done: self._finish(told, done))

    def _start(self, told: Told) -> None:
        with suppress(ValueError):
            self._waiting.remove(told.id)
        told.state, told.ahead = "running", 0
        self._running += 1

    def _finish(self, told: Told, future: Future[Done]) -> None:
        """A job is done, in its worker's thread."""
        try:
            row = future.result().row
        except CancelledError:
            return  # the service stops: the job is taken up at its next start
        except Exception as error:
            if self._closed:
                return
            row = {
                "outcome": "fault",
                "status": 1,
                "reason": f"{type(error).__name__}: {error}",
                "seconds": None,
            }
        with self._lock:
            if told.state == "waiting":
                self._start(told)
            self._running -= 1
            told.state, told.stage, told.share, told.row = "done", "", 1.0, row
            if row.get("seconds"):
                self._took.append(float(row["seconds"]))
            self._told.move_to_end(told.id)
            for old in [k for k, one in self._told.items() if one.state == "done"][:-_MOST_TOLD]:
                del self._told[old]
        shutil.rmtree(self._jobs / told.id, ignore_errors=True)

    def _take_up(self) -> None:
        """Put the jobs that an earlier run left into the queue again, the oldest first."""
        with self._lock:
            for home in sorted(self._jobs.iterdir(), key=lambda path: path.stat().st_mtime):
                try:
                    number = str(json.loads((home / _ENVELOPE).read_bytes())["job_number"])
                except (OSError, ValueError, KeyError, TypeError):
                    shutil.rmtree(home, ignore_errors=True)
                    continue
                told = self._told[home.name] = Told(home.name)
                self._queue(told, number)

    def _sweep(self) -> None:
        """Take results away that are older than they are kept, once an hour."""
        now = time.time()
        with self._lock:
            if now - self._swept < 3600:
                return
            self._swept = now
        for home in self._results.iterdir():
            with suppress(OSError):
                if now - home.stat().st_mtime > self._keep_s:
                    self.forget(home.name)
