"""What the server remembers of each browser: its open jobs and what was chosen, in memory, bounded and aged.

A browser is known by a random, signed cookie that `surfscan.ui.guard` hands out; nothing of the store is found
without it, and nothing of it is ever on a disk. It ends with the server.
"""

from __future__ import annotations

import copy
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any

from surfscan.ui.desk import PhotoFile, Work

__all__ = [
    "COOKIE",
    "STORE",
    "JobNote",
    "KeptJob",
    "Store",
    "cookie_for",
    "known_token",
    "new_token",
    "token_in",
]

COOKIE = "surfscan_bench"
AGE_S = 7 * 86_400
"""How long what was typed is kept after its browser was last seen."""
PHOTO_AGE_S = 12 * 3600
"""How long photos are: a shift."""
MOST_BENCHES, MOST_JOBS = 200, 8
MOST_BYTES, MOST_BENCH_BYTES = 2_000_000_000, 800_000_000
"""Of photos, of all browsers and of one: two jobs of the largest size."""
MOST_RESULTS = 24
"""Of all browsers: a result is some 30 MB of maps; an older one is checked again from its photos."""
_MOST_VALUES = 400

_KEY = secrets.token_bytes(32)


def _signature(name: str) -> str:
    return hmac.new(_KEY, name.encode(), hashlib.sha256).hexdigest()[:32]


def new_token() -> str:
    """A token that nobody can guess or make: 192 random bits, signed for this run of the server."""
    name = secrets.token_urlsafe(24)
    return f"{name}.{_signature(name)}"


def known_token(token: str) -> bool:
    """Whether this server made a token."""
    name, _, signed = token.partition(".")
    return bool(signed) and hmac.compare_digest(signed.encode(), _signature(name).encode())


def token_in(cookies: str) -> str:
    """The token that a browser's cookie header carries, "" without one of ours."""
    try:
        morsel = SimpleCookie(cookies).get(COOKIE)
    except CookieError:
        return ""
    return morsel.value if morsel is not None and known_token(morsel.value) else ""


def cookie_for(token: str) -> str:
    """The header that hands a token out: no script reads it, no other site sends it."""
    return f"{COOKIE}={token}; Path=/; Max-Age={AGE_S}; HttpOnly; SameSite=Strict"


@dataclass
class KeptJob:
    """One open job as it stood when it was last changed."""

    id: str
    tables: dict[str, Any]
    photos: list[PhotoFile] = field(default_factory=list, repr=False)
    extras: list[PhotoFile] = field(default_factory=list, repr=False)
    work: Work | None = None
    spot: int | str | None = None
    more: dict[str, Any] = field(default_factory=dict)
    touched: float = 0.0
    photos_gone: bool = False

    @property
    def stamp(self) -> str:
        """What changes when what was typed or brought does."""
        told = json.dumps([self.tables, [p.sha256 for p in (*self.photos, *self.extras)]], sort_keys=True)
        return hashlib.sha256(told.encode()).hexdigest()

    @property
    def size(self) -> int:
        """Bytes of its photos."""
        return sum(len(photo.data) for photo in (*self.photos, *self.extras))


@dataclass(frozen=True)
class JobNote:
    """A job in the list of the last ones."""

    id: str
    name: str
    stage: str
    verdict: str
    photos: int


@dataclass
class _Bench:
    jobs: OrderedDict[str, KeptJob] = field(default_factory=OrderedDict)
    values: dict[str, Any] = field(default_factory=dict)
    forgotten: deque[str] = field(default_factory=lambda: deque(maxlen=100))
    touched: float = 0.0

    @property
    def size(self) -> int:
        return sum(job.size for job in self.jobs.values())


