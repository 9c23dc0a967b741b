"""Parts of the program that a plain installation leaves out: loaded when asked for, or told how to get them."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from surfscan.core.errors import RefusedError

__all__ = ["missing", "wanted"]


def wanted(module: str, *, extra: str, what: str) -> Any:
    """A module of an extra of the package.

    Parameters
    ----------
    module : str
        Its full name.
    extra : str
        Which extra of `pyproject.toml` brings it.
    what : str
        What was asked for, as the beginning of a sentence: "The paper".

    Returns
    -------
    module

    Raises
    ------
    RefusedError
        When it is not installed, with the command that installs it.
    """
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        if (error.name or "").partition(".")[0] != module.partition(".")[0]:
            raise
        raise missing(module.partition(".")[0], extra=extra, what=what) from None


def missing(name: str, *, extra: str, what: str) -> RefusedError:
    """What to say when a part is not installed."""
    return RefusedError(
        f"{what} needs a part of surfscan that is not installed",
        found=f"no {name}",
        allowed=f"surfscan with its extra `{extra}`, or with all of them",
        cure=f"pip install 'surfscan[{extra}]', or 'surfscan[all]'; in a clone: pip install '.[{extra}]'",
    )
