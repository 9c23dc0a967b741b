"""What a photo file says before it is decoded: kind, size, depth, EXIF, and whether all of it is there.

Decoders fill a truncated picture with grey and go on; here the file's own structure is walked first, so
that a photo that arrived half is refused. Nothing is decoded, so a header may claim any size safely.
"""

from __future__ import annotations

import io
import struct
import zlib
from dataclasses import dataclass
from typing import Any

from surfscan.core.errors import RefusedError

__all__ = ["PhotoHeader", "looks_like_video", "read_header"]

_PNG = b"\x89PNG\r\n\x1a\n"
_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"hevc", b"hevx"}
_AS_PHOTO = "export it as JPEG, PNG, TIFF or HEIC"


@dataclass(frozen=True, slots=True)
class PhotoHeader:
    """Kind ("jpeg", "png", "tiff", "heic"), stored size, channels (1, 3), bits (8, 16), EXIF block."""

    kind: str
    width: int
    height: int
    channels: int
    bits: int
    exif: bytes = b""


def read_header(data: bytes, file: str) -> PhotoHeader:
    """Read a photo's header and check that the file is whole.

    Parameters
    ----------
    data : bytes
        The whole file.
    file : str
        Its name, for the messages.

    Raises
    ------
    RefusedError
        Not a photo of a known kind, cut short, or of a kind that is not one plain picture (alpha, CMYK,
        several pages, raw).
    """
    if data[:3] == b"\xff\xd8\xff":
        return _jpeg(data, file)
    if data[:8] == _PNG:
        return _png(data, file)
    if data[:4] in (b"II*\0", b"MM\0*"):
        return _tiff(data, file)
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return _heic(data, file)
    if looks_like_video(data):
        raise RefusedError(
            f"{file} is a video",
            found="MP4 or MOV",
            allowed="photos here: JPEG, PNG, TIFF or HEIC",
            cure="name a video of crossed stripes or stripes in a folder's job sheet, and run surfscan check on that;"
            " or take photos",
        )
    raise RefusedError(
        f"{file} is no photo that can be read",
        found=_guess(data),
        allowed="JPEG, PNG, TIFF or HEIC",
        cure=_AS_PHOTO,
    )


MOST_DIRECTORIES = 64
"""A photo has one to five: itself, a thumbnail, EXIF."""


def looks_like_video(data: bytes) -> bool:
    """Whether a file begins as MP4 and MOV do, and is no HEIC photo."""
    if data[4:8] == b"ftyp":
        return data[8:12] not in _HEIF_BRANDS
    return data[4:8] in (b"moov", b"mdat", b"wide")


def _guess(data: bytes) -> str:
    if data[:6] in (b"GIF87a", b"GIF89a"):
        return "a GIF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "a WebP"
    if data[:2] == b"BM":
        return "a BMP"
    if data[:4] == b"%PDF":
        return "a PDF"
    return "no picture"


def _cut_short(file: str) -> RefusedError:
    return RefusedError(
        f"{file} is cut short",
        found="an incomplete file",
        allowed="a whole photo",
        cure="copy it from the phone again",
    )


def _jpeg(data: bytes, file: str) -> PhotoHeader:
    """Walk the markers up to the scan (ISO/IEC 10918-1, annex B), then look for the end of the picture."""
    place, frame, exif = 2, None, b""
    while True:
        while data[place : place + 2] == b"\xff\xff":  # fill bytes
            place += 1
        if place + 4 > len(data):
            raise _cut_short(file)
        marker, length = data[place + 1], int.from_bytes(data[place + 2 : place + 4], "big")
        if data[place] != 0xFF or length < 2:
            raise RefusedError(
                f"{file} is a damaged JPEG",
                cure="copy it from the phone again",
                found="a broken segment",
                allowed="a whole JPEG, PNG, TIFF or HEIC photo",
            )
        body = data[place + 4 : place + 2 + length]
        if marker == 0xE1 and body[:6] == b"Exif\0\0" and not exif:
            exif = body
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            if len(body) < 6:
                raise _cut_short(file)
            frame = struct.unpack(">BHHB", body[:6])
        place += 2 + length
        if marker == 0xDA:
            break
    if frame is None:
        raise RefusedError(
            f"{file} is a damaged JPEG",
            cure="copy it from the phone again",
            found="no size before the picture",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        )
    if data.find(b"\xff\xd9", place) < 0:  # in the scan FF is stuffed, so only the end marker reads FF D9
        raise _cut_short(file)
    bits, height, width, channels = frame
    if channels == 4:
        raise _cmyk(file)
    if channels not in (1, 3) or bits != 8:
        raise _odd(file, f"{channels} channels of {bits} bits")
    return PhotoHeader("jpeg", width, height, channels, 8, exif)


