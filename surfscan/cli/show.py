"""``surfscan show N``: one pass of a record, as its check showed it."""

from __future__ import annotations

import argparse
import sys

from surfscan.cli.recording import add_record_option, open_given
from surfscan.cli.terminal import EPILOG, EXIT_STATUS, Parser, add_inch, add_why, named_path, units_of

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    show = commands.add_parser(
        "show",
        parents=[common],
        help="show a pass of a record",
        description=(
            "Show a pass as its check showed it. With --out its files are written back byte for byte: result.json,"
            " height.npz and the sheet, so that every command that takes an output folder takes it."
        ),
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    show.add_argument("number", metavar="N", type=int, help="the pass's number, as history lists it")
    add_record_option(show)
    show.add_argument("--out", metavar="DIR", type=named_path, help="write its files into this folder")
    add_inch(show)
    add_why(show)
    show.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Print the pass; the exit status is its verdict's."""
    from surfscan.report.output import prepare_output, write_files
    from surfscan.report.table import format_result
    from surfscan.results.edited import told_as_damage

    with open_given(options) as record:
        result = record.get(options.number)
        files = record.files(options.number)
    if options.out is not None:
        prepare_output(options.out)
        write_files(options.out, files)
    if options.json:
        sys.stdout.write(files["result.json"].decode())
    else:
        print(f"Pass {options.number}, checked {result.run.get('started', '')}")
        with told_as_damage(f"Pass {options.number}"):
            table = format_result(result, units_of(options), why=getattr(options, "why", False))
        print(table)
        if options.out is not None:
            print(f"\nFiles: {options.out}")
    sys.stdout.flush()
    return EXIT_STATUS[result.verdict]
