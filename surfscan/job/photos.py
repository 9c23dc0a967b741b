"""Photos: read, set upright once, and brought to linear light.

The pixels' colour profile is not applied: sRGB's curve is used for every file unless the sheet says
"linear". Wide-gamut phone photos share that curve, and stripes are grey, so primaries hardly matter.
"""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.aside import run_aside
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.decoders import focal_from_35mm

__all__ = [
    "check_there",
    "focal_from_35mm",
    "linear",
    "photo_size",
    "pixels_of",
    "read_photo",
    "read_picture",
]

DECODE = "surfscan.job.decoders:photo"

# Luminance of linear RGB, here in OpenCV's order blue, green, red: ITU-R BT.709-6, table 3 (weights of E'Y;
# the same primaries as sRGB, IEC 61966-2-1).
_BGR_WEIGHTS = (0.0722, 0.7152, 0.2126)

_MOST_BYTES = 1_000_000_000

# Band of rows whose colour planes stay in the processor's cache; measured, 128 is fastest for 4000 columns.
_BAND_ROWS = 128

# Within one 8-bit step of the top counts as blown out: JPEG's rounding turns a clipped 255 into 254.
_TOP_STEP = 1.0 / 255.0


def read_photo(path: Path | str, file: str, *, encoding: str = "srgb") -> Photo:
    """Read one photo into upright linear luminance.

    Parameters
    ----------
    path : path
        Where the file lies.
    file : str
        Its name in the sheet, used in messages.
    encoding : {"srgb", "linear"}, optional
        How pixel values stand for light. sRGB's curve: IEC 61966-2-1.

    Returns
    -------
    Photo
        ``image`` (H, W) float32, 0 to 1; ``saturated`` (H, W) bool; EXIF orientation applied.

    Raises
    ------
    RefusedError
        Missing, empty, not a photo, cut short, damaged, too small, too large, with alpha, in CMYK, or
        of several pages.
    """
    data, told, pixels = _decoded(Path(path), file)
    image, saturated = linear(pixels, encoding)
    return Photo(
        file=file,
        sha256=hashlib.sha256(data).hexdigest(),
        image=_upright(image, told["orientation"]),
        saturated=_upright(saturated, told["orientation"]),
        focal_px=told["focal_px"],
        focal_source=told["focal_source"],
        bits=told["bits"],
        taken=told["taken"],
    )


def read_picture(path: Path | str, file: str) -> NDArray[np.uint8]:
    """Read one photo to be looked at: upright, as it is stored, nothing linearised.

    Parameters
    ----------
    path : path
    file : str
        Its name, used in messages.

    Returns
    -------
    ndarray (H, W, 3), uint8
        Red, green, blue.

    Raises
    ------
    RefusedError
        As `read_photo`.
    """
    _, told, pixels = _decoded(Path(path), file)
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    colour = cv2.cvtColor(eight, cv2.COLOR_GRAY2RGB if eight.ndim == 2 else cv2.COLOR_BGR2RGB)
    return np.asarray(_upright(colour, told["orientation"]), np.uint8)


def photo_size(data: bytes, file: str) -> tuple[int, int]:
    """Width and height that a photo's header states, before anything is decoded.

    Raises
    ------
    RefusedError
        Not a photo of a known kind, or not whole.
    """
    told, _ = run_aside("surfscan.job.decoders:size", {"file": file}, data)
    return int(told["width"]), int(told["height"])


def pixels_of(path: Path | str, file: str) -> int:
    """How many pixels a photo's header states, before anything is decoded; RefusedError as `photo_size`."""
    width, height = photo_size(_read_bytes(Path(path), file), file)
    return width * height


def _decoded(path: Path, file: str) -> tuple[bytes, dict[str, Any], NDArray[Any]]:
    """The file, what its header and EXIF say, and its pixels as stored: by decoders in a process of their own."""
    data = _read_bytes(path, file)
    told, (pixels,) = run_aside(DECODE, {"file": file}, data)
    return data, told, pixels


