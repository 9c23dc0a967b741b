"""``surfscan join VIEW... --out DIR``: a panel larger than one view."""

from __future__ import annotations

import argparse
from pathlib import Path

from surfscan.cli.check import show
from surfscan.cli.terminal import EPILOG, Parser, Progress, add_inch, add_why, named_path, units_of

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    join = commands.add_parser(
        "join",
        parents=[common],
        help="judge a panel larger than one view",
        description=(
            "Join overlapping views of one panel into one map and judge it. Each view is a job folder, which is"
            " checked first, or an output folder of surfscan check; its sheet says with panel.origin_mm where its"
            " middle lies on the whole panel."
        ),
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    join.add_argument(
        "views", metavar="VIEW", type=Path, nargs="+", help="job or result folders, two or more"
    )
    join.add_argument("--name", default="", help="name of the whole panel")
    join.add_argument("--out", metavar="DIR", type=named_path, required=True, help="folder for the result")
    add_inch(join)
    add_why(join)
    join.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Check what is not checked yet, join, write and print; the exit status is the verdict's."""
    from surfscan.interface.several import join
    from surfscan.report.export import write_result
    from surfscan.report.output import output_folder

    progress = Progress(quiet=options.quiet)
    with output_folder(options.out):
        try:
            result = join(options.views, name=options.name, progress=progress)
            progress("writing the result", 0.97)
            write_result(options.out, result, units_of(options))
        finally:
            progress.close()
    return show(result, options, out=options.out)
