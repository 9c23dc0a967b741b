"""``surfscan compare BEFORE AFTER --out DIR``: what changed between passes of one panel."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.recording import add_record_option, open_given
from surfscan.cli.terminal import EPILOG, EXIT_STATUS, Parser, Progress, add_inch, named_path, units_of
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.results.stored import StoredResult

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    compare = commands.add_parser(
        "compare",
        parents=[common],
        help="compare passes of one panel",
        description=(
            "Compare passes of one panel, earliest first: what was added and taken off, how thick the filler is"
            " against its limit, and which spots closed or opened. Each pass is an output folder of surfscan check,"
            " or the number of a pass in --record."
        ),
        epilog=EPILOG + "\nwhere the status is that of the build against the later pass's filler depth",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    compare.add_argument("passes", metavar="PASS", nargs="*", help="two or more passes, earliest first")
    add_record_option(compare)
    compare.add_argument("--job-number", metavar="N", help="all passes of this job in the record")
    compare.add_argument("--panel", metavar="NAME", help="with --job-number: of this panel")
    compare.add_argument(
        "--out", metavar="DIR", type=named_path, required=True, help="folder for the comparison"
    )
    moved = compare.add_mutually_exclusive_group()
    moved.add_argument(
        "--tags-moved",
        dest="tags_moved",
        action="store_true",
        default=None,
        help="the tags were taken off and laid again in between (found out when not said)",
    )
    moved.add_argument(
        "--tags-stayed", dest="tags_moved", action="store_false", help="the tags were not touched in between"
    )
    add_inch(compare)
    compare.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Compare, write and print; the exit status is that of the build."""
    from surfscan.change.buildup import compare_passes
    from surfscan.report.difference import comparison_json, write_comparison
    from surfscan.report.difference_table import format_comparison
    from surfscan.report.output import output_folder
    from surfscan.results.edited import told_as_damage

    out: Path = options.out
    progress = Progress(quiet=options.quiet)
    progress("reading the passes", 0.0)
    passes = _load(options)
    if len(passes) < 2:
        raise UsageError(
            "compare needs at least two passes",
            found=str(len(passes)),
            cure="see surfscan compare --help",
            allowed="two or more, earliest first",
        )
    with output_folder(out), told_as_damage(", ".join(one.name for one in passes)):
        try:
            progress("comparing", 0.2)
            found = compare_passes(passes, tags_moved=options.tags_moved)
            progress("writing the comparison", 0.8)
            write_comparison(out, found, units_of(options))
        finally:
            progress.close()
    if options.json:
        sys.stdout.write(comparison_json(found))
    else:
        print(format_comparison(found, units_of(options)))
        print(f"\nPicture: {out / 'difference.png'}   everything: {out}")
    sys.stdout.flush()
    return EXIT_STATUS[found.whole.verdict]


def _load(options: argparse.Namespace) -> list[StoredResult]:
    """The passes from folders, or from the record: numbers, or all of one panel of a job."""
    from surfscan.results.stored import load_result

    numbers = [name.isdecimal() and not Path(name).is_dir() for name in options.passes]
    if options.job_number is None and not any(numbers):
        return [load_result(Path(name)) for name in options.passes]
    with open_given(options) as record:
        if options.job_number is None:
            return [
                record.get(int(name)) if number else load_result(Path(name))
                for name, number in zip(options.passes, numbers, strict=True)
            ]
        if options.passes:
            raise UsageError(
                "compare takes passes or a job, not both",
                cure="leave one of them out",
                found="both",
                allowed="PASS PASS..., or --job-number N",
            )
        rows = record.history(job=options.job_number, panel=options.panel)
        names = sorted({row.panel for row in rows})
        if len(names) > 1:
            raise UsageError(
                f"Job {options.job_number} has passes of several panels",
                found=", ".join(names),
                cure="say --panel NAME",
                allowed="passes of one panel",
            )
        return [record.get(row.id) for row in rows]
