"""Every way a run can end without a result, each with its exit status.

The texts have one form: what is wrong, what was found, what is allowed, what to do.
"""

from __future__ import annotations

import unicodedata

__all__ = ["NotMeasuredError", "RefusedError", "SurfscanError", "UsageError", "parts_of", "printable"]


def printable(text: str) -> str:
    """Text with its control letters spelled out: codes that colour a terminal or turn the way of writing stay shut."""
    if text.isprintable():
        return text
    return "".join(
        c
        if c.isprintable() or unicodedata.category(c) == "Zs"
        else " "
        if c in "\n\t\r"
        else c.encode("unicode_escape").decode()
        for c in text
    )


class SurfscanError(Exception):
    """A run that ended early, told in one message.

    Parameters
    ----------
    what : str
        What is wrong, naming the key, file or photo.
    found, allowed, cure : str, optional
        What was found there, what is allowed, and what the user can do about it.
    about : str, optional
        The sheet's table that the photos speak against ("tags", "board.tags"), for programs; not shown.
    """

    status = 1

    def __init__(
        self, what: str, *, found: str = "", allowed: str = "", cure: str = "", about: str = ""
    ) -> None:
        what, found, allowed, cure = (printable(part) for part in (what, found, allowed, cure))
        self.what, self.found, self.allowed, self.cure, self.about = what, found, allowed, cure, about
        parts = [what.rstrip(".")]
        if found:
            parts.append(f"found {found.rstrip('.')}")
        if allowed:
            parts.append(f"allowed: {allowed.rstrip('.')}")
        text = "; ".join(parts) + "."
        if cure:
            text += f" {cure[0].upper()}{cure[1:].rstrip('.')}."
        super().__init__(text)


def parts_of(error: SurfscanError) -> dict[str, str]:
    """What an error is made anew from, beside its first part: keywords of its class."""
    return {"found": error.found, "allowed": error.allowed, "cure": error.cure, "about": error.about}


class UsageError(SurfscanError):
    """The command itself was wrong (exit status 2)."""

    status = 2


class RefusedError(SurfscanError):
    """The sheet or a photo was refused (exit status 3)."""

    status = 3


class NotMeasuredError(SurfscanError):
    """Everything was readable, but no height could be measured (exit status 4)."""

    status = 4
