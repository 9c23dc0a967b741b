"""``surfscan report RESULT`` and ``surfscan verify FOLDER``: papers of a result, and whether they still fit it."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from surfscan.cli.key import add_signing, signing_of
from surfscan.cli.particulars import add_particulars, particulars_of
from surfscan.cli.terminal import Parser, named_path, tell_files
from surfscan.core.errors import UsageError

__all__ = ["add", "run_report", "run_verify"]

_DIFFERS = 3


def add(commands: argparse._SubParsersAction[Parser], common: Parser) -> None:
    """Tell the parser about these commands."""
    report = commands.add_parser(
        "report",
        parents=[common],
        help="write a result's papers",
        description=(
            "Write report.pdf, its twin report.html and seal.json for a result (an output folder of check); or"
            " before-after.pdf and its twin for a comparison (an output folder of compare)."
        ),
    )
    report.add_argument(
        "result", metavar="RESULT", type=Path, help="output folder of surfscan check or compare"
    )
    report.add_argument("--out", metavar="DIR", type=named_path, help="another folder (default: into RESULT)")
    report.add_argument("--job-number", metavar="TEXT", default="", help="the shop's number for the job")
    report.add_argument(
        "--photos", metavar="JOB", type=Path, help="put in the photos without marks, from this job folder"
    )
    add_signing(report)
    add_particulars(report)
    report.set_defaults(run=run_report)
    verify = commands.add_parser(
        "verify",
        parents=[common],
        help="see whether a report still fits its result",
        description="Compute a report's digest again and say what differs. Exit status 0: nothing; 3: something.",
    )
    verify.add_argument(
        "folder", metavar="FOLDER", type=Path, help="folder with report.pdf, seal.json and the result"
    )
    verify.add_argument(
        "--digest", metavar="HEX", default="", help="digest on the printed paper, 8 digits or more"
    )
    verify.add_argument(
        "--key",
        metavar="KEY",
        help="the shop's public key, a file or 64 digits; the seal must be signed with it",
    )
    verify.add_argument(
        "--authority",
        metavar="CERT",
        type=Path,
        help="root certificate (PEM) of the time stamp service: the time stamp must be signed under it",
    )
    verify.set_defaults(run=run_verify)


def run_report(options: argparse.Namespace) -> int:
    """Write the papers, and name them."""
    from surfscan.papers.before_after import holds_comparison, write_before_after
    from surfscan.papers.folder import write_report
    from surfscan.papers.seal import what_it_shows

    particulars = particulars_of(options)
    if holds_comparison(options.result):
        for_results = ("out", "photos", "sign", "stamp")
        given = next((f"--{name}" for name in for_results if getattr(options, name) not in (None, False)), "")
        if given:
            raise UsageError(
                f"{given} goes with a result only",
                found="a comparison",
                allowed="an output folder of surfscan check",
                cure=f"leave {given} out: the paper goes into the comparison's own folder",
            )
        files = write_before_after(options.result, particulars, paper=options.paper)
    else:
        files = write_report(
            options.result,
            particulars,
            out=options.out,
            paper=options.paper,
            photos=options.photos,
            signing=signing_of(options),
        )
    tell_files(files, as_json=options.json)
    if options.sign is not None and not options.json:
        print(what_it_shows(signed=True), file=sys.stderr)
    return 0


def run_verify(options: argparse.Namespace) -> int:
    """Compare, and say what differs."""
    from surfscan.papers.car import holds_car, verify_car
    from surfscan.papers.seal import what_it_shows
    from surfscan.papers.signing import load_public_key
    from surfscan.papers.verifying import verify_report

    word = options.digest.strip().lower()
    if word and (len(word) < 8 or set(word) - set("0123456789abcdef")):
        raise UsageError(
            "--digest can't be a digest",
            found=options.digest,
            allowed="8 to 64 digits of 0-9 and a-f",
            cure="type it as it stands at the foot of each page",
        )
    key = None if options.key is None else load_public_key(options.key)
    verify = verify_car if holds_car(options.folder) else verify_report
    found = verify(options.folder, printed=word, key=key, authority=options.authority)
    if options.json:
        print(
            json.dumps(
                {
                    "schema": 1,
                    "unchanged": not found.differences,
                    "digest": found.digest,
                    "differences": list(found.differences),
                    "notes": list(found.notes),
                    "signed_by": found.signed_by,
                    "stamped": found.stamped,
                    "shows": what_it_shows(signed=bool(found.signed_by)),
                },
                indent=2,
            )
        )
    elif found.differences:
        print(f"{options.folder}: not as it was sealed:")
        for sentence in found.differences:
            print(f"  {sentence}")
    else:
        print(f"{options.folder}: as it was sealed.\nDigest of the result: {found.digest}")
    if not options.json:
        if found.signed_by:
            print(f"Signed with the key {found.signed_by}.")
        if found.stamped:
            print(f"Time stamp: {found.stamped}.")
        for sentence in found.notes:
            print(f"Note: {sentence}.")
        print(what_it_shows(signed=bool(found.signed_by)))
    return _DIFFERS if found.differences else 0
