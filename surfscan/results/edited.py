"""A result that somebody edited: what a writer stumbles over is told as damage of the file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from surfscan.core.errors import RefusedError

__all__ = ["told_as_damage"]

_STUMBLES = (KeyError, IndexError, TypeError, ValueError, AttributeError, ArithmeticError)


@contextmanager
def told_as_damage(name: str) -> Iterator[None]:
    """For a block that draws or writes what stands in a `result.json`.

    Raises
    ------
    RefusedError
        When an entry is missing or of another kind than `check` writes.
    """
    try:
        yield
    except _STUMBLES as error:
        raise RefusedError(
            f"{name}: its result.json is damaged or was edited",
            found=f"an entry that can't be used ({type(error).__name__}: {str(error)[:100]})",
            allowed="result.json as surfscan check wrote it",
            cure="check the job again, or take the folder from a copy; if nobody edited it, please report it",
        ) from error
