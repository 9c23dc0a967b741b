"""What every command shares: the parser's complaints, the common options, the progress line, exit status."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import NoReturn

from surfscan.cli.complaints import not_an_option, retold
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
    """argparse with its complaints in the one form of this command.

    An option that is not known is told before one that is missing: it may be the missing one, misspelt.
    """

    elsewhere: Mapping[str, list[str]] = MappingProxyType({})
    """Commands that have each option, to name one where the option was looked for in vain."""

    def error(self, message: str) -> NoReturn:
        raise retold(message, prog=self.prog)

    def parse_known_args(  # type: ignore[override]
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Parse, once every word that looks like an option is one of this parser."""
        given = sys.argv[1:] if args is None else args
        for word in given:
            if word == "--" or (not word.startswith("-") and self._commands()):
                break  # what follows is no option, or a command's own
            name = word.partition("=")[0]
            if not name.startswith("--") or " " in name:
                continue
            if not any(option.startswith(name) for option in self._option_string_actions):
                raise not_an_option(
                    name, prog=self.prog, known=list(self._option_string_actions), elsewhere=self.elsewhere
                )
        return super().parse_known_args(args, namespace)

    def see_each_other(self) -> None:
        """Let each command know which options the others have."""
        elsewhere: dict[str, list[str]] = {}
        every = list(self._below())
        for parser in every:
            for option in parser._option_string_actions:
                elsewhere.setdefault(option, []).append(parser.prog)
        for parser in every:
            parser.elsewhere = elsewhere

    def _commands(self) -> list[Parser]:
        return [
            inner
            for action in self._actions
            if isinstance(action, argparse._SubParsersAction)
            for inner in action.choices.values()
        ]

    def _below(self) -> Iterator[Parser]:
        yield self
        for inner in self._commands():
            yield from inner._below()


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
