"""A video's frames by OpenCV's decoder (FFmpeg's, which its wheels bring): runs in a process of its own.

One file stays open from call to call, so that frames come a few at a time and in order; asked for others, it is opened
anew. Called by the name `frames` through `surfscan.core.aside`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.aside import Answer
from surfscan.core.errors import RefusedError

__all__ = ["frames"]

_TOP = 254
"""Of a channel: from here on it counts as blown out, as in photos."""


@dataclass(slots=True)
class _Open:
    """The video that is open."""

    path: str
    capture: Any
    next: int


_open: _Open | None = None


def frames(words: dict[str, Any], data: bytes) -> Answer:
    """Decode some frames.

    Parameters
    ----------
    words : dict
        ``file``, its name for messages; ``path``; ``wanted``, numbers of the frames, ascending; ``turn_deg``, the
        clockwise turn that sets them upright; ``width`` and ``height`` as the header has them.
    data : bytes
        Not used.

    Returns
    -------
    words : dict
        ``numbers`` of the frames that came, fewer at the video's end, and their ``times_s``.
    arrays : list of ndarray (H, W), uint8
        Upright grey of each, as encoded; 255 where a channel is blown out.

    Raises
    ------
    RefusedError
        When it can't be decoded.
    """
    file, wanted = str(words["file"]), [int(k) for k in words["wanted"]]
    source = _at(str(words["path"]), wanted[0], file)
    got: list[NDArray[np.uint8]] = []
    numbers, times = [], []
    for k in wanted:
        while source.next < k and source.capture.grab():
            source.next += 1
        good, picture = source.capture.read() if source.next == k else (False, None)
        if not good or picture is None:
            break
        source.next += 1
        if picture.shape[:2] != (words["height"], words["width"]):
            raise _bad(file, "a frame of another size than its header says")
        numbers.append(k)
        times.append(1e-3 * float(source.capture.get(cv2.CAP_PROP_POS_MSEC)))
        got.append(_upright(_grey(picture), int(words["turn_deg"])))
    if not got and wanted[0] == 0:
        raise _bad(file, "no frame that decodes")
    return {"numbers": numbers, "times_s": times}, list(got)


def _at(path: str, first: int, file: str) -> _Open:
    """The open video, before or at a frame."""
    global _open
    if _open is None or _open.path != path or _open.next > first:
        if _open is not None:
            _open.capture.release()
        # Nothing but this file, and nothing but MP4 and MOV, whatever the file says.
        os.environ["OPENCV_FFMPEG_CAPTURE_OPTIONS"] = "protocol_whitelist;file|format_whitelist;mov"
        cv2.setNumThreads(1)
        capture = cv2.VideoCapture(path, cv2.CAP_FFMPEG, [cv2.CAP_PROP_N_THREADS, 2])
        if not capture.isOpened():
            raise _bad(file, "a stream that its decoder does not open")
        capture.set(cv2.CAP_PROP_ORIENTATION_AUTO, 0)
        _open = _Open(path, capture, 0)
    return _open


def _grey(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)
    if picture.max() >= _TOP:
        grey[picture.max(axis=2) >= _TOP] = 255
    return np.asarray(grey, np.uint8)


def _upright(grey: NDArray[np.uint8], turn_deg: int) -> NDArray[np.uint8]:
    return np.ascontiguousarray(np.rot90(grey, -turn_deg // 90))


def _bad(file: str, found: str) -> RefusedError:
    return RefusedError(
        f"{file} cannot be decoded",
        found=found,
        allowed="a whole MP4 or MOV with H.264 or HEVC",
        cure="copy it from the phone again, or film at 1920 x 1080 in the camera's 'most compatible' format",
    )
