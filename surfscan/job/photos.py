"""Photos: read, set upright once, and brought to linear light.

The pixels' colour profile is not applied: sRGB's curve is used for every file unless the sheet says
"linear". Wide-gamut phone photos share that curve, and stripes are grey, so primaries hardly matter.
"""

from __future__ import annotations

import hashlib
import io
import math
import re
import warnings
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.photo_files import PhotoHeader, read_header

__all__ = ["FILM_DIAGONAL_MM", "focal_from_35mm", "read_photo"]

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)  # the 35 mm frame, 36 x 24 mm

# Luminance of linear RGB, here in OpenCV's order blue, green, red: ITU-R BT.709-6, table 3 (weights of E'Y;
# the same primaries as sRGB, IEC 61966-2-1).
_BGR_WEIGHTS = (0.0722, 0.7152, 0.2126)

_LEAST_SIDE, _MOST_SIDE, _MOST_PIXELS, _MOST_BYTES = 64, 30_000, 100_000_000, 1_000_000_000

# Band of rows whose colour planes stay in the processor's cache; measured, 128 is fastest for 4000 columns.
_BAND_ROWS = 128

# Within one 8-bit step of the top counts as blown out: JPEG's rounding turns a clipped 255 into 254.
_TOP_STEP = 1.0 / 255.0

_FOCAL_AGREEMENT = 0.2  # past this the file was resized after its focal-plane resolution was written


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
    data, header, pixels = _read_pixels(Path(path), file)
    orientation, exif = _read_exif(header)
    focal_px, source = _focal(exif, header)
    image, saturated = _linearise(pixels, encoding)
    if header.kind != "heic":  # a HEIC's turns are in its container and done by the decoder
        image, saturated = _upright(image, orientation), _upright(saturated, orientation)
    return Photo(
        file=file,
        sha256=hashlib.sha256(data).hexdigest(),
        image=image,
        saturated=saturated,
        focal_px=focal_px,
        focal_source=source,
        bits=header.bits,
        taken=_taken(exif),
    )


def focal_from_35mm(focal_mm: float, shape: tuple[int, ...]) -> float:
    """Return the focal length in pixels for a 35 mm equivalent, by the picture's diagonal.

    Parameters
    ----------
    focal_mm : float
        35 mm equivalent, mm, over 0.
    shape : tuple
        (H, W) of the photo.

    Notes
    -----
    The equivalent compares diagonals, 43.27 mm on film: CIPA DCG-001 (from memory). Some makers round to a
    whole millimetre or compare widths, so a share of several percent stays uncertain.
    """
    return focal_mm * math.hypot(shape[0], shape[1]) / FILM_DIAGONAL_MM


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
    _, header, pixels = _read_pixels(Path(path), file)
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    colour = cv2.cvtColor(eight, cv2.COLOR_GRAY2RGB if eight.ndim == 2 else cv2.COLOR_BGR2RGB)
    upright = colour if header.kind == "heic" else _upright(colour, _read_exif(header)[0])
    return np.asarray(upright, np.uint8)


def _read_pixels(path: Path, file: str) -> tuple[bytes, PhotoHeader, NDArray[Any]]:
    data = _read_bytes(path, file)
    header = read_header(data, file)
    _check_size(header, file)
    pixels = _decode(data, header, file)
    if pixels.shape[:2] != (header.height, header.width):
        raise RefusedError(
            f"{file} is damaged",
            found="another size than its header says",
            allowed="a whole photo",
            cure="copy it again",
        )
    return data, header, pixels


