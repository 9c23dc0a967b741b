"""``surfscan history``: the passes in a record."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict

from surfscan.cli.recording import add_record_option, open_given
from surfscan.cli.terminal import Parser, add_inch, units_of

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    history = commands.add_parser(
        "history",
        parents=[common],
        help="list the passes in a record",
        description="List the passes in a record, earliest first; show, compare and forget take their numbers.",
    )
    add_record_option(history)
    history.add_argument("--job-number", metavar="N", help="only this job's")
    history.add_argument("--panel", metavar="NAME", help="only this panel's")
    history.add_argument(
        "--check", action="store_true", help="read every pass whole and tell the damaged ones"
    )
    add_inch(history)
    history.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the list; status 0, or 3 when --check finds damage."""
    from surfscan.report.record_table import format_history

    with open_given(options) as record:
        rows = record.history(job=options.job_number, panel=options.panel)
        bad = record.unreadable() if options.check else ()
    if options.json:
        document = {"passes": [asdict(row) for row in rows]}
        sys.stdout.write(
            json.dumps(document | ({"damaged": list(bad)} if options.check else {}), indent=2) + "\n"
        )
    else:
        print(format_history(rows, units_of(options)))
        if options.check:
            numbers = ", ".join(map(str, bad))
            print(f"\nDamaged: pass {numbers}." if bad else "\nEvery pass can be read, and fits its digest.")
    return 3 if bad else 0