class Store:
    """All benches. Safe for threads; what goes in and out is copied, photos' bytes are shared and never changed.

    Parameters
    ----------
    clock : callable, optional
        Seconds, rising.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._benches: OrderedDict[str, _Bench] = OrderedDict()

    def latest(self, token: str, job: str = "") -> KeptJob | None:
        """A browser's job of this id, else the one that was changed last."""
        with self._lock:
            self._sweep()
            bench = self._benches.get(token)
            if bench is None or not bench.jobs:
                return None
            kept = bench.jobs.get(job) or next(reversed(bench.jobs.values()))
            return _copied(kept)

    def job(self, token: str, job: str) -> KeptJob | None:
        """A browser's job of this id."""
        with self._lock:
            self._sweep()
            bench = self._benches.get(token)
            kept = bench.jobs.get(job) if bench is not None else None
            return _copied(kept) if kept is not None else None

    def values(self, token: str) -> dict[str, Any]:
        """What a browser's fields held, by their keys."""
        with self._lock:
            bench = self._benches.get(token)
            return copy.deepcopy(bench.values) if bench is not None else {}

    def notes(self, token: str) -> list[JobNote]:
        """A browser's jobs, the last one first."""
        with self._lock:
            self._sweep()
            bench = self._benches.get(token)
            return [_note(kept) for kept in reversed(bench.jobs.values())] if bench is not None else []

    def results(self, token: str) -> list[tuple[JobNote, Work]]:
        """A browser's finished checks, the last one first."""
        with self._lock:
            bench = self._benches.get(token)
            kept = reversed(bench.jobs.values()) if bench is not None else ()
            return [
                (_note(job), job.work) for job in kept if job.work is not None and job.work.result is not None
            ]

    def keep(self, token: str, job: KeptJob | None, values: dict[str, Any]) -> None:
        """Take up a job and the fields' values; the oldest goes where there are too many, its photos first."""
        with self._lock:
            now = self._clock()
            bench = self._benches.setdefault(token, _Bench())
            bench.touched = now
            self._benches.move_to_end(token)
            bench.values = copy.deepcopy(dict(list(values.items())[-_MOST_VALUES:]))
            if job is not None:
                old, fresh = bench.jobs.get(job.id), _copied(job)
                fresh.touched = now
                if old is not None and old.photos_gone and not fresh.photos:
                    fresh.photos_gone = True
                bench.jobs[job.id] = fresh
                if old is None or old.stamp != fresh.stamp or old.work is not fresh.work:
                    bench.jobs.move_to_end(job.id)
            while len(bench.jobs) > MOST_JOBS:
                bench.jobs.popitem(last=False)
            self._sweep()

    def forget(self, token: str, job: str = "") -> None:
        """Drop one job of a browser, or all that is kept of it; its other tabs learn by `forgotten`."""
        with self._lock:
            bench = self._benches.get(token)
            if bench is None:
                return
            for name in [job] if job else list(bench.jobs):
                bench.jobs.pop(name, None)
                bench.forgotten.append(name)
            if not job:
                bench.values = {}

    def forgotten(self, token: str, job: str) -> bool:
        """Whether a browser was told to forget this job."""
        with self._lock:
            bench = self._benches.get(token)
            return bench is not None and job in bench.forgotten

    def size(self) -> int:
        """Bytes of all photos."""
        with self._lock:
            return sum(bench.size for bench in self._benches.values())

    def _sweep(self) -> None:
        """Drop what is too old, then the photos of the oldest jobs until the rest fits."""
        now = self._clock()
        for token in [t for t, bench in self._benches.items() if now - bench.touched > AGE_S]:
            del self._benches[token]
        while len(self._benches) > MOST_BENCHES:
            self._benches.popitem(last=False)
        for bench in self._benches.values():
            for job in bench.jobs.values():
                if now - job.touched > PHOTO_AGE_S:
                    _drop_photos(job)
            self._shrink([bench], MOST_BENCH_BYTES)
        self._shrink(list(self._benches.values()), MOST_BYTES)
        worked = [j for b in self._benches.values() for j in b.jobs.values() if j.work is not None]
        for job in sorted(worked, key=lambda j: j.touched, reverse=True)[MOST_RESULTS:]:
            job.more["verdict"], job.work = _note(job).verdict, None

    @staticmethod
    def _shrink(benches: list[_Bench], most: int) -> None:
        total = sum(bench.size for bench in benches)
        if total <= most:
            return
        for job in sorted((j for b in benches for j in b.jobs.values()), key=lambda j: j.touched)[:-1]:
            if total <= most:
                return
            total -= job.size
            _drop_photos(job)


def _drop_photos(job: KeptJob) -> None:
    if job.photos or job.extras:
        job.photos, job.extras, job.photos_gone = [], [], True


def _copied(job: KeptJob) -> KeptJob:
    made = copy.copy(job)
    made.tables, made.more = copy.deepcopy(job.tables), copy.deepcopy(job.more)
    made.photos, made.extras = list(job.photos), list(job.extras)
    return made


def _note(job: KeptJob) -> JobNote:
    panel = job.tables.get("panel", {})
    result = job.work.result if job.work is not None else None
    return JobNote(
        job.id,
        str(panel.get("name") or ""),
        str(panel.get("stage") or ""),
        str(result.verdict) if result is not None else str(job.more.get("verdict") or ""),
        len(job.photos),
    )


STORE = Store()
"""The one of this server."""
