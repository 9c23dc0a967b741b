"""``surfscan join VIEW... --out DIR``: a panel larger than one view."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.check import show
from surfscan.cli.terminal import EPILOG, Parser, Progress, add_inch, units_of
from surfscan.core.errors import RefusedError

if TYPE_CHECKING:
    from surfscan.results.stored import StoredResult

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
    join.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder for the result")
    add_inch(join)
    join.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Check what is not checked yet, join, write and print; the exit status is the verdict's."""
    from surfscan.check.whole import join_views
    from surfscan.report.export import write_result
    from surfscan.report.output import output_folder

    progress = Progress(quiet=options.quiet)
    with output_folder(options.out):
        try:
            views = [_load(path, progress, options) for path in options.views]
            progress("joining the views", 0.9)
            result = join_views(views, name=options.name)
            progress("writing the result", 0.97)
            write_result(options.out, result, units_of(options))
        finally:
            progress.close()
    return show(result, options, out=options.out)


def _load(path: Path, progress: Progress, options: argparse.Namespace) -> StoredResult:
    from surfscan.results.stored import load_result, parse_result

    if (path / "result.json").is_file():
        return load_result(path)
    if not (path / "panel.toml").is_file():
        raise RefusedError(
            f"{path} is no view",
            found="neither panel.toml nor result.json",
            allowed="a job folder, or an output folder of surfscan check",
        )
    from surfscan.check.pipeline import check_job
    from surfscan.report.export import map_bytes, to_json

    progress(f"checking {path.name}", 0.1 + 0.7 * options.views.index(path) / len(options.views))
    result = check_job(path)
    return parse_result(to_json(result).encode(), map_bytes(result), name=path.name)