def check_there(path: Path, file: str, allowed: str) -> int:
    """Size of a file that is there and holds something, bytes.

    Raises
    ------
    RefusedError
        No file, none that may be read, or an empty one.
    """
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise RefusedError(
                f"{file} is no file",
                allowed=allowed,
                found="a folder, or what is none",
                cure="correct the name in the sheet",
            )
    except FileNotFoundError:
        raise RefusedError(
            f"{file} is not there",
            found=f"no {path}",
            cure="copy it into the job folder",
            allowed=f"{allowed}, in the job folder",
        ) from None
    except OSError as error:
        raise _unreadable(file, error) from None
    if size == 0:
        raise RefusedError(
            f"{file} is empty",
            found="0 bytes",
            cure="copy it from the phone again",
            allowed=allowed,
        )
    return size


def _unreadable(file: str, error: OSError) -> RefusedError:
    return RefusedError(
        f"{file} cannot be read",
        found=error.strerror or str(error),
        allowed="a file that this computer may read",
        cure="check its rights, and that the drive is there",
    )


def _read_bytes(path: Path, file: str) -> bytes:
    size = check_there(path, file, "a whole JPEG, PNG, TIFF or HEIC photo")
    if size > _MOST_BYTES:
        raise RefusedError(
            f"{file} is too large",
            found=f"{size / 1e6:.0f} MB",
            allowed="up to 1000 MB",
            cure="save it smaller; 12 megapixels are plenty",
        )
    try:
        return path.read_bytes()
    except OSError as error:
        raise _unreadable(file, error) from None


@lru_cache(maxsize=8)
def _curve(encoding: str, top: int) -> NDArray[np.float32]:
    value = np.arange(top + 1) / top
    if encoding == "srgb":
        value = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    elif encoding != "linear":
        raise ValueError(f"unknown encoding {encoding!r}")
    return value.astype(np.float32)


@lru_cache(maxsize=8)
def _colour_curves(encoding: str, top: int) -> NDArray[np.float32]:
    """One curve per channel with its weight, shape (1, top + 1, 3)."""
    value = _curve(encoding, top).astype(np.float64)[:, None] * np.array(_BGR_WEIGHTS)
    return value.astype(np.float32)[None]


def linear(pixels: NDArray[Any], encoding: str) -> tuple[NDArray[Any], NDArray[Any]]:
    """Luminance and blown-out mask, band by band through tables."""
    top = int(np.iinfo(pixels.dtype).max)
    edge = top - round(top * _TOP_STEP)
    height, width = pixels.shape[:2]
    image = np.empty((height, width), np.float32)
    saturated = np.zeros((height, width), bool)
    ones = np.ones((1, 3), np.float32)
    for row in range(0, height, _BAND_ROWS):
        band, rows = pixels[row : row + _BAND_ROWS], slice(row, row + _BAND_ROWS)
        if band.ndim == 2:
            image[rows] = _curve(encoding, top)[band]
        elif top == 255:
            light = cv2.LUT(np.ascontiguousarray(band), _colour_curves(encoding, top))
            cv2.transform(light, ones, dst=image[rows])
        else:
            curves = _colour_curves(encoding, top)[0]
            image[rows] = sum(curves[:, k][band[..., k]] for k in range(3))
        if band.max() >= edge:
            blown = band >= edge
            saturated[rows] = blown if band.ndim == 2 else blown.any(axis=2)
    return image, saturated


def _upright(array: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Turn and mirror as EXIF orientation 1 to 8 asks (CIPA DC-008, tag 0x0112)."""
    if orientation in (5, 6, 7, 8):
        array = array.swapaxes(0, 1)
    if orientation in (2, 3, 6, 7):
        array = array[:, ::-1]
    if orientation in (3, 4, 7, 8):
        array = array[::-1]
    return np.ascontiguousarray(array)
