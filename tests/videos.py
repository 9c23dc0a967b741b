"""Videos for tests, encoded as phones do (H.264 or HEVC in MP4 or MOV) by PyAV, which the package does without."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from surfscan.synth.camera_noise import encode_srgb, quantise

ENCODERS = {"h264": "libx264", "hevc": "libx265"}


def write_video(
    path: Path,
    pictures: Iterable[np.ndarray],
    *,
    codec: str = "h264",
    rate_hz: int = 30,
    quality: int = 20,
    turn_deg: int = 0,
    ticks: Sequence[int] | None = None,
) -> Path:
    """Write linear light (H, W), 0 to 1, as a video.

    `quality` is the encoder's constant rate factor; `turn_deg` goes into the track's matrix, as a phone held upright
    writes it; `ticks` are each frame's time in 1/600 s where the frames do not come evenly.
    """
    with av.open(str(path), "w") as box:
        stream = None
        for k, linear in enumerate(pictures):
            grey = quantise(encode_srgb(linear))
            if stream is None:
                stream = box.add_stream(ENCODERS[codec], rate=rate_hz)
                stream.height, stream.width = grey.shape
                stream.pix_fmt = "yuv420p"
                stream.codec_context.time_base = Fraction(1, 600)
                quiet = {"x265-params": "log-level=none:pools=1"} if codec == "hevc" else {}
                stream.options = {"crf": str(quality), "preset": "veryfast", **quiet}
                if codec == "hevc":
                    stream.codec_context.codec_tag = "hvc1"
            frame = av.VideoFrame.from_ndarray(np.stack([grey] * 3, -1), format="rgb24")
            frame.time_base = Fraction(1, 600)
            frame.pts = ticks[k] if ticks is not None else k * 600 // rate_hz
            for packet in stream.encode(frame):
                box.mux(packet)
        assert stream is not None
        for packet in stream.encode():
            box.mux(packet)
    if turn_deg:
        _turn(path, turn_deg)
    return path


def _turn(path: Path, turn_deg: int) -> None:
    """Write a track's matrix (ISO/IEC 14496-12, 8.3.2): a clockwise turn of the picture when it is shown."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40  # version 0
    a, b = {90: (0, 1), 180: (-1, 0), 270: (0, -1)}[turn_deg]
    one = 1 << 16
    rows = (a * one, b * one, 0, -b * one, a * one, 0, 0, 0, 1 << 30)
    struct.pack_into(">9i", data, at, *rows)
    path.write_bytes(bytes(data))
