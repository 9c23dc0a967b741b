"""What every table of the job sheet is made of: lengths, places, names of files inside the job folder.

NaN and infinity are refused everywhere.
"""

from __future__ import annotations

from pathlib import PureWindowsPath
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from surfscan.job.sheet_errors import refuse

__all__ = ["Length", "Pixel", "Place", "Point", "Point3", "Size", "Table", "as_tuples", "inside"]

# Ten metres is more than any car panel or shop wall; past it the sheet is in the wrong unit.
Length = Annotated[float, Field(gt=0.0, le=10_000.0)]
Place = Annotated[float, Field(ge=-100_000.0, le=100_000.0)]
Coefficient = Annotated[float, Field(ge=-1000.0, le=1000.0)]
Pixel = Annotated[float, Field(ge=-100_000.0, le=100_000.0)]
Point = tuple[Place, Place]
Point3 = tuple[Place, Place, Place]
Size = tuple[Length, Length]


class Table(BaseModel):
    """Settings shared by every table of the sheet."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def inside(name: str) -> str:
    """Return a file name that stays inside the job folder on any system, or refuse it."""
    windows = PureWindowsPath(name)
    if (
        windows.is_absolute()
        or windows.drive
        or windows.root
        or ".." in windows.parts
        or "\0" in name
        or not name
    ):
        raise refuse(
            "leads out of the job folder",
            found=repr(name),
            allowed="a name inside the folder, such as photo-1.jpg",
            cure="put the file into the job folder",
        )
    if not name.isprintable():
        raise refuse(
            "holds unprintable letters",
            found=repr(name),
            allowed="printable letters",
            cure="name the file anew, with letters and digits",
        )
    return name


def as_tuples(value: Any) -> Any:
    """Lists to tuples all the way down: strict checking tells them apart, and frozen records want tuples."""
    if isinstance(value, dict):
        return {key: as_tuples(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(as_tuples(item) for item in value)
    return value