def _png(data: bytes, file: str) -> PhotoHeader:
    """Walk all chunks with their checksums (PNG, ISO/IEC 15948, clause 5)."""
    place, head, exif, kinds = 8, None, b"", set()
    while b"IEND" not in kinds:
        if place + 12 > len(data):
            raise _cut_short(file)
        length, kind = int.from_bytes(data[place : place + 4], "big"), data[place + 4 : place + 8]
        end = place + 12 + length
        if end > len(data):
            raise _cut_short(file)
        body = memoryview(data)[place + 8 : end - 4]
        if zlib.crc32(body, zlib.crc32(kind)) != int.from_bytes(data[end - 4 : end], "big"):
            raise RefusedError(
                f"{file} is a damaged PNG",
                found="a wrong checksum",
                cure="copy it again",
                allowed="a whole JPEG, PNG, TIFF or HEIC photo",
            )
        if kind == b"IHDR" and length == 13:
            head = struct.unpack(">IIBB", body[:10])
        elif kind == b"eXIf":
            exif = bytes(body)
        kinds.add(kind)
        place = end
    if head is None:
        raise RefusedError(
            f"{file} is a damaged PNG",
            cure="copy it again",
            found="no end, or none of the picture",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        )
    width, height, bits, colour = head
    if b"acTL" in kinds:
        raise _pages(file)
    if colour in (4, 6) or b"tRNS" in kinds:
        raise _alpha(file)
    if colour not in (0, 2) or bits not in (8, 16):
        raise _odd(file, "a palette" if colour == 3 else f"{bits} bits")
    return PhotoHeader("png", width, height, 3 if colour == 2 else 1, bits, exif)


def _walk_directories(data: bytes, file: str) -> None:
    """See that the chain of directories ends (TIFF 6.0, section 2): one that comes back to itself never does."""
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None or len(data) < 8 or data[2:4] not in (b"*\0", b"\0*"):
        return  # BigTIFF and others: refused by the reader
    seen: set[int] = set()
    place = struct.unpack(order + "I", data[4:8])[0]
    while place:
        if place in seen or len(seen) >= MOST_DIRECTORIES or place + 2 > len(data):
            what = (
                "a directory that points back"
                if place in seen
                else "too many directories, or one outside the file"
            )
            raise RefusedError(
                f"{file} is a damaged TIFF",
                found=what,
                cure="copy it again",
                allowed="a whole JPEG, PNG, TIFF or HEIC photo",
            )
        seen.add(place)
        end = place + 2 + 12 * struct.unpack(order + "H", data[place : place + 2])[0]
        if end + 4 > len(data):
            raise _cut_short(file)
        place = struct.unpack(order + "I", data[end : end + 4])[0]


def _tiff(data: bytes, file: str) -> PhotoHeader:
    """Read the first directory (TIFF 6.0) through tifffile, and see that every strip lies in the file."""
    import tifffile

    _walk_directories(data, file)
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            pages = [page for page in tiff.pages if not int(getattr(page, "subfiletype", 0)) & 1]
            page: Any = tiff.pages.first
            raw = "DNGVersion" in page.tags or int(page.subfiletype) & 1
            shape = (page.imagewidth, page.imagelength, page.samplesperpixel, page.bitspersample)
            photometric, extra = int(page.photometric), tuple(page.extrasamples)
            plain = page.planarconfig == 1 and int(page.sampleformat) == 1
            ends = [a + b for a, b in zip(page.dataoffsets, page.databytecounts, strict=True)]
            if not all(isinstance(v, int) and v > 0 for v in shape):
                raise ValueError("a size of several numbers")
    except RefusedError:
        raise
    except Exception as error:  # a broken directory shows itself in many ways
        raise RefusedError(
            f"{file} is a damaged TIFF",
            found=str(error)[:80] or type(error).__name__,
            cure="copy it again",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        ) from None
    if raw:
        raise RefusedError(
            f"{file} is a raw file",
            allowed="JPEG, PNG, TIFF or HEIC",
            cure=_AS_PHOTO,
            found="a camera maker's raw data",
        )
    if len(pages) > 1:
        raise _pages(file)
    if photometric == 5:
        raise _cmyk(file)
    width, height, channels, bits = shape
    if extra or channels in (2, 4):
        raise _alpha(file)
    if (photometric, channels) not in ((1, 1), (2, 3), (6, 3)) or bits not in (8, 16) or not plain:
        raise _odd(file, f"{channels} channels of {bits} bits, photometric {photometric}")
    if not ends or max(ends) > len(data) or 0 in ends:
        raise _cut_short(file)
    return PhotoHeader("tiff", width, height, channels, bits, data)  # a TIFF file is itself an EXIF block


def _heic(data: bytes, file: str) -> PhotoHeader:
    import pillow_heif

    try:
        heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        (width, height), mode = heif.size, str(heif.mode)
        exif = heif.info.get("exif") or b""
    except Exception as error:  # the reader raises several kinds
        raise RefusedError(
            f"{file} is a damaged HEIC photo",
            found=str(error)[:80],
            cure="copy it from the phone again",
            allowed="a whole JPEG, PNG, TIFF or HEIC photo",
        ) from None
    if "A" in mode or "a" in mode:
        raise _alpha(file)
    return PhotoHeader(
        "heic", width, height, 1 if mode.startswith("L") else 3, 16 if "16" in mode else 8, exif
    )


def _cmyk(file: str) -> RefusedError:
    return RefusedError(
        f"{file} is in printing colours",
        found="CMYK",
        allowed="grey or RGB",
        cure="use the photo as the camera made it",
    )


def _alpha(file: str) -> RefusedError:
    return RefusedError(
        f"{file} has transparency",
        found="an alpha channel",
        allowed="grey or RGB",
        cure="save it without transparency",
    )


def _pages(file: str) -> RefusedError:
    return RefusedError(
        f"{file} holds several pictures",
        allowed="one",
        cure="save the one to use as its own file",
        found="more than one page or frame",
    )


def _odd(file: str, found: str) -> RefusedError:
    return RefusedError(
        f"{file} is of an unusual kind", found=found, allowed="grey or RGB, 8 or 16 bits", cure=_AS_PHOTO
    )
