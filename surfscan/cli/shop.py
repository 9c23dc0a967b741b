"""``surfscan shop``: what the sum of a record's checks tells."""

from __future__ import annotations

import argparse
import json
import re
import sys
from typing import TYPE_CHECKING

from surfscan.cli.particulars import add_particulars, particulars_of
from surfscan.cli.recording import add_record_option, record_path
from surfscan.cli.terminal import Parser, Progress, named_path, units_of
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.core.units import Units
    from surfscan.shop.figures import ShopFigures

__all__ = ["add", "run"]

_MONTH = re.compile(r"\d{4}-(0[1-9]|1[0-2])")


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    shop = commands.add_parser(
        "shop",
        parents=[common],
        help="what the shop learns from its record",
        description=(
            "Sum a record up: share ready at first look by stage and month, passes per panel, filler, spots that come"
            " back, drift of the stations, uncertainty over time. With --out as a PDF of two pages, HTML, CSV and JSON."
            " No names of panels or people are in it."
        ),
    )
    add_record_option(shop)
    shop.add_argument("--out", metavar="DIR", type=named_path, help="write the papers and the table into DIR")
    shop.add_argument("--since", metavar="YYYY-MM", default="", help="from this month on")
    shop.add_argument("--until", metavar="YYYY-MM", default="", help="up to this month")
    shop.add_argument(
        "--compare",
        action="store_true",
        help="compare passes for the filler that went on; kept in the record",
    )
    add_particulars(shop)
    shop.set_defaults(run=run, job_number="")


def run(options: argparse.Namespace) -> int:
    """Work the figures out, print and write them; status 0."""
    from surfscan.papers.shop import write_shop
    from surfscan.shop.figures import learn
    from surfscan.shop.table import table_rows

    for name in ("since", "until"):
        month = getattr(options, name)
        if month and not _MONTH.fullmatch(month):
            raise UsageError(
                f"--{name} is no month",
                found=month,
                allowed="a year and a month, such as 2026-03",
                cure="write it so",
            )
    particulars = particulars_of(options)
    progress = Progress(quiet=options.quiet)
    try:
        figures = learn(
            record_path(options),
            since=options.since,
            until=options.until,
            compare=options.compare,
            progress=progress,
        )
    finally:
        progress.close()
    files = [] if options.out is None else write_shop(figures, options.out, particulars, paper=options.paper)
    if options.json:
        sys.stdout.write(json.dumps({"schema": 1, "rows": table_rows(figures)}, indent=2) + "\n")
    else:
        print(_told(figures, units_of(options)))
        for path in files:
            print(path)
    return 0


def _told(figures: ShopFigures, units: Units) -> str:
    """The figures as text."""
    from surfscan.papers.shop import drift_words, filler_rows, share_words, told_of_record
    from surfscan.report.car_words import stage_word

    lines = [told_of_record(figures) + (f", {figures.first} to {figures.last}." if figures.first else ".")]
    for title, shares, names in (
        ("Ready at first look:", [s for s in figures.first_looks if not s.group], False),
        ("Spots there again at the next check:", figures.back, True),
    ):
        lines += ["", title] if shares else []
        for share in shares:
            kind = f"{share.group}s " if names else ""
            lines.append(f"  {stage_word(share.stage):<14} {kind}{share_words(share)}")
    if figures.counts:
        lines += ["", "Passes until a panel was ready:"]
        for counts in figures.counts:
            ready = ", ".join(f"{n} after {k}" for k, n in counts.ready) or "none yet"
            lines.append(f"  {stage_word(counts.stage):<14} {ready}; {counts.open} not ready yet")
    filler = filler_rows(figures, units)
    lines += ["", "Filler:"] if filler else []
    lines += [
        f"  {label}: {total} on {panels} panels, {most} at most" for label, panels, total, _, most in filler
    ]
    if figures.drifts:
        lines += ["", "Stations:", *(f"  {drift_words(drift)}" for drift in figures.drifts)]
    if figures.u95:
        last = figures.u95[-1]
        lines += ["", f"Typical ± in {last.month}: {units.depth(last.median_mm)} ({last.checks} checks)."]
    return "\n".join(lines)
