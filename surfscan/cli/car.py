"""``surfscan car``: a whole car, its outline with each panel's verdict, what is left to do, one sealed paper."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.key import add_signing, signing_of
from surfscan.cli.particulars import add_particulars, particulars_of
from surfscan.cli.recording import add_record_option, open_given
from surfscan.cli.terminal import EPILOG, EXIT_STATUS, Parser, Progress, named_path, units_of
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.car.summary import Car
    from surfscan.core.units import Units

__all__ = ["add", "run"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    car = commands.add_parser(
        "car",
        parents=[common],
        help="a whole car: its outline, what is left to do, one paper",
        description=(
            "Put a car's panels together: check the jobs that are new or changed, draw the car's outline with each"
            " panel's verdict, say what is left to do in order, and write one sealed paper. The car is a folder with"
            " car.toml, or with a job or result folder for each panel; or one job number of a record. With CAR and"
            " --record, what is checked is added to the record under the car's job number."
        ),
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    car.add_argument("car", metavar="CAR", type=Path, nargs="?", help="folder of the car")
    car.add_argument(
        "--out", metavar="DIR", type=named_path, required=True, help="folder for the results and the paper"
    )
    car.add_argument(
        "--job-number", metavar="N", default="", help="without CAR: the job number in the record"
    )
    add_record_option(car)
    add_signing(car)
    add_particulars(car)
    car.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Check, put together, write, print; the exit status is the worst panel's."""
    from surfscan.interface.car import gather_car, gather_recorded_car, keep_recorded
    from surfscan.papers.car import write_car
    from surfscan.papers.seal import what_it_shows

    if (options.car is None) == (not options.job_number):
        raise UsageError(
            "A car is a folder, or a job number of a record",
            found="both" if options.car is not None else "neither",
            allowed="surfscan car CAR --out DIR, or surfscan car --record PATH --job-number N --out DIR",
            cure="give one of them",
        )
    particulars, signing = particulars_of(options), signing_of(options)
    if options.car is None:
        with open_given(options) as record:
            car, numbers = gather_recorded_car(record, options.job_number)
            sources = keep_recorded(record, car, numbers, options.out)
    else:
        progress = Progress(quiet=options.quiet)
        try:
            car, sources = gather_car(options.car, options.out, record=_record(options), progress=progress)
        finally:
            progress.close()
    write_car(car, sources, options.out, particulars, paper=options.paper, signing=signing)
    if options.json:
        sys.stdout.write(json.dumps(car.document(), indent=2, ensure_ascii=False) + "\n")
    else:
        print(_told(car, units_of(options)))
        print(f"\nPaper: {options.out / 'car.pdf'}   for a phone: {options.out / 'car.html'}")
        print(what_it_shows(signed=options.sign is not None), file=sys.stderr)
    sys.stdout.flush()
    return EXIT_STATUS[car.verdict]


def _record(options: argparse.Namespace) -> str | None:
    """The record to add checked panels to, where one is named; seen before any work."""
    if options.record is None:
        return None
    from surfscan.results.record import open_record

    open_record(options.record).close()
    return options.record if "://" in options.record else str(Path(options.record).absolute())


def _told(car: Car, units: Units) -> str:
    """The car as text."""
    from surfscan.report.car_words import car_headline, car_title, left_lines, stage_word
    from surfscan.report.words import VERDICT_WORDS

    lines = [f"{car_title(car)}: {VERDICT_WORDS[car.verdict]}. {car_headline(car)}", ""]
    lines.append("no.  panel                            stage          verdict")
    for k, panel in enumerate(car.panels, 1):
        word = "not checked" if panel.result is None else VERDICT_WORDS[panel.verdict].lower()
        lines.append(f"{k:>3}  {panel.title:<31.31}  {stage_word(panel.stage):<13.13}  {word}")
    left = left_lines(car, units)
    lines += ["", "Left to do, in order:" if left else "Nothing is left to do at these stages."]
    return "\n".join(lines + [f"{k:>3}. {line}" for k, line in enumerate(left, 1)])
