"""The watch: looks, groups, hands jobs to the pool, and keeps what it knows, so that it can stop at any moment."""

from __future__ import annotations

import queue
import shutil
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import CancelledError, Future
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from surfscan.core.errors import SurfscanError
from surfscan.fleet.apart import Bounds, EndedError, Keeper
from surfscan.fleet.bundles import job_number_in, panel_in
from surfscan.fleet.find import Job
from surfscan.fleet.one import DEFAULT_BOUNDS, Done, Orders
from surfscan.fleet.pool import Pool
from surfscan.report.output import prepare_output
from surfscan.watch.arrivals import Arrivals, Resting
from surfscan.watch.groups import Group, Shot, group_shots
from surfscan.watch.keep import JobKept, PhotoKept, WatchState, read_state, write_state
from surfscan.watch.template import Template, choose

__all__ = ["Watcher"]

_LOOK = "surfscan.watch.photo"
_LOOK_BOUNDS = Bounds(memory_mb=3000, seconds=120)
_NO_TAG = "no tag of the sheet is seen in it"

Event = Callable[[str, dict[str, Any]], None]


class Watcher:
    """Watches a folder; use it in a ``with`` block, or close it.

    Parameters
    ----------
    folder, out : Path
        Jobs go below ``out/jobs``, results below ``out/results``, the state into ``out/watch.json``.
    templates : sequence of Template
    settle_s, gap_s : float
        See `Arrivals` and `group_shots`.
    workers : int, optional
    record : str, optional
        A record that results are added to.
    tell : callable, optional
        Told events: "photo", "refused", "job", "done", each with what it is about.
    """

    def __init__(  # house: what a watch is set up with, each once
        self,
        folder: Path,
        out: Path,
        templates: Sequence[Template],
        *,
        settle_s: float = 3.0,
        gap_s: float = 600.0,
        workers: int | None = None,
        record: str | None = None,
        tell: Event | None = None,
    ) -> None:
        prepare_output(out)
        self._out, self._templates, self._gap_s = out, list(templates), gap_s
        self._record, self._tell = record, tell or (lambda kind, about: None)
        self._dictionaries = sorted({one.dictionary for one in templates if one.dictionary})
        self._photos = {k: one.photos for k, one in enumerate(templates)}
        self.state: WatchState = read_state(out)
        self._arrivals = Arrivals(folder, leave_out=out, settle_s=settle_s)
        self._finished: queue.SimpleQueue[tuple[str, Future[Done]]] = queue.SimpleQueue()
        self._running: set[str] = set()
        load = sorted({one.packed.call.partition(":")[0] for one in templates if one.packed is not None})
        self._pool = Pool(self._orders(""), workers=workers, load=load)
        self._keeper = Keeper(load=(_LOOK,))
        for name, job in self.state.jobs.items():  # of an earlier run; what is finished is found again
            if job.state != "done":
                self._submit(name, job)

    def __enter__(self) -> Watcher:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End what runs; it is taken up at the next start."""
        self._pool.close()
        self._keeper.close()

    @property
    def busy(self) -> bool:
        """Whether a job is with the pool, or a file still changes."""
        return bool(self._running or self.state.moving)

    def step(self) -> None:
        """Look once: read what is new, make jobs of what is whole, take in what is done."""
        resting, moving = self._arrivals.look()
        changed = self._take_finished()
        changed |= self._read_new(resting)
        changed |= self._make_jobs(resting)
        if changed or moving != self.state.moving:
            self.state.moving = moving
            self._save()

    def _save(self) -> None:
        self.state.looked = _now()
        write_state(self._out, self.state)

    def _read_new(self, resting: Sequence[Resting]) -> bool:
        """Read photos whose content was not seen before; their places now, for those that were."""
        changed = False
        for file in resting:
            known = self.state.photos.get(file.sha256)
            if known is not None:
                changed |= known.place != file.place
                known.place = file.place
                continue
            for sha in [k for k, one in self.state.photos.items() if one.place == file.place and not one.job]:
                del self.state.photos[sha]  # what the file was before it was whole
            kept = self.state.photos[file.sha256] = PhotoKept(file.place)
            changed = True
            try:
                told = self._keeper.call(
                    f"{_LOOK}:photo_told", str(file.path), file.place, self._dictionaries, bounds=_LOOK_BOUNDS
                )
                kept.taken, kept.tags = told["taken"], told["tags"]
                if choose(self._templates, kept.tags) is None:
                    kept.why = _NO_TAG
            except (SurfscanError, EndedError) as error:
                kept.why = str(error).rstrip(".")
            self._tell("refused" if kept.why else "photo", {"photo": file.place, "why": kept.why})
        return changed

    def _make_jobs(self, resting: Sequence[Resting]) -> bool:
        """Make a job of every whole group of photos that lie in the folder now and are in no job."""
        there: dict[str, Resting] = {}
        for file in resting:
            there.setdefault(file.sha256, file)  # a copy of a photo is the same photo
        shots = []
        for sha, file in there.items():
            kept = self.state.photos[sha]
            template = None if kept.job or kept.why else choose(self._templates, kept.tags)
            if template is not None:
                folder = file.place.rpartition("/")[0]
                at_s = kept.taken if kept.taken is not None else _wall_clock(file.changed_s)
                shots.append(Shot(sha, folder, self._templates.index(template), at_s, file.place))
        groups = group_shots(shots, self._photos, gap_s=self._gap_s)
        for group in groups:
            if group.whole:
                self._make_job(group, [there[shot.sha256].path for shot in group.shots])
        lacking = [
            {"folder": g.folder, "photos": [s.name for s in g.shots], "of": self._photos[g.sheet]}
            for g in groups
            if not g.whole
        ]
        changed = lacking != self.state.lacking or any(group.whole for group in groups)
        self.state.lacking = lacking
        return changed

    def _make_job(self, group: Group, paths: Sequence[Path]) -> None:
        """Write the job's folder, then note it, then hand it out: stopped in between, the same is done again."""
        template, home = self._templates[group.sheet], self._out / "jobs" / group.name
        home.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=".", dir=home.parent))
        panel = panel_in(group.folder)
        try:
            ordered = list(paths)
            if template.ways is not None:
                ordered = self._in_order(template, template.ways, made, ordered, panel)
            shutil.rmtree(home, ignore_errors=True)
            template.write_job(made, ordered, panel=panel)
            made.rename(home)
        finally:
            shutil.rmtree(made, ignore_errors=True)
        photos = [shot.sha256 for shot in group.shots]
        place = "" if template.packed is None else template.name
        job = JobKept(panel, job_number_in(group.folder), photos, made=_now(), place=place)
        self.state.jobs[group.name] = job
        for sha in photos:
            self.state.photos[sha].job = group.name
        self._save()
        self._tell("job", {"job": group.name, "panel": panel, "photos": [shot.name for shot in group.shots]})
        self._submit(group.name, job)

    def _in_order(
        self, template: Template, rows: list[str], made: Path, paths: list[Path], panel: str
    ) -> list[Path]:
        """Photos in the order of the sheet's rows: that of time, unless two show their stripes the other way round."""
        template.write_job(made, paths, panel=panel)
        try:
            ways = self._keeper.call(f"{_LOOK}:ways_told", str(made), bounds=_LOOK_BOUNDS)
        except (SurfscanError, EndedError):  # the check will say so
            return paths
        for path in made.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        return paths[::-1] if ways is not None and ways != rows and ways == rows[::-1] else paths

    def _orders(self, job_number: str) -> Orders:
        return Orders(str(self._out / "results"), DEFAULT_BOUNDS, record=self._record, job_number=job_number)

    def _submit(self, name: str, job: JobKept) -> None:
        packed = next((one.packed for one in self._templates if job.place and one.name == job.place), None)
        if job.place and packed is None:
            return  # of an earlier watch at another place: it waits for the next one there
        self._running.add(name)
        source = str(self._out / "jobs" / name)
        future = self._pool.submit(
            Job(name, source, packed, "" if packed is None else job.panel),
            orders=self._orders(job.job_number),
        )
        future.add_done_callback(lambda done: self._finished.put((name, done)))

    def _take_finished(self) -> bool:
        """Note what the pool has done since the last look."""
        changed = False
        while not self._finished.empty():
            name, future = self._finished.get()
            self._running.discard(name)
            job = self.state.jobs[name]
            try:
                row = future.result().row
            except (CancelledError, EndedError):
                continue  # it is taken up at the next start
            job.state, job.done = "done", _now()
            job.outcome, job.reason = str(row["outcome"]), str(row["reason"] or "")
            changed = True
            self._tell(
                "done", {"job": name, "panel": job.panel, "outcome": job.outcome, "reason": job.reason}
            )
        return changed


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _wall_clock(seconds: float) -> float:
    """A file's time as a camera's clock would show it here: so that photos with and without EXIF can be compared."""
    return datetime.fromtimestamp(seconds).replace(tzinfo=UTC).timestamp()
