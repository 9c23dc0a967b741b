"""What the page takes from a browser, in code: the server's own settings are only a first fence."""

from __future__ import annotations

import re
from pathlib import PurePosixPath

import surfscan
from surfscan.job.photo_files import looks_like_video
from surfscan.job.uploads import MOST_FILE_MB, MOST_MEGAPIXELS, MOST_PHOTOS, MOST_TOTAL_MB

__all__ = [
    "MOST_FILE_MB",
    "MOST_MEGAPIXELS",
    "MOST_PHOTOS",
    "MOST_TOTAL_MB",
    "PHOTO_TYPES",
    "check_packed",
    "check_photo",
    "check_total",
    "shown_name",
]

PHOTO_TYPES = ["image", ".heic", ".heif", ".tif", ".tiff"]
"""What a file button for photos takes."""

_LEAST_SIDE = 64


def shown_name(name: str) -> str:
    """A client's file name made fit to be shown: last part, printable letters, 60 at most. Never used as a path."""
    last = re.split(r"[/\\]", name)[-1]
    plain = "".join(letter for letter in last if letter.isprintable()).strip()
    return (plain or "photo")[:60]


def file_ending(data: bytes) -> str:
    """The ending of the name we give a photo, by its first bytes; what the client called it does not count."""
    if data[:3] == b"\xff\xd8\xff":
        return ".jpg"
    if data[:4] == b"\x89PNG":
        return ".png"
    if data[:4] in (b"II*\0", b"MM\0*"):
        return ".tif"
    return ".heic" if data[4:8] == b"ftyp" else ".bin"


def check_photo(data: bytes, name: str) -> None:
    """Refuse what is too large or no photo, before anything of it is decoded.

    Raises
    ------
    RefusedError
        With what was found, what is allowed and what to do.
    """
    megabytes = len(data) / 1e6
    if looks_like_video(data[:16]):
        raise surfscan.RefusedError(
            f"{name} is a video, which the page does not take",
            found=f"{megabytes:.0f} MB of MP4 or MOV",
            allowed="photos",
            cure="take photos from six to twelve places along the walk; or put the video in a folder with a job sheet "
            "and run surfscan check on that",
        )
    if megabytes > MOST_FILE_MB * 1.048576:
        raise surfscan.RefusedError(
            f"{name} is too large",
            found=f"{megabytes:.0f} MB",
            allowed=f"up to {MOST_FILE_MB} MB",
            cure="take it at a smaller size; 12 megapixels are plenty",
        )
    if not data:
        raise surfscan.RefusedError(
            f"{name} is empty",
            found="0 bytes",
            cure="copy it from the phone again",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        )
    from surfscan.job.photos import photo_size  # late: the page's first picture does not wait for it

    width, height = photo_size(data, name)
    if width * height > MOST_MEGAPIXELS * 1e6:
        raise surfscan.RefusedError(
            f"{name} is too large",
            found=f"{width} x {height} pixels",
            allowed=f"up to {MOST_MEGAPIXELS} megapixels",
            cure="set the phone to 12 megapixels, and take it again",
        )
    if min(width, height) < _LEAST_SIDE:
        raise surfscan.RefusedError(
            f"{name} is too small",
            found=f"{width} x {height} pixels",
            cure="use the photo as the phone made it",
            allowed=f"at least {_LEAST_SIDE} x {_LEAST_SIDE}",
        )


def check_lens(data: bytes) -> None:
    """Refuse a lens file that is too long to be one."""
    if len(data) > 1_000_000:
        raise surfscan.RefusedError(
            "The lens file is too large",
            found=f"{len(data) / 1e6:.0f} MB",
            allowed="up to 1 MB",
            cure="make it again with surfscan lens",
        )


def check_total(sizes: list[int]) -> None:
    """Refuse more photos, or more of them together, than one job may have."""
    if len(sizes) > MOST_PHOTOS:
        raise surfscan.RefusedError(
            "There are too many photos",
            found=str(len(sizes)),
            allowed=f"up to {MOST_PHOTOS}",
            cure="take some away; two are enough for stripes",
        )
    if sum(sizes) > MOST_TOTAL_MB * 1e6:
        raise surfscan.RefusedError(
            "The photos are too large together",
            found=f"{sum(sizes) / 1e6:.0f} MB",
            allowed=f"up to {MOST_TOTAL_MB} MB",
            cure="take them at 12 megapixels",
        )


def check_packed(name: str, sizes: list[int]) -> None:
    """Refuse a zip of more files, or of more bytes once unpacked, than a job and its result may have."""
    if len(sizes) > 4 * MOST_PHOTOS or sum(sizes) > MOST_TOTAL_MB * 1e6:
        raise surfscan.RefusedError(
            f"{name} holds too much",
            found=f"{len(sizes)} files, {sum(sizes) / 1e6:.0f} MB unpacked",
            allowed=f"up to {4 * MOST_PHOTOS} files and {MOST_TOTAL_MB} MB",
            cure="bring the job's own zip, as it was saved under Papers",
        )


def inner_name(name: str) -> str:
    """The last part of a name in a sheet or an upload, for comparing; case counts."""
    return PurePosixPath(name.replace("\\", "/")).name
