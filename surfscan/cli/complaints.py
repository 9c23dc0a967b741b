"""What the parser of options complains about, in the one form of this command: what, found, allowed, what to do."""

from __future__ import annotations

import argparse
import difflib
import re
from collections.abc import Mapping, Sequence

from surfscan.core.errors import UsageError

__all__ = ["not_an_option", "retold", "see_least"]

_NUMBERS = {"int": "a whole number", "float": "a number, with a decimal point"}


def retold(message: str, *, prog: str) -> UsageError:
    """The parser's complaint as ours.

    Parameters
    ----------
    message : str
        As argparse words it.
    prog : str
        The command, for where its help is.
    """
    see = f"see {prog} --help"
    name, _, rest = message.removeprefix("argument ").partition(": ")
    name = "the command" if name == "COMMAND" else name
    if choice := re.match(r"invalid choice: '?(.*?)'? \(choose from (.*)\)", rest):
        words = [word.strip(" '") for word in choice[2].split(",")]
        near = difflib.get_close_matches(choice[1], words, n=1)
        cure = f"the nearest is {near[0]}; {see}" if near else see
        return UsageError(f"{_cap(name)} is not known", found=choice[1], allowed=", ".join(words), cure=cure)
    if wrong := re.match(r"invalid (int|float) value: '(.*)'", rest):
        point = wrong[2].replace(",", ".")
        comma = wrong[1] == "float" and point != wrong[2] and re.fullmatch(r"-?\d*\.\d+", point)
        cure = f"write {point}, with a point" if comma else see
        return UsageError(
            f"{_cap(name)} can't be used", found=wrong[2], allowed=_NUMBERS[wrong[1]], cure=cure
        )
    if length := re.match(r"'(.*)' is no length; allowed: ([^;]*)(?:; (.*))?", rest):
        allowed, cure = length[2], length[3] or see
        return UsageError(f"{_cap(name)} is no length", found=length[1], allowed=allowed, cure=cure)
    if message.startswith("the following arguments are required: "):
        missing = message.partition(": ")[2]
        return UsageError(
            f"{_cap(missing)} is missing", allowed=f"{prog} with {missing}", cure=see, found="none"
        )
    if message.startswith("unrecognized arguments: "):
        return UsageError(
            "There is more than this command takes",
            found=message.partition(": ")[2],
            allowed="what --help of the command lists",
            cure="leave it out, or put a name with spaces in quotes",
        )
    if rest.startswith("expected "):
        return UsageError(
            f"{_cap(name)} is cut short", found="nothing after it", allowed=rest[len("expected ") :], cure=see
        )
    return UsageError(_cap(name), found=rest or message, allowed=f"what {prog} --help lists", cure=see)


def not_an_option(
    name: str, *, prog: str, known: Sequence[str], elsewhere: Mapping[str, Sequence[str]]
) -> UsageError:
    """An option that a command does not have: whose it is, or which one of this command's was meant."""
    see = f"see {prog} --help"
    near = difflib.get_close_matches(name, [option for option in known if option.startswith("--")], 1, 0.7)
    if owners := elsewhere.get(name, ()):
        few = ", ".join(owners[:3]) + (", and others" if len(owners) > 3 else "")
        see = f"it is an option of {few}; {see}"
    elif near:
        see = f"the nearest is {near[0]}; {see}"
    return UsageError(
        "An option is not known", found=name, allowed=f"the options that {prog} --help lists", cure=see
    )


def _cap(text: str) -> str:
    return text if text.startswith("-") else text[:1].upper() + text[1:]


def see_least(options: argparse.Namespace, **least: float) -> None:
    """Hold numbers to the least that they may be, where they are given (UsageError); no number is too small too."""
    for name, allowed in least.items():
        value = getattr(options, name)
        if value is not None and not value >= allowed:
            raise UsageError(
                f"--{name} is too small", found=f"{value:g}", allowed=f"{allowed:g} or more", cure="give more"
            )
