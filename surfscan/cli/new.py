"""``surfscan new``: write a job sheet, or look whether photos and sheet go together."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from surfscan.cli.terminal import Parser, Progress, add_inch, units_of
from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.units import Units
from surfscan.report.output import write_file

if TYPE_CHECKING:
    from surfscan.job.new_sheet import Question

__all__ = ["add", "run"]

_SHEET = "panel.toml"
_NOT_GOOD = 3


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about this command."""
    new = commands.add_parser(
        "new",
        parents=[common],
        help="write a job sheet, or look whether photos fit it",
        description="Write a commented panel.toml into the folder JOB, from a few questions, options or a plan. With"
        " --check, look at the photos in JOB against its sheet: are they there, sharp, and what the sheet says.",
    )
    new.add_argument("job", metavar="JOB", type=Path, help="job folder")
    new.add_argument(
        "--check", action="store_true", help="look at the photos; status 0: all good, 3: not yet"
    )
    new.add_argument("--yes", action="store_true", help="ask nothing; what no option says is the default")
    new.add_argument(
        "--plan", metavar="FILE", type=Path, help="take sizes and places from surfscan plan --json"
    )
    new.add_argument("--replace", action="store_true", help="write over a panel.toml that is there")
    new.add_argument("--name", metavar="TEXT", help="a name of your own")
    new.add_argument(
        "--stage", metavar="STAGE", help="bare-metal, filler, putty, primer, sealer, base or clear"
    )
    new.add_argument("--size-mm", metavar="WxH", help="of the panel")
    new.add_argument("--pattern", metavar="WORD", help="stripes, crossed, stepped, dots or lamp")
    new.add_argument("--tag-side-mm", metavar="MM", help="side of the tags' black square")
    new.add_argument("--tag-inset-mm", metavar="MM", help="tag middles in from the panel's edges")
    new.add_argument("--period-mm", metavar="MM", help="one dark and one light stripe; spacing of dots")
    new.add_argument("--board-size-mm", metavar="WxH", help="of the board")
    new.add_argument("--board-centre-mm", metavar="X,Y,Z", help="the board's middle from the panel's middle")
    new.add_argument("--focal-35mm", metavar="MM", help="35 mm equivalent focal length")
    new.add_argument(
        "--photos", metavar="A,B", help="names of the photos (default: those in JOB, where the number fits)"
    )
    add_inch(new)
    new.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Check, or ask and write."""
    if options.check:
        return _check(options)
    from surfscan.job.new_sheet import (
        QUESTIONS,
        answers_from_plan,
        comment_sheet,
        lay_out_sheet,
        photos_wanted,
    )
    from surfscan.look.job_check import photo_files

    job: Path = options.job
    path = job / _SHEET
    if job.exists() and not job.is_dir():
        raise RefusedError(
            f"{job} is no folder",
            found="a file",
            allowed="a folder, there or not yet",
            cure="name another folder",
        )
    if path.exists() and not options.replace:
        raise RefusedError(
            f"{job} has a {_SHEET} already; nothing was written",
            cure=f"check it with surfscan new --check {job}, or write over it with --replace",
            found=_SHEET,
            allowed=f"a folder without {_SHEET}",
        )
    planned = answers_from_plan(_read_plan(options.plan)) if options.plan else {}
    answers: dict[str, Any] = dict(planned)
    for question in QUESTIONS:
        given = getattr(options, question.name, None)
        pattern = answers.get("pattern", "stripes")
        if given is not None:
            answers[question.name] = question.read(given)
        elif question.name in planned or (question.only and pattern not in question.only):
            continue
        else:
            answers[question.name] = question.read("") if options.yes else _ask(question, units_of(options))
    there = photo_files(job)
    files = tuple(name.strip() for name in options.photos.split(",")) if options.photos else ()
    if not files and len(there) == len(photos_wanted(answers["pattern"])):
        files = tuple(there)
    tables = lay_out_sheet(answers, photos=files)
    write_file(path, comment_sheet(tables).encode(), make_folder=True)
    names = [row["file"] for row in tables["photo"]]
    if options.json:
        print(json.dumps({"schema": 1, "file": str(path), "photos": names}, indent=2))
    else:
        print(f"Written: {path}\nPut the photos beside it: {', '.join(names)}")
        print(f"Then: surfscan new --check {job}")
    return 0


def _read_plan(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RefusedError(
            f"{path} cannot be read",
            found=error.strerror or str(error),
            allowed="a file that this computer may read",
            cure="check the path and its rights",
        ) from None
    except (ValueError, RecursionError):
        raise RefusedError(
            f"{path} is no JSON document",
            cure="save it with surfscan plan ... --json",
            found="other text",
            allowed="what surfscan plan --json prints",
        ) from None


def _ask(question: Question, units: Units) -> Any:
    """Ask on the terminal, in those units, until the answer can be used."""
    choices = f" ({', '.join(question.choices)})" if question.choices else ""
    usual = question.usual(units)
    default = f" [{usual}]" if usual else ""
    while True:
        print(f"{question.asked(units)}{choices}{default}: ", end="", file=sys.stderr, flush=True)
        typed = sys.stdin.readline()
        if not typed:
            raise UsageError(
                "The answers ended before the questions did; nothing was written",
                cure="answer them all, give options, or --yes for what is usual",
                found="the end of what was typed",
                allowed="an answer to each question",
            )
        try:
            return question.read(typed, units)
        except RefusedError as error:
            print(f"  {error}", file=sys.stderr)


def _check(options: argparse.Namespace) -> int:
    from surfscan.look.job_check import check_folder

    progress = Progress(quiet=options.quiet)
    try:
        found = check_folder(options.job, progress=progress)
    finally:
        progress.close()
    good = all(finding.good for finding in found)
    if options.json:
        rows = [{"where": f.where, "good": f.good, "sentence": f.sentence, "cure": f.cure} for f in found]
        print(json.dumps({"schema": 1, "good": good, "findings": rows}, indent=2))
        return 0 if good else _NOT_GOOD
    for finding in found:
        cure = f" {finding.cure[0].upper()}{finding.cure[1:].rstrip('.')}." if finding.cure else ""
        print(f"{'good' if finding.good else 'not yet':8} {finding.where}: {finding.sentence}.{cure}")
    print(f"\nNext: surfscan check {options.job} --out result" if good else "\nNot ready to be checked yet.")
    return 0 if good else _NOT_GOOD
