"""``surfscan check JOB --against RESULT [--mirrored]``: another measured panel as the fair form."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.recording import open_given
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.change.against import Against

__all__ = ["add_against_options", "load_against"]


def add_against_options(parser: argparse.ArgumentParser) -> None:
    """``--against`` and ``--mirrored``."""
    parser.add_argument(
        "--against",
        metavar="RESULT",
        help="another panel's output folder (or its number in --record) as the fair form: an earlier pass, a saved"
        " master, or with --mirrored the car's other side",
    )
    parser.add_argument(
        "--mirrored",
        action="store_true",
        help="with --against: it is the car's other side, its tags at the mirrored places",
    )


def load_against(options: argparse.Namespace) -> Against | None:
    """What the options name, or None when they name nothing (UsageError, RefusedError)."""
    if options.against is None:
        if options.mirrored:
            raise UsageError(
                "--mirrored says how to read another panel",
                cure="name it with --against RESULT",
                found="no --against",
                allowed="--mirrored with --against RESULT",
            )
        return None
    if not options.jobs:
        raise UsageError(
            "A map is held against nothing",
            cure="leave out --against, or check a job folder",
            found="--against with a map",
            allowed="--against with a job folder",
        )
    from surfscan.change.against import against_result
    from surfscan.job.sheet import load_sheet
    from surfscan.results.stored import load_result

    name: str = options.against
    if name.isdecimal() and not Path(name).is_dir():
        with open_given(options) as record:
            result = record.get(int(name))
    else:
        result = load_result(Path(name))
    return against_result(result, mirrored=options.mirrored, panel=load_sheet(options.jobs[0]).panel.name)
