"""``surfscan check JOB --out DIR``: judge one panel."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from surfscan.cli.against import add_against_options, load_against
from surfscan.cli.from_map import add_map_options, check_given_map, see_no_map_options
from surfscan.cli.photos import (
    add_photo_options,
    are_photos,
    check_given_photos,
    job_folder,
    see_no_photo_options,
    see_photo_options,
)
from surfscan.cli.recording import add_recording_options, check_recording, record_result
from surfscan.cli.terminal import (
    EPILOG,
    EXIT_STATUS,
    Parser,
    Progress,
    add_inch,
    add_why,
    named_path,
    units_of,
)
from surfscan.core.errors import UsageError

if TYPE_CHECKING:
    from surfscan.change.against import Against
    from surfscan.core.records import CheckResult

__all__ = ["add", "check_and_write", "run", "show"]

Check = Callable[..., "CheckResult"]


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    check = commands.add_parser(
        "check",
        parents=[common],
        help="judge one panel",
        description="Judge one panel, and write the result into DIR: from a job folder with panel.toml, or from photos"
        " alone, in any order, at a station or with a printed kit (surfscan print kit); the job that they make is kept"
        " in DIR/job.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument(
        "jobs",
        metavar="JOB",
        type=Path,
        nargs="*",
        help="folder with panel.toml and the photos; or photos of one panel",
    )
    check.add_argument("--out", metavar="DIR", type=named_path, required=True, help="folder for the result")
    add_against_options(check)
    add_recording_options(check)
    add_photo_options(check)
    add_map_options(check)
    add_inch(check)
    add_why(check)
    check.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Judge one panel and print the table; the exit status is the verdict's."""
    if bool(options.jobs) == (options.from_map is not None):
        raise UsageError(
            "check judges one job folder, photos of one panel, or one map",
            found="both" if options.jobs else "neither",
            allowed="surfscan check JOB --out DIR, or surfscan check --from-map FILE --out DIR",
            cure="leave one of them out" if options.jobs else "name the job folder, the photos, or the map",
        )
    if options.from_map is None:
        from surfscan.core.aside import start_aside

        start_aside("surfscan.job.decoders")  # beside the libraries loaded here
    check_recording(options)
    if options.from_map is None and are_photos(options):
        see_photo_options(options)
    against = load_against(options)
    sheet = None
    if options.from_map is not None:
        result = write_checked(lambda progress: check_given_map(options), options.out, options)
    elif are_photos(options):
        result = write_checked(lambda progress: check_given_photos(options, progress), options.out, options)
        sheet = job_folder(options) / "panel.toml"
    else:
        see_no_photo_options(options)
        see_no_map_options(options)
        job = options.jobs[0]
        result = check_and_write(job, options.out, options, against=against)
        sheet = job / "panel.toml" if job.is_dir() else job
    record_result(options, options.out, sheet)
    return show(result, options, out=options.out)


def check_and_write(
    job: Path, out: Path, options: argparse.Namespace, *, against: Against | None = None
) -> CheckResult:
    """Check a job and write its result."""
    more = {} if against is None else {"against": against}
    return write_checked(lambda progress: _check_job()(job, progress=progress, **more), out, options)


def write_checked(
    check: Callable[[Progress], CheckResult], out: Path, options: argparse.Namespace
) -> CheckResult:
    """Check and write the result; a run that fails leaves no folder of its own behind."""
    from surfscan.report.export import write_result
    from surfscan.report.output import output_folder

    progress = Progress(quiet=options.quiet)
    with output_folder(out) as made:
        try:
            result = check(progress)
            progress("writing the result", 0.97)
            write_result(out, result, units_of(options))
        except BaseException:
            progress.close()
            if not made and (out / "result.json").exists():
                print(f"surfscan: {out} still holds the result of an earlier run", file=sys.stderr)
            raise
    progress.close()
    return result


def _check_job() -> Check:
    from surfscan.checking.pipeline import check_job

    return check_job


def show(result: CheckResult, options: argparse.Namespace, *, out: Path, after: str = "") -> int:
    """Print the result as a table or as JSON; return the exit status of its verdict."""
    if options.json:
        from surfscan.report.export import to_json

        sys.stdout.write(to_json(result))
    else:
        from surfscan.report.table import format_result

        print(format_result(result, units_of(options), why=getattr(options, "why", False)))
        if "station" in result.details:
            print(f"\n{result.details['station']['sentence']}")
        print(f"\nPicture: {out / 'overlay.png'}   map: {out / 'map.png'}   everything: {out}")
        if after:
            print(after)
    sys.stdout.flush()
    return EXIT_STATUS[result.verdict]
