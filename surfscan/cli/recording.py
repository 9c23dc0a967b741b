"""What the commands that use the record share: where it is, and a pass added to it."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.results.record import Record

__all__ = [
    "VARIABLE",
    "add_record_option",
    "add_recording_options",
    "check_recording",
    "open_given",
    "record_path",
    "record_result",
]

VARIABLE = "SURFSCAN_RECORD"


def add_record_option(parser: argparse.ArgumentParser) -> None:
    """``--record``, with the environment's as the default."""
    parser.add_argument(
        "--record",
        metavar="PATH_OR_URL",
        help=f"the record: a file, or an SQLAlchemy URL (default: the variable {VARIABLE})",
    )


def add_recording_options(parser: argparse.ArgumentParser) -> None:
    """Options of a command whose result can be added to a record."""
    parser.add_argument(
        "--record", metavar="PATH_OR_URL", help="add the result to this record: a file, or an SQLAlchemy URL"
    )
    parser.add_argument(
        "--job-number",
        metavar="N",
        default="",
        help="the job's number in the record: digits, no plate, no name",
    )


def check_recording(options: argparse.Namespace) -> None:
    """See before any work that the record can be opened and the job number stands (RefusedError, UsageError)."""
    if options.record is None:
        if options.job_number:
            raise UsageError(
                "A job number goes into a record",
                cure="say which with --record",
                found="no --record",
                allowed="--job-number with --record PATH_OR_URL",
            )
        return
    from surfscan.results.record import open_record
    from surfscan.results.record_keys import check_job_number

    check_job_number(options.job_number)
    with open_record(options.record) as record:
        record.see_writable()


def record_result(options: argparse.Namespace, out: Path, sheet: Path | None) -> None:
    """Add a finished output folder, when asked to, and say under which number."""
    if options.record is None:
        return
    from surfscan.results.record import open_record

    with open_record(options.record) as record:
        number = record.add(out, job=options.job_number, sheet=sheet)
        name = record.name
    print(f"surfscan: pass {number} in the record {name}", file=sys.stderr)


def record_path(options: argparse.Namespace) -> str:
    """Where the record of the options or of the environment is (UsageError when there is neither, or no such file)."""
    where = options.record or os.environ.get(VARIABLE)
    if not where:
        raise UsageError(
            "No record was named",
            found="neither --record nor " + VARIABLE,
            allowed="a file, or an SQLAlchemy URL",
            cure=f"give --record PATH_OR_URL, or set {VARIABLE}",
        )
    if "://" not in where and not Path(where).exists():
        raise UsageError(
            f"There is no record {where}",
            found="no such file",
            allowed="a record that was started",
            cure="surfscan check JOB --out DIR --record PATH starts one",
        )
    return str(where)


def open_given(options: argparse.Namespace) -> Record:
    """The record at `record_path`."""
    where = record_path(options)
    from surfscan.results.record import open_record

    return open_record(where)