def _read_bytes(path: Path, file: str) -> bytes:
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise RefusedError(
                f"{file} is no file",
                allowed="a photo",
                found="a folder, or what is none",
                cure="correct the name in the sheet",
            )
        if size == 0:
            raise RefusedError(
                f"{file} is empty",
                found="0 bytes",
                cure="copy it from the phone again",
                allowed="a whole JPEG, PNG, TIFF or HEIC photo",
            )
        if size > _MOST_BYTES:
            raise RefusedError(
                f"{file} is too large",
                found=f"{size / 1e6:.0f} MB",
                allowed="up to 1000 MB",
                cure="save it smaller; 12 megapixels are plenty",
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise RefusedError(
            f"{file} is not there",
            found=f"no {path}",
            cure="copy the photo into the job folder",
            allowed="a photo in the job folder",
        ) from None
    except OSError as error:
        raise RefusedError(
            f"{file} cannot be read",
            found=error.strerror or str(error),
            allowed="a file that this computer may read",
            cure="check its rights, and that the drive is there",
        ) from None


def _check_size(header: PhotoHeader, file: str) -> None:
    width, height = header.width, header.height
    found = f"{width} x {height} pixels"
    if min(width, height) < _LEAST_SIDE:
        raise RefusedError(
            f"{file} is too small",
            found=found,
            allowed=f"at least {_LEAST_SIDE} x {_LEAST_SIDE}",
            cure="use the full photo",
        )
    if max(width, height) > _MOST_SIDE or width * height > _MOST_PIXELS:
        raise RefusedError(
            f"{file} is too large",
            found=found,
            allowed=f"up to {_MOST_PIXELS // 10**6} megapixels and {_MOST_SIDE} pixels a side",
            cure="save it smaller; 12 megapixels are plenty",
        )


def _decode(data: bytes, header: PhotoHeader, file: str) -> NDArray[Any]:
    """Pixels as stored, (H, W) or (H, W, 3) in blue, green, red; uint8 or uint16; never turned."""
    pixels: NDArray[Any] | None
    try:
        if header.kind == "heic":
            pixels = _decode_heic(data, header)
        elif header.kind == "tiff":
            pixels = _decode_tiff(data)
        else:
            flags = cv2.IMREAD_COLOR if header.channels == 3 else cv2.IMREAD_GRAYSCALE
            flags |= cv2.IMREAD_IGNORE_ORIENTATION | (cv2.IMREAD_ANYDEPTH if header.bits == 16 else 0)
            pixels = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except Exception as error:  # three decoders, each with its own kinds; all mean that the file is bad
        raise RefusedError(
            f"{file} cannot be decoded",
            found=str(error).strip()[:80],
            cure="copy it from the phone again",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        ) from None
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise RefusedError(
            f"{file} cannot be decoded",
            found="damaged picture data",
            cure="copy it again",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        )
    return pixels


def _decode_tiff(data: bytes) -> NDArray[Any] | None:
    """The first page as stored: OpenCV always turns a TIFF by its tag, so the tag is set to 1 first."""
    import tifffile

    with tifffile.TiffFile(io.BytesIO(data)) as tiff:
        tag = tiff.pages.first.tags.get(0x0112)
        order = "little" if tiff.byteorder == "<" else "big"
    if tag is not None:
        changed = bytearray(data)
        changed[tag.valueoffset : tag.valueoffset + 2] = (1).to_bytes(2, order)  # type: ignore[arg-type]
        data = bytes(changed)
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)


def _decode_heic(data: bytes, header: PhotoHeader) -> NDArray[Any]:
    import pillow_heif

    heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False, bgr_mode=header.channels == 3)
    pixels: NDArray[Any] = np.asarray(heif)
    return pixels


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


def _linearise(pixels: NDArray[Any], encoding: str) -> tuple[NDArray[Any], NDArray[Any]]:
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


def _read_exif(header: PhotoHeader) -> tuple[int, dict[int, Any]]:
    """Orientation (1 to 8) and the tags wanted here; broken EXIF counts as none."""
    if not header.exif:
        return 1, {}
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # damaged EXIF must not cost the photo
            exif = Image.Exif()
            exif.load(header.exif)
            orientation = exif.get(0x0112, 1)
            tags = dict(exif.get_ifd(0x8769))
    except Exception:  # the reader raises several kinds on damaged EXIF
        return 1, {}
    return orientation if orientation in range(1, 9) else 1, tags


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _taken(tags: dict[int, Any]) -> str:
    """When the photo was taken (CIPA DC-008, DateTimeOriginal, else DateTimeDigitized), with its time zone if told."""
    for name, zone in ((0x9003, 0x9011), (0x9004, 0x9012)):
        found = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d:\d\d:\d\d)", str(tags.get(name, "")).strip("\0 "))
        if found and found[1] != "0000":
            offset = str(tags.get(zone, "")).strip("\0 ")
            told = f" {offset}" if re.fullmatch(r"[+-]\d\d:\d\d", offset) else ""
            return f"{found[1]}-{found[2]}-{found[3]} {found[4]}{told}"
    return ""


def _focal(tags: dict[int, Any], header: PhotoHeader) -> tuple[float | None, str]:
    """Focal length in pixels from EXIF (CIPA DC-008): by focal-plane resolution, else by 35 mm equivalent."""
    film = _number(tags.get(0xA405))
    by_film = None if film is None else focal_from_35mm(film, (header.height, header.width))
    focal_mm, per_unit = _number(tags.get(0x920A)), _number(tags.get(0xA20E))
    unit_mm = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}.get(tags.get(0xA210, 2))
    by_plane = None
    if focal_mm and per_unit and unit_mm:
        stored = _number(tags.get(0xA002)) or header.width  # columns when the resolution was written
        by_plane = focal_mm * per_unit / unit_mm * header.width / stored
    if by_plane and by_film and abs(by_plane / by_film - 1.0) > _FOCAL_AGREEMENT:
        by_plane = None
    if by_plane:
        return by_plane, "exif_focal_plane"
    return (by_film, "exif_35mm") if by_film else (None, "")
