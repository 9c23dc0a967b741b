"""What a video file says before it is decoded: codec, size, turn, and when each frame was taken.

MP4 and MOV are boxes within boxes (ISO/IEC 14496-12; QuickTime's are of the same form). Only these are read here, so
that a playlist or another container under that name never reaches a decoder; sizes and times are held to limits first.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from surfscan.core.errors import RefusedError

__all__ = ["VIDEO_ENDINGS", "VideoHeader", "is_video", "read_video_header"]

VIDEO_ENDINGS = (".mp4", ".mov", ".m4v")

MOST_BYTES = 2_000_000_000
MOST_S = 60.0
MOST_FRAMES = 3600
MOST_PIXELS = 9_000_000
"""Of a frame: 4096 x 2160 is within."""

LEAST_SIDE = 240
LEAST_S = 1.0
LEAST_RATE_HZ = 20.0

UNEVEN = 0.25
"""How far an interval between frames may be from the usual one, as a share, and still count as even."""

LEAST_EVEN = 0.7
"""Share of the intervals that must be even: from those a camera's speed is told."""

_CODECS = {b"avc1": "h264", b"avc3": "h264", b"hvc1": "hevc", b"hev1": "hevc"}
_HOLDERS = (b"moov", b"trak", b"mdia", b"minf", b"stbl")
_TOP = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
_MOST_TABLE = 64_000_000
_CURE = "film anew with the phone's own camera app, and copy the file as it is"


@dataclass(frozen=True, slots=True)
class VideoHeader:
    """A video file's header.

    Attributes
    ----------
    codec : str
        "h264" or "hevc".
    width, height : int
        As stored.
    turn_deg : int
        Clockwise turn that sets the frames upright: 0, 90, 180 or 270.
    times_s : tuple of float
        When each frame is shown, ascending, from 0.
    """

    codec: str
    width: int
    height: int
    turn_deg: int
    times_s: tuple[float, ...]

    @property
    def interval_s(self) -> float:
        """Usual time from frame to frame."""
        return float(np.median(np.diff(self.times_s)))


def is_video(name: str) -> bool:
    """Whether a file's name is that of a video."""
    return name.lower().endswith(VIDEO_ENDINGS)


def read_video_header(path: Path, file: str) -> VideoHeader:
    """Read a video's header and hold it to what can be used.

    Parameters
    ----------
    path : path
    file : str
        Its name, for messages.

    Raises
    ------
    RefusedError
        Not MP4 or MOV, cut short, of another codec, too long, too short, too large, or with frames that do not come
        evenly.
    """
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise RefusedError(
            f"{file} is too large",
            found=f"{size / 1e6:.0f} MB",
            allowed=f"up to {MOST_BYTES / 1e6:.0f} MB",
            cure="film for ten seconds, at 1920 x 1080",
        )
    try:
        with path.open("rb") as stream:
            track = _read(stream, size, file)
    except (struct.error, IndexError, ValueError, OverflowError, MemoryError):
        raise _damaged(file, "boxes that contradict each other") from None
    header = track.header(file)
    _check(header, file)
    return header


@dataclass(slots=True)
class _Track:
    """What is gathered of one track."""

    kind: bytes = b""
    scale: int = 0
    codec: bytes = b""
    width: int = 0
    height: int = 0
    turn_deg: int = 0
    steps: bytes = b""
    offsets: bytes = b""

    def header(self, file: str) -> VideoHeader:
        codec = _CODECS.get(self.codec)
        if codec is None:
            name = self.codec.decode("latin-1", "replace").strip()
            raise RefusedError(
                f"{file} is of a kind that is not read",
                found=f"a track of {name!r}",
                allowed="H.264 or HEVC",
                cure="set the camera to 'most compatible' or 'high efficiency', not to a raw or editing format",
            )
        return VideoHeader(codec, self.width, self.height, self.turn_deg, self._times(file))

    def _times(self, file: str) -> tuple[float, ...]:
        """Decoding times by the time-to-sample box, and what each is shown later by."""
        counts, steps = _pairs(self.steps, ">u4").T
        if not counts.size or self.scale <= 0:
            raise _damaged(file, "no times of frames")
        if counts.sum() > MOST_FRAMES:
            raise _too_long(file, f"{int(counts.sum())} frames")
        shown = np.r_[0, np.cumsum(np.repeat(steps, counts))][:-1].astype(float)
        if self.offsets:
            many, later = _pairs(self.offsets, ">i4").T
            if many.min() < 0 or many.sum() != len(shown):
                raise _damaged(file, "times that do not fit its frames")
            shown = shown + np.repeat(later, many)
        shown = np.sort(shown) / self.scale
        return tuple((shown - shown[0]).tolist())


def _pairs(table: bytes, kind: str) -> np.ndarray:
    """Rows of two numbers after version, flags and count."""
    count = int.from_bytes(table[4:8], "big")
    if len(table) < 8 + 8 * count:
        raise ValueError("a table that is cut short")
    return np.frombuffer(table, kind, 2 * count, 8).reshape(-1, 2).astype(np.int64)


