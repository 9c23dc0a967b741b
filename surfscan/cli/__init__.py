"""The command: arguments, progress, exit status. No arithmetic. One file per command.

Exit status: 0 ready, 10 rework, 11 too close to call, 4 not measured, 3 the sheet or a photo was refused,
2 wrong use, 1 a fault of ours, 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import traceback
from collections.abc import Sequence
from contextlib import suppress

from surfscan.cli import (
    batch,
    car,
    check,
    compare,
    demo,
    export,
    forget,
    gloss,
    guide,
    history,
    join,
    key,
    kit,
    lens,
    new,
    page,
    plan,
    print_,
    prove,
    report,
    screen,
    serve,
    shop,
    show,
    station,
    teach,
    watch,
)
from surfscan.cli.terminal import EPILOG, EXIT_STATUS, Parser, common_options
from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError
from surfscan.core.parts import missing_part
from surfscan.version import VERSION

__all__ = ["COMMANDS", "EXIT_STATUS", "main"]

# In the order of the help. Each has `add(commands, common)`, which also names the function to run.
COMMANDS = (
    guide,
    new,
    screen,
    check,
    batch,
    watch,
    join,
    report,
    car,
    key,
    compare,
    history,
    show,
    forget,
    shop,
    gloss,
    demo,
    plan,
    print_,
    kit,
    station,
    export,
    page,
    serve,
    lens,
    prove,
    teach,
)
_STOPPED = 130  # as shells report a process ended by SIGINT
_NO_READER = 141  # and one ended by SIGPIPE


def _parser() -> Parser:
    common = common_options()
    parser = Parser(
        prog="surfscan",
        description="Is the panel fair? Photos of reflected stripes in; height map, spots and verdict out.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"surfscan {VERSION}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    for module in COMMANDS:
        module.add(commands, common)
    parser.see_each_other()
    return parser


def _run(given: list[str]) -> int:
    options = _parser().parse_args(given)
    if options.command is None:
        raise UsageError(
            "No command was given",
            allowed=", ".join(module.__name__.rsplit(".", 1)[1].rstrip("_") for module in COMMANDS),
            cure="see surfscan --help",
            found="none",
        )
    return int(options.run(options))


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
        try:
            return _run(given)
        finally:
            sys.stdout.flush()  # a reader that left is noticed here, where it is told from a fault
    except KeyboardInterrupt:
        print("\nsurfscan: stopped; no half-written result was left", file=sys.stderr)
        return _STOPPED
    except SurfscanError as error:
        return _tell(error, given)
    except BrokenPipeError:  # the reader of our output left, as `head` does
        with suppress(OSError, ValueError):  # what is left to be written goes nowhere
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _NO_READER
    except ModuleNotFoundError as error:
        part = missing_part(error)
        return _fault(error, debug=debug) if part is None else _tell(part, given)
    except OSError as error:  # a name too long, no rights, a drive that went away
        return _tell(_no_access(error), given)
    except MemoryError:
        short = RefusedError(
            "The memory of this computer is too small for this job",
            found="memory ran out",
            cure="judge a smaller region, take smaller photos or fewer of them, or close other programs",
            allowed="what this computer's memory holds",
        )
        return _tell(short, given)
    except Exception as error:
        return _fault(error, debug=debug)


def _fault(error: Exception, *, debug: bool) -> int:
    if debug:
        traceback.print_exc()
    more = "" if debug else " Run it again with --debug to see where, and please report that"
    kind = f"{type(error).__name__}: {error}"
    print(f"surfscan: a fault of ours, not of your photos ({kind}).{more}", file=sys.stderr)
    return 1


def _no_access(error: OSError) -> RefusedError:
    name = str(error.filename or "a file")
    return RefusedError(
        f"{name if len(name) <= 100 else name[:60] + '...' + name[-30:]} can't be used",
        found=error.strerror or str(error) or type(error).__name__,
        allowed="a path that this computer has and may read, names of at most 255 bytes",
        cure="check the path, its rights, and that the drive is there",
    )


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
