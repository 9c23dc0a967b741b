"""What is taken from outside, by the page and by the service: sizes, and names that stay inside a job folder."""

from __future__ import annotations

from pathlib import PurePosixPath

from pydantic_core import PydanticCustomError

from surfscan.core.errors import RefusedError
from surfscan.job.sheet_base import inside

__all__ = ["MOST_FILE_MB", "MOST_MEGAPIXELS", "MOST_PHOTOS", "MOST_TOTAL_MB", "name_in_job"]

MOST_FILE_MB = 40
MOST_TOTAL_MB = 400
MOST_PHOTOS = 40
MOST_MEGAPIXELS = 64

_LONGEST = 200


def name_in_job(name: str) -> str:
    """A name that a client gives a file, fit to lie in a job folder.

    Returns
    -------
    str
        As given, parts with ``/`` between them.

    Raises
    ------
    RefusedError
        When it leads out of the folder, is hidden, or is no name.
    """
    plain = name.replace("\\", "/")
    parts = PurePosixPath(plain).parts
    try:
        inside(plain)
    except PydanticCustomError as error:
        context = error.context or {}
        what = f"A file's name {context.get('what', 'is refused')}"
        told = {key: str(context.get(key, "")) for key in ("found", "allowed")}
        raise RefusedError(what, **told, cure="name the file anew") from None
    if (
        not parts
        or any(part.startswith(".") for part in parts)
        or len(plain.encode()) > _LONGEST
        or len(parts) > 4
    ):
        raise RefusedError(
            "A file's name can't be used",
            found=repr(plain[:60]),
            allowed=f"up to {_LONGEST} letters, at most three folders, none hidden",
            cure="name the file anew",
        )
    return "/".join(parts)
