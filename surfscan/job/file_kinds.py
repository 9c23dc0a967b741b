"""What is a photo, by its name alone: loads nothing, for those who look through whole folders."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import PurePosixPath

__all__ = ["PHOTO_ENDINGS", "is_photo", "photos_among"]

PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")


def is_photo(name: str) -> bool:
    """Whether a file is a photo by its ending; hidden ones are none."""
    return not name.startswith(".") and PurePosixPath(name).suffix.lower() in PHOTO_ENDINGS


def photos_among(names: Iterable[str]) -> list[str]:
    """The photos among the files of a folder, sorted."""
    return sorted(name for name in names if is_photo(name))
