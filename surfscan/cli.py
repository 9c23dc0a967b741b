"""The command: arguments, progress, exit status. No arithmetic.

Exit status: 0 ready, 10 rework, 11 too close to call, 4 not measured, 3 the sheet or a photo was refused,
2 wrong use, 1 a fault of ours, 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import argparse
import io
import json
import shutil
import sys
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from surfscan.errors import NotMeasuredError, SurfscanError, UsageError
from surfscan.version import VERSION

if TYPE_CHECKING:
    from surfscan.records import CheckResult

__all__ = ["EXIT_STATUS", "main"]

EXIT_STATUS = {"ready": 0, "rework": 10, "close": 11, "not_measured": 4}
_STOPPED = 130  # as shells report a process ended by SIGINT
_EPILOG = """exit status:
  0 ready   10 rework   11 too close to call   4 not measured
  3 sheet or photo refused   2 wrong use   1 a fault of ours   130 stopped"""

Check = Callable[..., "CheckResult"]


class _Parser(argparse.ArgumentParser):
    """argparse with its complaints in the one form of this command."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(message[0].upper() + message[1:], cure=f"see {self.prog} --help")


class _Progress:
    """One line on stderr: rewritten on a terminal, one plain line per stage elsewhere, none when quiet."""

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._live = sys.stderr.isatty()
        self._stage = ""

    def __call__(self, stage: str, fraction: float) -> None:
        if self._quiet:
            return
        if self._live:
            print(f"\r\x1b[K{100 * fraction:3.0f} %  {stage}", end="", file=sys.stderr, flush=True)
        elif stage != self._stage:
            print(f"surfscan: {stage}", file=sys.stderr, flush=True)
        self._stage = stage

    def close(self) -> None:
        """Clear the line."""
        if self._live and self._stage:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
        self._stage = ""


def _parser() -> _Parser:
    common = _Parser(add_help=False)
    common.add_argument("--json", action="store_true", help="print result.json instead of the table")
    common.add_argument("--quiet", action="store_true", help="no progress")
    common.add_argument("--debug", action="store_true", help="on a fault of ours, show where it happened")
    parser = _Parser(
        prog="surfscan",
        description="Is the panel fair? Photos of reflected stripes in; height map, spots and verdict out.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"surfscan {VERSION}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    check = commands.add_parser(
        "check",
        parents=[common],
        help="judge one panel",
        description="Judge one panel: read JOB/panel.toml and its photos, write the result into DIR.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument("job", metavar="JOB", type=Path, help="folder with panel.toml and the photos")
    check.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder for the result")
    demo = commands.add_parser(
        "demo",
        parents=[common],
        help="run on bundled photos",
        description="Copy the bundled photos into DIR, judge them, and say what to look at.",
    )
    demo.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=Path("surfscan-demo"),
        help="folder (default: surfscan-demo)",
    )
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit status.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; the process's own by default.
    """
    given = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in given
    for stream in (sys.stdout, sys.stderr):  # a name's letters must not end a run on a plain-ASCII terminal
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    try:
        options = _parser().parse_args(given)
        if options.command is None:
            raise UsageError("No command was given", allowed="check or demo", cure="see surfscan --help")
        return int(_demo(options) if options.command == "demo" else _check(options))
    except KeyboardInterrupt:
        print("\nsurfscan: stopped; no half-written result was left", file=sys.stderr)
        return _STOPPED
    except SurfscanError as error:
        return _tell(error, given)
    except BrokenPipeError:  # the reader of our output left, as `head` does
        with suppress(OSError):
            sys.stdout.close()
        return 1
    except Exception as error:
        if debug:
            traceback.print_exc()
        more = "" if debug else " Run it again with --debug to see where, and please report that"
        kind = "memory ran out" if isinstance(error, MemoryError) else f"{type(error).__name__}: {error}"
        print(f"surfscan: a fault of ours, not of your photos ({kind}).{more}", file=sys.stderr)
        return 1


def _tell(error: SurfscanError, given: list[str]) -> int:
    print(f"surfscan: {error}", file=sys.stderr)
    if "--json" in given:
        verdict = "not_measured" if isinstance(error, NotMeasuredError) else None
        print(
            json.dumps(
                {"schema": 1, "verdict": verdict, "status": error.status, "reasons": [str(error)]}, indent=2
            )
        )
    return error.status


def _run(job: Path, out: Path, options: argparse.Namespace) -> CheckResult:
    """Check a job and write its result; a run that fails leaves no folder of its own behind."""
    from surfscan.report.export import prepare_output, write_result

    made = prepare_output(out)
    progress = _Progress(quiet=options.quiet)
    try:
        result = _check_job()(job, progress=progress)
        progress("writing the result", 0.97)
        write_result(out, result)
    except BaseException:
        progress.close()
        if made:
            with suppress(OSError):
                out.rmdir()
        elif (out / "result.json").exists():
            print(f"surfscan: {out} still holds the result of an earlier run", file=sys.stderr)
        raise
    progress.close()
    return result


def _check_job() -> Check:
    from surfscan.pipeline import check_job

    return check_job


def _show(result: CheckResult, options: argparse.Namespace, *, out: Path, after: str = "") -> int:
    if options.json:
        from surfscan.report.export import to_json

        sys.stdout.write(to_json(result))
    else:
        from surfscan.report.table import format_result

        print(format_result(result))
        print(f"\nPicture: {out / 'overlay.png'}   map: {out / 'map.png'}   everything: {out}")
        if after:
            print(after)
    sys.stdout.flush()
    return EXIT_STATUS[result.verdict]


def _check(options: argparse.Namespace) -> int:
    job, out = options.job, options.out
    result = _run(job, out, options)
    return _show(result, options, out=out)


def _demo(options: argparse.Namespace) -> int:
    """Status 0 when the demo ran, whatever the panel's verdict: the demo is there to be looked at."""
    from surfscan.report.export import prepare_output

    out: Path = options.out
    made = prepare_output(out)
    job = out / "job"
    made_job = not job.exists()
    try:
        _copy_demo(job)
        result = _run(job, out, options)
    except BaseException:
        if made_job:
            shutil.rmtree(job, ignore_errors=True)
        if made:
            with suppress(OSError):
                out.rmdir()
        raise
    _show(result, options, out=out, after=_look_at(result, out, job))
    return 0


def _copy_demo(job: Path) -> None:
    source = resources.files("surfscan") / "data" / "demo"
    files = [item for item in source.iterdir() if item.is_file()] if source.is_dir() else []
    if not files:
        raise FileNotFoundError("the demo's photos are missing from this installation")
    job.mkdir(parents=True, exist_ok=True)
    for item in files:
        (job / item.name).write_bytes(item.read_bytes())


def _look_at(result: CheckResult, out: Path, job: Path) -> str:
    lines = [
        "",
        "What to look at:",
        f"  1. {out / 'overlay.png'}: a triangle pointing down with a solid outline is a low, one",
        "     pointing up with a dashed outline is a high; the numbers are those of the table above.",
        f"  2. {out / 'map.png'}: the same from straight above, with the scale in mm.",
        f"  3. {job / 'panel.toml'}: the job sheet. Copy the folder, put your own photos and",
        f"     sizes in, and run: surfscan check {job} --out {out}",
    ]
    status = EXIT_STATUS[result.verdict]
    lines.append(f"The same check on your own panel would end with exit status {status} ({result.verdict}).")
    return "\n".join(lines)
