"""``surfscan forget N...``: take passes out of a record for good."""

from __future__ import annotations

import argparse

from surfscan.cli.recording import add_record_option, open_given, record_path
from surfscan.cli.terminal import Parser
from surfscan.core.errors import UsageError

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    forget = commands.add_parser(
        "forget",
        parents=[common],
        help="take passes out of a record for good",
        description="Take passes out of a record for good: sheet, result, maps and photo digests; or a station's"
        " proofs. The shop's figures are worked out anew each time, so what is forgotten is gone from them too.",
    )
    forget.add_argument("numbers", metavar="N", type=int, nargs="*", help="the passes' numbers")
    forget.add_argument("--job-number", metavar="J", help="all passes of this job")
    forget.add_argument("--station", metavar="NAME", help="all proofs of this station")
    add_record_option(forget)
    forget.add_argument("--yes", action="store_true", help="do it; without this only what would go is listed")
    forget.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """List what would go, or take it out."""
    from surfscan.report.record_table import format_history

    if options.station is not None:
        return _forget_station(options)
    if not options.numbers and options.job_number is None:
        raise UsageError(
            "Nothing was named to forget",
            cure="give numbers of passes, --job-number or --station",
            found="no number",
            allowed="numbers of passes, --job-number J, or --station NAME",
        )
    with open_given(options) as record:
        rows = record.history()
        chosen = [row for row in rows if row.id in options.numbers or row.job == options.job_number]
        # A damaged row is in no list, and can be forgotten all the same.
        others = [number for number in options.numbers if all(row.id != number for row in rows)]
        if not options.yes:
            print(format_history(chosen))
            count = "1 pass" if len(chosen) == 1 else f"{len(chosen)} passes"
            print(f"\n{count} would be forgotten for good. Say so with --yes.")
            return 0
        gone = record.forget([*(row.id for row in chosen), *others])
        kept = record.keeps_bytes
    if not gone:
        raise UsageError(
            "There is no such pass",
            cure="see surfscan history",
            found=", ".join(map(str, options.numbers)) or str(options.job_number),
            allowed="passes of this record",
        )
    print(f"{gone} {'pass' if gone == 1 else 'passes'} forgotten.")
    if kept:
        print(
            "Their bytes stay in the database's files until VACUUM FULL, in its write-ahead log until that is recycled,"
            " and in its own log where statements are logged: ask whoever looks after it."
        )
    print("Copies and backups made before still hold them.")
    return 0


def _forget_station(options: argparse.Namespace) -> int:
    """List a station's proofs, or take them out."""
    from surfscan.results.proofs import forget_proofs, list_proofs

    if options.numbers or options.job_number is not None:
        raise UsageError(
            "--station goes by itself",
            found="--station with passes",
            allowed="--station NAME alone",
            cure="forget passes and proofs one after the other",
        )
    where, station = record_path(options), options.station
    count = len(list_proofs(where, station))
    if not count:
        raise UsageError(
            f"There are no proofs of station {station}",
            found="none",
            allowed="a station that surfscan shop tells",
            cure="see surfscan shop",
        )
    if not options.yes:
        print(f"{count} proofs of {station} would be forgotten for good. Say so with --yes.")
        return 0
    print(f"{forget_proofs(where, station)} proofs forgotten.")
    return 0
