"""``surfscan teach``: worksheets for a class, and how its apprentices do."""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict
from pathlib import Path

from surfscan.cli.recording import VARIABLE, add_record_option, record_path
from surfscan.cli.terminal import Parser, add_inch, tell_files, units_of
from surfscan.core.errors import UsageError

__all__ = ["add", "run"]

_MOST = 999_999


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    teach = commands.add_parser(
        "teach",
        parents=[common],
        help="write a worksheet for a class, or list its progress",
        description="Write a worksheet and its answer sheet as PDF from one random panel; the page's Teach view has"
        " the same exercises. Or list, or forget, the progress that the page was asked to keep in a record.",
    )
    teach.add_argument(
        "--worksheet", metavar="DIR", type=Path, help="folder for worksheet.pdf and answers.pdf"
    )
    teach.add_argument(
        "--class", dest="seed", metavar="N", type=int, default=1, help="number of the class (default: 1)"
    )
    teach.add_argument(
        "--panel", metavar="N", type=int, default=1, help="which panel, harder as it rises (default: 1)"
    )
    teach.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default: a4)")
    add_inch(teach)
    teach.add_argument("--progress", action="store_true", help="list the progress kept in the record")
    teach.add_argument("--forget", metavar="NAME", help="take an apprentice's progress out for good")
    add_record_option(teach)
    teach.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Write the worksheet, or list or forget progress."""
    wanted = [options.worksheet is not None, options.progress, options.forget is not None]
    if sum(wanted) != 1:
        raise UsageError(
            "What is to be done is not clear",
            found=f"{sum(wanted)} of them",
            allowed="--worksheet DIR, --progress or --forget NAME, one of them",
            cure="see surfscan teach --help",
        )
    if options.worksheet is not None:
        return _worksheet(options)
    from surfscan.results.progress import forget_apprentice, list_progress

    record = record_path(options)
    if options.forget is not None:
        gone = forget_apprentice(record, options.forget)
        if not gone:
            raise UsageError(
                "There is no such apprentice in the record",
                found=options.forget,
                allowed=", ".join(sorted({row.apprentice for row in list_progress(record)}))
                or "none is kept",
                cure="see surfscan teach --progress",
            )
        print(f"{gone} {'answer' if gone == 1 else 'answers'} forgotten.")
        return 0
    rows = list_progress(record)
    if options.json:
        print(json.dumps({"schema": 1, "progress": [asdict(row) for row in rows]}, indent=2))
        return 0
    for row in rows:
        print(f"{row.apprentice:<24} {row.kind:<14} {row.answers:>4} answered, {row.points:3.0f} points each")
    if not rows:
        print(
            f"No progress is kept there. The page's Teach view keeps it, when asked, in {VARIABLE} or a file."
        )
    return 0


def _worksheet(options: argparse.Namespace) -> int:
    for name, value, least in (("--class", options.seed, 0), ("--panel", options.panel, 1)):
        if not least <= value <= _MOST:
            raise UsageError(
                f"{name} can't be used",
                found=str(value),
                allowed=f"{least} to {_MOST}",
                cure=f"give another {name}",
            )
    from surfscan.report.output import output_folder, write_files
    from surfscan.teach.worksheet import make_worksheet

    with output_folder(options.worksheet):
        files = make_worksheet(options.seed, options.panel, units=units_of(options), paper=options.paper)
        written = write_files(options.worksheet, files)
    tell_files(written, as_json=options.json)
    return 0
