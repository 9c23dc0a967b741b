"""One job from its folder to its row, wherever it runs: known already, or checked in a process of its own."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from pathlib import Path

from surfscan.core.errors import RefusedError
from surfscan.fleet.apart import Bounds, EndedError, Keeper, Progress
from surfscan.fleet.bundles import JOB_KEPT
from surfscan.fleet.find import Job
from surfscan.fleet.identity import SHEET, identity_of
from surfscan.fleet.marks import MARK, OWN, Mark, clear, read_mark, write_mark
from surfscan.fleet.places import below, fetched, fetched_files, filled
from surfscan.fleet.rows import OUTCOMES, Row, blank_row

__all__ = ["DEFAULT_BOUNDS", "Done", "Orders", "give_up", "keeper_here", "run_job"]

DEFAULT_BOUNDS = Bounds(memory_mb=4000, seconds=600)
_TRIES = 4  # of a job whose own process is ended from outside; by itself it gets one
_LOST = 25  # keepers lost under one job, which is not the job's doing
_WORK = "surfscan.fleet.work"


@dataclass(frozen=True, slots=True)
class Orders:
    """What holds for all jobs of a run.

    Attributes
    ----------
    out : str
        Where the results go: a folder, or an address of fsspec.
    bounds : Bounds
        Memory and time of one job.
    retry : frozenset of str
        Outcomes that are done again though nothing changed.
    record : str or None
        The record that results are added to, as a path or an SQLAlchemy URL.
    job_number : str
        Their number in the record.
    """

    out: str
    bounds: Bounds = DEFAULT_BOUNDS
    retry: frozenset[str] = field(default_factory=frozenset)
    record: str | None = None
    job_number: str = ""


@dataclass(frozen=True, slots=True)
class Done:
    """A job that is done: its row (`rows.JOB_COLUMNS`), and whether it was checked now or known before."""

    row: Row
    fresh: bool


_here: dict[bool, Keeper] = {}
_lock = threading.Lock()


def keeper_here(*, one_thread: bool = True) -> Keeper:
    """The keeper of this process, for workers of a cluster; it ends with the process."""
    with _lock:
        if one_thread not in _here:
            _here[one_thread] = Keeper(one_thread=one_thread, load=(_WORK,))
        return _here[one_thread]


def run_job(
    job: Job,
    orders: Orders,
    *,
    keeper: Keeper | None = None,
    progress: Progress | None = None,
) -> Done:
    """Do one job, unless its result is there.

    Parameters
    ----------
    job : Job
    orders : Orders
    keeper : Keeper, optional
        Runs the job's process; by default the one of this process.
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.

    Returns
    -------
    Done

    Raises
    ------
    SurfscanError
        When the result can't be written, or the record can't be used: no fault of this job's.
    EndedError
        When the keeper was closed.
    """
    keeper = keeper or keeper_here()
    try:
        with fetched(job.source, sheet=job.packed is None) as folder:
            identity = identity_of(folder, packed=job.packed, panel=job.panel)
            mark = read_mark(orders.out, job.name)
            known = (
                mark is not None
                and mark.row["identity"] == identity
                and mark.row["outcome"] not in orders.retry
            )
            if mark is None or not known:
                mark = _check(job, orders, folder, identity, keeper, progress)
            if orders.record is not None and mark.heights:
                _add(job, orders, folder, identity, keeper)
            return Done(mark.row, not known)
    except OSError as error:  # its files went away, or may not be read
        reason = f"{error.filename or job.source} can't be read: {error.strerror or error}"
        return give_up(job, orders, "refused", reason)


def give_up(
    job: Job, orders: Orders, outcome: str, reason: str, *, identity: str = "", tries: int = 1
) -> Done:
    """Finish a job that has no result."""
    row = blank_row(
        job=job.name,
        source=job.source,
        identity=identity,
        outcome=outcome,
        status=OUTCOMES[outcome],
        reason=reason,
        tries=tries,
    )
    with filled(below(orders.out, job.name), last=MARK, own=(*OWN, JOB_KEPT)) as here:
        clear(here, results=True)
        write_mark(here, Mark(row))
    return Done(row, True)


def _check(
    job: Job, orders: Orders, folder: Path, identity: str, keeper: Keeper, progress: Progress | None
) -> Mark:
    """Check in a process of its own; once more when somebody else ended that."""
    own = lost = 0
    while True:
        tries = own + lost + 1
        known = {"job": job.name, "source": job.source, "identity": identity, "tries": tries}
        try:
            with filled(below(orders.out, job.name), last=MARK, own=(*OWN, JOB_KEPT)) as here:
                row, heights = keeper.call(
                    f"{_WORK}:check_into" if job.packed is None else job.packed.call,
                    str(folder.absolute()),
                    str(here.absolute()),
                    known,
                    *(() if job.packed is None else (job.packed, job.panel)),
                    bounds=orders.bounds,
                    progress=progress,
                )
            return Mark(row, heights=heights)
        except EndedError as error:
            if error.kind == "stopped":
                raise
            own, lost = own + (error.status is not None), lost + (error.status is None)
            if not error.from_outside or own == _TRIES or lost == _LOST:
                return Mark(give_up(job, orders, error.kind, str(error), identity=identity, tries=tries).row)


_recorded: dict[str, set[str]] = {}
_KEY = 40  # letters of the identity, 160 bits, under which a record keeps a pass


def _add(job: Job, orders: Orders, folder: Path, identity: str, keeper: Keeper) -> None:
    """Add a finished job to the record, unless that has it."""
    record = str(orders.record)
    try:
        with _lock:
            if record not in _recorded:
                _recorded[record] = keeper.call(f"{_WORK}:recorded", record)
            key = identity[:_KEY]
            if key in _recorded[record]:
                return
        sheet = SHEET if job.packed is None else f"{JOB_KEPT}/{SHEET}"
        names = ("result.json", "height.npz", *(() if job.packed is None else (sheet,)))
        with fetched_files(below(orders.out, job.name), names) as results:
            keeper.call(
                f"{_WORK}:add_to_record",
                record,
                str(results.absolute()),
                key,
                orders.job_number or job.job_number,
                str(((folder if job.packed is None else results) / sheet).absolute()),
            )
        _recorded[record].add(key)
    except EndedError as error:
        if error.kind == "stopped":
            raise
        raise RefusedError(
            f"{job.name} could not be added to the record",
            found=str(error),
            allowed="a record that can be written",
            cure="run the same command again: what is finished stays, and what is missing is added",
        ) from None
