"""What every command shares: the parser's complaints, the common options, the progress line, exit status."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from surfscan.cli.complaints import retold
from surfscan.core.errors import UsageError
from surfscan.core.units import INCH, MM, Units, parse_length

__all__ = [
    "EPILOG",
    "EXIT_STATUS",
    "Parser",
    "Progress",
    "add_inch",
    "add_why",
    "common_options",
    "length",
    "named_path",
    "tell_files",
    "units_of",
]

EXIT_STATUS = {"ready": 0, "rework": 10, "close": 11, "not_measured": 4}
EPILOG = """exit status:
  0 ready   10 rework   11 too close to call   4 not measured
  3 sheet or photo refused   2 wrong use   1 a fault of ours   130 stopped"""


class Parser(argparse.ArgumentParser):
    """argparse with its complaints in the one form of this command."""

    def error(self, message: str) -> NoReturn:
        raise retold(message, prog=self.prog, known=sorted(_options_of(self)))


def _options_of(parser: argparse.ArgumentParser) -> set[str]:
    """Its long options, and those of its commands: what is left over is complained about at the top."""
    found = set()
    for action in parser._actions:
        found |= {name for name in action.option_strings if name.startswith("--")}
        if isinstance(action, argparse._SubParsersAction):
            found |= {name for inner in action.choices.values() for name in _options_of(inner)}
    return found


class Progress:
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


def tell_files(files: Sequence[Path], *, as_json: bool) -> None:
    """Print the names of the files that a command wrote."""
    if as_json:
        print(json.dumps({"schema": 1, "files": [str(path) for path in files]}, indent=2))
        return
    for path in files:
        print(path)


def common_options() -> Parser:
    """The options of every command: ``--json``, ``--quiet``, ``--debug``."""
    common = Parser(add_help=False)
    common.add_argument("--json", action="store_true", help="print one JSON document instead of text")
    common.add_argument("--quiet", action="store_true", help="no progress")
    common.add_argument("--debug", action="store_true", help="on a fault of ours, show where it happened")
    return common


def length(text: str) -> float:
    """The type of an option that is a length: 640, 640mm, 25in or 1/8in; millimetres."""
    try:
        return parse_length(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def named_path(text: str) -> Path:
    """The type of an option that names a place to write to; an empty one would be the folder one is in."""
    if not text.strip():
        raise UsageError(
            "The name of the place to write to is empty",
            found='""',
            allowed="a folder or file, . for the folder you are in",
            cure="name one; in a script, see that its variable is set",
        )
    return Path(text)


def add_inch(parser: argparse.ArgumentParser) -> None:
    """``--inch``, for a command that prints lengths."""
    parser.add_argument("--inch", action="store_true", help="inches in place of millimetres")


def add_why(parser: argparse.ArgumentParser) -> None:
    """``--why``, for a command that prints a result."""
    parser.add_argument(
        "--why", action="store_true", help="the reasons too: each figure with its uncertainty, and the rule"
    )


def units_of(options: argparse.Namespace) -> Units:
    """What ``--inch`` asks for."""
    return INCH if getattr(options, "inch", False) else MM
