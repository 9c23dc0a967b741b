"""``surfscan batch FOLDER... --out DIR``: every job below folders, on all cores or on a cluster."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.batch_told import BatchProgress, Log, summary
from surfscan.cli.bundles import add_bundle_options, loaded_for, packed_places
from surfscan.cli.complaints import see_least
from surfscan.cli.recording import add_recording_options, check_recording
from surfscan.cli.terminal import Parser
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.fleet.bundles import Packed
    from surfscan.fleet.one import Orders

__all__ = ["add", "run"]

_EPILOG = """A job is a folder with panel.toml; with --station or --kit also a folder of one panel's photos.
Its result folder is named as the job's folder below DIR, with everything that check writes,
small.jpg and job.json. A job whose sheet, photos, station and program version are those of its
result is not done again. FOLDER and DIR may be addresses of fsspec (s3://..., memory://...).

exit status, by the worst of all jobs:
  1 crashed, out of time or memory, or a fault of ours   3 refused   4 not measured   10 rework
  11 too close to call   0 ready (or --always-zero)   2 wrong use   130 stopped"""
_FAILED = ("timeout", "memory", "crashed", "fault")


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    batch = commands.add_parser(
        "batch",
        parents=[common],
        help="judge many panels",
        description="Judge every job below the folders; run it again, and only what is new or changed is done.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    batch.add_argument("folders", metavar="FOLDER", nargs="+", help="jobs, or folders with jobs below them")
    batch.add_argument("--out", metavar="DIR", required=True, help="folder, or address, for all results")
    batch.add_argument("--workers", metavar="N", type=int, help="jobs at once (default: one for each core)")
    batch.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="run on a Dask cluster: its scheduler's address, or local for processes of this computer",
    )
    batch.add_argument(
        "--memory", metavar="MB", type=float, default=4000, help="most memory of one job (default: 4000)"
    )
    batch.add_argument(
        "--time", metavar="S", type=float, default=600, help="most time of one job, in seconds (default: 600)"
    )
    batch.add_argument(
        "--retry",
        metavar="OUTCOME",
        action="append",
        default=[],
        help="do these again though nothing changed: refused, not_measured, timeout, memory, crashed, fault, ready,"
        " close, rework; failed for what ended without an answer; several with commas",
    )
    batch.add_argument("--always-zero", action="store_true", help="exit status 0 whatever the verdicts are")
    batch.add_argument(
        "--log",
        metavar="FILE",
        type=Path,
        help="add a line for each job to this file (default: DIR/batch.log)",
    )
    add_recording_options(batch)
    add_bundle_options(batch, several=False)
    batch.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Do all jobs, write table and index; the exit status is that of the worst."""
    from surfscan.fleet.find import find_all
    from surfscan.fleet.lock import kept_alone
    from surfscan.fleet.pool import Pool
    from surfscan.fleet.rows import worst_status
    from surfscan.fleet.table import write_tables

    orders = _orders(options)
    began = time.monotonic()
    with ExitStack() as open_things:
        pool = None
        if options.scheduler is None:  # its processes load while jobs are looked for
            pool = open_things.enter_context(Pool(orders, workers=options.workers, load=loaded_for(options)))
        check_recording(options)
        found = find_all(options.folders, leave_out=options.out, packed=_packed(options))
        jobs = found.jobs
        if not jobs:
            raise _no_job(options, found.bare)
        open_things.enter_context(kept_alone(options.out))
        progress = open_things.enter_context(BatchProgress(len(jobs), quiet=options.quiet))
        log = open_things.enter_context(Log(_log_path(options), began))
        progress.left_out(found.bare)
        if pool is None:
            pool = open_things.enter_context(
                Pool(orders, workers=options.workers, scheduler=options.scheduler)
            )
        for done in pool.run(jobs):
            progress.tell(done)
            log.tell(done)
            if options.json:
                print(json.dumps({"event": "job", "fresh": done.fresh, **done.row}), flush=True)
            elif done.fresh and not options.quiet:
                progress.print_line(done)
        pool.close()
        progress.stage("writing table and index")
        counts = write_tables(options.out)
    status = 0 if options.always_zero else worst_status(progress.counts)
    told = summary(progress, options.out, rows=counts, seconds=time.monotonic() - began)
    if options.json:
        print(json.dumps({"event": "end", "status": status, **told}), flush=True)
    else:
        print(told["text"])
    return status


def _packed(options: argparse.Namespace) -> Packed | None:
    """Where photos without a sheet were taken; None when that is not said."""
    if len(options.station) > 1:
        raise UsageError(
            "--station was given more than once",
            found=" and ".join(options.station),
            allowed="one station for all folders of a batch",
            cure="run one batch for each station, into an output folder of its own",
        )
    return next(iter(packed_places(options)), None)


def _no_job(options: argparse.Namespace, bare: Sequence[str]) -> UsageError:
    folders = ", ".join(map(str, options.folders))
    if bare:
        return UsageError(
            "There is no job below the folders, but there are photos",
            found=f"photos without panel.toml in {bare[0]}"
            + (f" and in {len(bare) - 1} more" if len(bare) > 1 else ""),
            allowed="folders with panel.toml; or of photos, with --station NAME or --kit",
            cure="say where they were taken: surfscan station list shows the stations",
        )
    photos = bool(options.station or options.kit)
    return UsageError(
        "There is no job below the folders",
        found=folders,
        allowed="folders with panel.toml" + (", or with photos, in them" if photos else " in them"),
        cure="check the path; surfscan new makes a job",
    )


def _orders(options: argparse.Namespace) -> Orders:
    """What the options say for all jobs (UsageError)."""
    from surfscan.fleet.apart import Bounds
    from surfscan.fleet.one import Orders
    from surfscan.fleet.places import local_path
    from surfscan.fleet.rows import OUTCOMES

    see_least(options, workers=1, memory=200, time=1)
    named = {one.strip() for text in options.retry for one in text.split(",")}
    if "failed" in named:
        named = (named - {"failed"}) | set(_FAILED)
    unknown = sorted(named - set(OUTCOMES))
    if unknown:
        raise UsageError(
            "--retry names no outcome",
            found=unknown[0],
            allowed=", ".join((*OUTCOMES, "failed")),
            cure="name one",
        )
    if not options.out.strip():
        raise UsageError(
            "The place for the results is empty", found='""', allowed="a folder", cure="name one"
        )
    path = local_path(options.out)
    out = options.out if path is None else str(path.absolute())  # a worker may stand elsewhere
    bounds = Bounds(memory_mb=options.memory, seconds=options.time)
    record = options.record
    if record is not None and "://" not in record:
        record = str(Path(record).absolute())
    return Orders(out, bounds, frozenset(named), record, options.job_number)


def _log_path(options: argparse.Namespace) -> Path | None:
    from surfscan.fleet.places import local_path

    if options.log is not None:
        return Path(options.log)
    out = local_path(options.out)
    return None if out is None else out / "batch.log"
