"""Videos: their headers, and their frames one after another in grey, by a decoder in a process of its own."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from surfscan.core.aside import run_aside
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.photos import check_there, linear
from surfscan.job.video_file import VideoHeader, read_video_header

__all__ = ["Frame", "digest", "frame_photo", "frames_of", "open_video", "read_frame"]

DECODE = "surfscan.job.video_decoder:frames"

_CHUNK_BYTES = 40_000_000
"""Of frames that come at once."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame: its number, its time, s, and its upright grey (H, W) uint8 as encoded."""

    number: int
    time_s: float
    grey: NDArray[np.uint8]


def open_video(path: Path, file: str) -> VideoHeader:
    """Read a video's header.

    Raises
    ------
    RefusedError
        As `read_video_header`, and when it is not there.
    """
    check_there(path, file, "a whole MP4 or MOV video")
    try:
        return read_video_header(path, file)
    except OSError as error:
        raise RefusedError(
            f"{file} cannot be read",
            found=error.strerror or str(error),
            allowed="a file that this computer may read",
            cure="check its rights, and that the drive is there",
        ) from None


def frames_of(
    path: Path, file: str, header: VideoHeader, wanted: Sequence[int] | None = None
) -> Iterator[Frame]:
    """Decode a video's frames, some at a time.

    Parameters
    ----------
    path : path
    file : str
        Its name, for messages.
    header : VideoHeader
    wanted : sequence of int, optional
        Numbers of the frames, ascending; all without.

    Yields
    ------
    Frame

    Raises
    ------
    RefusedError
        When it can't be decoded.
    """
    numbers = list(range(len(header.times_s)) if wanted is None else wanted)
    size, chunk = path.stat().st_size, max(1, _CHUNK_BYTES // (header.width * header.height))
    told = {
        "file": file,
        "path": str(path.resolve()),
        "turn_deg": header.turn_deg,
        "width": header.width,
        "height": header.height,
    }
    for start in range(0, len(numbers), chunk):
        part = numbers[start : start + chunk]
        said, arrays = run_aside(DECODE, {**told, "wanted": part}, on_disk=size)
        for number, time, grey in zip(said["numbers"], said["times_s"], arrays, strict=True):
            yield Frame(int(number), float(time), np.asarray(grey, np.uint8))
        if len(arrays) < len(part):  # the file says more frames than it holds
            return


def frame_photo(frame: Frame, name: str, *, encoding: str, sha256: str = "") -> Photo:
    """A frame as a photo in linear light."""
    image, saturated = linear(frame.grey, encoding)
    return Photo(file=name, sha256=sha256, image=image, saturated=saturated)


def read_frame(path: Path, file: str, number: int) -> NDArray[np.uint8]:
    """One frame to be looked at, upright, (H, W, 3) uint8; RefusedError where there is none of that number."""
    for frame in frames_of(path, file, open_video(path, file), [number]):
        return np.repeat(frame.grey[..., None], 3, axis=2)
    raise RefusedError(
        f"{file} has no such frame",
        found=f"frame {number}",
        allowed="the video that was measured",
        cure="name the job folder that the result was made from",
    )


def digest(path: Path) -> str:
    """SHA-256 of a file, read a part at a time."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
