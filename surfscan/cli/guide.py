"""``surfscan guide``: the shot in drawings, and what goes wrong in pictures."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from surfscan.cli.terminal import Parser, Progress, named_path

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    guide = commands.add_parser(
        "guide",
        parents=[common],
        help="write the guide: how to shoot, what goes wrong",
        description="Write the guide as a page: the shot in six drawings, a picture for each fault, and how to wet a"
        " surface safely.",
    )
    guide.add_argument(
        "--out",
        metavar="DIR",
        type=named_path,
        default=Path("surfscan-guide"),
        help="folder (default: surfscan-guide)",
    )
    guide.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Draw, photograph and write."""
    from surfscan.guide.pages import write_guide

    progress = Progress(quiet=options.quiet)
    progress("drawing", 0.2)
    try:
        files = write_guide(options.out)
    finally:
        progress.close()
    if options.json:
        print(json.dumps({"schema": 1, "files": [str(path) for path in files]}, indent=2))
    else:
        print(f"Look at {files[0]}")
    return 0