def _read(stream: BinaryIO, size: int, file: str) -> _Track:
    tracks: list[_Track] = []
    whole = False
    first = True
    for kind, start, end in _boxes(stream, 0, size):
        if first and kind not in _TOP:
            raise RefusedError(
                f"{file} is no video that can be read",
                found="no MP4 or MOV inside",
                allowed="MP4 or MOV with H.264 or HEVC",
                cure=_CURE,
            )
        first = False
        if end > size:
            raise _cut_short(file)
        whole |= kind == b"moov"
        if kind == b"moov":
            _walk(stream, start, end, tracks)
    if not whole:
        raise _cut_short(file)
    films = [track for track in tracks if track.kind == b"vide"]
    if not films:
        raise _damaged(file, "no track of pictures")
    return films[0]


def _boxes(stream: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte after the head, and end of each box in a part of the file."""
    while start + 8 <= end:
        stream.seek(start)
        head = stream.read(16)
        length, kind, skip = int.from_bytes(head[:4], "big"), head[4:8], 8
        if length == 1:
            length, skip = int.from_bytes(head[8:16], "big"), 16
        elif length == 0:
            length = end - start
        if length < skip:
            raise ValueError("a box shorter than its head")
        yield kind, start + skip, start + length
        start += length


def _walk(stream: BinaryIO, start: int, end: int, tracks: list[_Track], depth: int = 0) -> None:
    for kind, first, last in _boxes(stream, start, end):
        if last > end or depth > 8:
            raise ValueError("a box larger than what holds it")
        if kind == b"trak":
            if len(tracks) >= 16:
                raise ValueError("too many tracks")
            tracks.append(_Track())
        if kind in _HOLDERS:
            _walk(stream, first, last, tracks, depth + 1)
        elif tracks and kind in (b"tkhd", b"mdhd", b"hdlr", b"stsd", b"stts", b"ctts"):
            if last - first > _MOST_TABLE:
                raise ValueError("a table that is too large")
            stream.seek(first)
            _take(tracks[-1], kind, stream.read(last - first))


def _take(track: _Track, kind: bytes, body: bytes) -> None:
    if kind == b"tkhd":
        at = 48 if body[0] == 1 else 36
        a, b = (v >> 16 for v in struct.unpack(">ii", body[at + 4 : at + 12]))
        track.turn_deg = {(1, 0): 0, (0, 1): 90, (-1, 0): 180, (0, -1): 270}.get((a, b), 0)
    elif kind == b"mdhd":
        at = 20 if body[0] == 1 else 12
        track.scale = int.from_bytes(body[at : at + 4], "big")
    elif kind == b"hdlr" and not track.kind:
        track.kind = body[8:12]
    elif kind == b"stsd" and len(body) >= 44:
        track.codec = body[12:16]
        track.width, track.height = struct.unpack(">HH", body[40:44])
    elif kind == b"stts":
        track.steps = body
    elif kind == b"ctts":
        track.offsets = body


def _check(header: VideoHeader, file: str) -> None:
    width, height, times = header.width, header.height, header.times_s
    if min(width, height) < LEAST_SIDE or width * height > MOST_PIXELS:
        small = min(width, height) < LEAST_SIDE
        raise RefusedError(
            f"{file} is too small" if small else f"{file} is too large",
            found=f"{width} x {height} pixels",
            allowed=f"{LEAST_SIDE} pixels a side and more, up to {MOST_PIXELS / 1e6:.0f} megapixels a frame",
            cure="film at 1920 x 1080",
        )
    length = times[-1]
    if length < LEAST_S or len(times) < 10:
        raise RefusedError(
            f"{file} is too short",
            found=f"{len(times)} frames in {length:.1f} s",
            allowed=f"at least {LEAST_S:g} s",
            cure="walk past the panel for about eight seconds",
        )
    if length > MOST_S:
        raise _too_long(file, f"{length:.0f} s")
    steps = np.diff(times)
    usual = max(header.interval_s, 1e-9)
    if 1 / usual < LEAST_RATE_HZ:
        raise RefusedError(
            f"{file} has too few frames a second",
            found=f"{1 / usual:.3g}",
            allowed=f"at least {LEAST_RATE_HZ:g}: from them it is told how the camera moved",
            cure="film at 30 or 60 frames a second, not in time lapse",
        )
    even = float(np.mean(np.abs(steps / usual - 1) < UNEVEN))
    if even < LEAST_EVEN or math.isnan(even):
        raise RefusedError(
            f"{file} has frames at uneven times",
            found=f"{100 * (1 - even):.0f} % of the intervals over {100 * UNEVEN:.0f} % off {1e3 * usual:.1f} ms",
            allowed=f"up to {100 * (1 - LEAST_EVEN):.0f} %: how fast the camera moved is told from them",
            cure="turn off automatic frame rate ('auto FPS', 'low light') in the camera's settings, add light, and "
            "send the camera's own file, not a shared or a screen recording",
        )


def _too_long(file: str, found: str) -> RefusedError:
    return RefusedError(
        f"{file} is too long",
        found=found,
        allowed=f"up to {MOST_S:g} s and {MOST_FRAMES} frames",
        cure="walk past the panel for about eight seconds, or cut the file",
    )


def _cut_short(file: str) -> RefusedError:
    return RefusedError(
        f"{file} is cut short",
        found="an incomplete file",
        allowed="a whole MP4 or MOV",
        cure="copy it from the phone again",
    )


def _damaged(file: str, found: str) -> RefusedError:
    return RefusedError(
        f"{file} is damaged", found=found, allowed="a whole MP4 or MOV", cure="copy it from the phone again"
    )
