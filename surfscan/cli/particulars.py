"""What is typed for a paper: options that every command with papers shares."""

from __future__ import annotations

import argparse
from datetime import date
from typing import TYPE_CHECKING

from surfscan.cli.terminal import add_inch, units_of
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.papers.particulars import Particulars

__all__ = ["add_particulars", "particulars_of"]

_TYPED = ("checked_by", "job_number", "date", "shop", "vehicle", "shot_by")


def add_particulars(parser: argparse.ArgumentParser) -> None:
    """Who, whose and when, as it is to be printed; units and paper size."""
    parser.add_argument(
        "--checked-by", metavar="NAME", default="", help="who checked, as it is to be printed"
    )
    parser.add_argument("--shop", metavar="TEXT", default="", help="whose shop, as it is to be printed")
    parser.add_argument("--vehicle", metavar="TEXT", default="", help="which vehicle or part")
    parser.add_argument("--shot-by", metavar="NAME", default="", help="who took the photos")
    parser.add_argument("--date", metavar="TEXT", default="", help="date to print (default: today)")
    add_inch(parser)
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default: a4)")


def particulars_of(options: argparse.Namespace) -> Particulars:
    """What was typed (UsageError for what can't be printed)."""
    from surfscan.papers.particulars import Particulars

    for name in _TYPED:
        text = getattr(options, name)
        if len(text) > 200 or not all(letter.isprintable() for letter in text):
            raise UsageError(
                f"--{name.replace('_', '-')} can't be printed",
                found=f"{len(text)} letters" if len(text) > 200 else repr(text),
                allowed="up to 200 printable letters",
                cure="shorten it, or leave out what is no letter",
            )
    return Particulars(
        date=options.date or date.today().isoformat(),
        checked_by=options.checked_by,
        job_number=options.job_number,
        units=units_of(options).name,
        shop=options.shop,
        vehicle=options.vehicle,
        shot_by=options.shot_by,
    )
