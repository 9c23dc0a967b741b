"""A photo's pixels and EXIF by the libraries that decode them: OpenCV, libheif, tifffile, Pillow.

What is here runs in a process of its own (`surfscan.core.aside`), called by the names `photo` and `size`.
"""

from __future__ import annotations

import io
import math
import re
import warnings
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.aside import Answer
from surfscan.core.errors import RefusedError
from surfscan.job.photo_files import PhotoHeader, read_header

__all__ = ["FILM_DIAGONAL_MM", "focal_from_35mm", "photo", "picture", "size"]

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)  # the 35 mm frame, 36 x 24 mm

_LEAST_SIDE, _MOST_SIDE, _MOST_PIXELS = 64, 30_000, 100_000_000

_FOCAL_AGREEMENT = 0.2  # past this the file was resized after its focal-plane resolution was written


def photo(words: dict[str, Any], data: bytes) -> Answer:
    """Decode a photo.

    Parameters
    ----------
    words : dict
        ``file``, its name for messages.
    data : bytes

    Returns
    -------
    words : dict
        ``kind``, ``bits``, ``orientation`` (1 to 8), ``focal_px``, ``focal_source``, ``taken``.
    arrays : list of one ndarray
        Pixels as stored, (H, W) or (H, W, 3) in blue, green, red; uint8 or uint16; not turned.

    Raises
    ------
    RefusedError
        As `surfscan.job.photos.read_photo`.
    """
    file = str(words["file"])
    header = read_header(data, file)
    _check_size(header, file)
    cv2.setNumThreads(1)
    pixels = _decode(data, header, file)
    if pixels.shape[:2] != (header.height, header.width):
        raise RefusedError(
            f"{file} is damaged",
            found="another size than its header says",
            allowed="a whole photo",
            cure="copy it again",
        )
    orientation, exif = _read_exif(header)
    if header.kind == "heic":  # its turns are in its container and done by the decoder
        orientation = 1
    focal_px, source = _focal(exif, header)
    told = {
        "kind": header.kind,
        "bits": header.bits,
        "orientation": orientation,
        "focal_px": focal_px,
        "focal_source": source,
        "taken": _taken(exif),
    }
    return told, [pixels]


def size(words: dict[str, Any], data: bytes) -> Answer:
    """Width and height that a photo's header states, before anything is decoded."""
    header = read_header(data, str(words["file"]))
    return {"width": header.width, "height": header.height}, []


def picture(words: dict[str, Any], data: bytes) -> Answer:
    """A picture of a result, as one would look at it: (H, W, 3) uint8; ValueError when it is none."""
    from PIL import Image

    with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as opened:
        if opened.width * opened.height > _MOST_PIXELS:
            raise ValueError("too many pixels")
        return {}, [np.asarray(opened.convert("RGB"))]


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
        return cv2.imdecode(np.frombuffer(changed, np.uint8), cv2.IMREAD_UNCHANGED)
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)


def _decode_heic(data: bytes, header: PhotoHeader) -> NDArray[Any]:
    import pillow_heif

    heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False, bgr_mode=header.channels == 3)
    pixels: NDArray[Any] = np.asarray(heif)
    return pixels


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
