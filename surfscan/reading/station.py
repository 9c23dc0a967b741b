"""One photo and the place it was taken from."""

from __future__ import annotations

from dataclasses import dataclass

from surfscan.core.records import Camera, Photo, TagSeen
from surfscan.optics.pose import PoseFit

__all__ = ["Station"]


@dataclass(frozen=True, slots=True)
class Station:
    """A photo and the place it was taken from.

    Attributes
    ----------
    photo : Photo
    camera : Camera
    fit : PoseFit
    tags : tuple of TagSeen
        Those used; empty when the panel's corners were given.
    focal_from : str
        "lens_file", "focal_px", "focal_35mm" or "exif".
    """

    photo: Photo
    camera: Camera
    fit: PoseFit
    tags: tuple[TagSeen, ...]
    focal_from: str
