"""Photos: upright once, linear, whole; held against Pillow and scikit-image and the standards' numbers."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageOps
from skimage.color import rgb2xyz

from surfscan.core.errors import RefusedError
from surfscan.job.photos import focal_from_35mm, read_photo

pillow_heif.register_heif_opener()


def letter(tall: int = 96, wide: int = 128) -> np.ndarray:
    """A coloured F on grey: every one of the eight orientations looks different."""
    picture = np.full((tall, wide, 3), 60, np.uint8)
    picture[8:-8, 16:32] = (200, 120, 40)
    picture[8:24, 16:100] = (40, 200, 120)
    picture[40:56, 16:64] = (120, 40, 200)
    return picture


def save(path: Path, picture: np.ndarray, **exif: int | float) -> Path:
    """Write with Pillow; `exif` names: orientation, film (35 mm), focal, resolution, unit, columns."""
    tags = Image.Exif()
    if "orientation" in exif:
        tags[0x0112] = exif["orientation"]
    inner = tags.get_ifd(0x8769)
    codes = {"film": 0xA405, "focal": 0x920A, "resolution": 0xA20E, "unit": 0xA210, "columns": 0xA002}
    for name, code in codes.items():
        if name in exif:
            inner[code] = exif[name]
    options = {"quality": 95, "subsampling": 0} if path.suffix == ".jpg" else {}
    if path.suffix == ".heic":
        options = {"quality": -1, "chroma": 444}
    Image.fromarray(picture).save(path, exif=tags.tobytes(), **options)
    return path


def luminance(picture: np.ndarray) -> np.ndarray:
    """The Y of CIE XYZ by scikit-image, an independent sRGB decoder."""
    return rgb2xyz(picture)[..., 1]


def test_srgb_curve_has_the_standards_numbers(tmp_path: Path) -> None:
    # IEC 61966-2-1, clause 5.2 (equations from memory): 10/255 is on the line V/12.92, the rest on the power.
    grey = np.repeat([0, 10, 11, 128, 188, 253], 64 * 2).reshape(6, -1).repeat(16, axis=0).astype(np.uint8)
    Image.fromarray(grey).save(tmp_path / "grey.png")
    photo = read_photo(tmp_path / "grey.png", "grey.png")
    value = np.array([0, 10, 11, 128, 188, 253]) / 255
    wanted = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    assert photo.image[::16, 0] == pytest.approx(wanted, abs=1.2e-7)  # float32
    assert photo.image.dtype == np.float32
    assert photo.bits == 8


def test_luminance_agrees_with_an_independent_decoder(tmp_path: Path) -> None:
    picture = np.random.default_rng(1).integers(0, 256, (96, 128, 3), dtype=np.uint8)
    Image.fromarray(picture).save(tmp_path / "noise.png")
    photo = read_photo(tmp_path / "noise.png", "noise.png")
    # BT.709 prints its weights to four digits, scikit-image uses six: 5e-5 each, three channels.
    np.testing.assert_allclose(photo.image, luminance(picture), atol=1.5e-4)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["png", "jpg", "tif", "heic"])
def test_every_orientation_is_applied_once(tmp_path: Path, kind: str, orientation: int) -> None:
    path = save(tmp_path / f"photo.{kind}", letter(), orientation=orientation)
    photo = read_photo(path, path.name)
    with Image.open(path) as opened:
        wanted = luminance(np.asarray(ImageOps.exif_transpose(opened).convert("RGB")))
    assert photo.image.shape == ((96, 128) if orientation < 5 else (128, 96))
    # JPEG: two builds of the same decoder may round colours differently by a step or two (slope of the curve
    # at most 2.3 per 255 steps). Lossless kinds: the weights' last digit, as above.
    np.testing.assert_allclose(photo.image, wanted, atol=3 * 2.3 / 255 if kind == "jpg" else 2e-4)
    # A photo as the world looks: upright, the same whatever way the camera was held.
    upright = luminance(np.asarray(ImageOps.exif_transpose(_tagged(letter(), orientation))))
    agreement = np.corrcoef(photo.image.ravel(), upright.ravel())[0, 1]
    assert agreement > 0.99  # compression leaves more than this of an F; a wrong turn leaves under 0.7


def _tagged(picture: np.ndarray, orientation: int) -> Image.Image:
    image = Image.fromarray(picture)
    image.getexif()[0x0112] = orientation
    return image


@pytest.mark.parametrize("kind", ["png", "tif"])
@pytest.mark.parametrize("colour", [True, False])
@pytest.mark.parametrize("orientation", [1, 6])
def test_sixteen_bits_keep_their_depth(tmp_path: Path, kind: str, colour: bool, orientation: int) -> None:
    shape = (96, 128, 3) if colour else (96, 128)
    picture = np.random.default_rng(2).integers(0, 65000, shape, dtype=np.uint16)
    path = tmp_path / f"deep.{kind}"
    if kind == "tif":
        tags = [(274, "H", 1, orientation, True)]
        tifffile.imwrite(
            path, picture, photometric="rgb" if colour else "minisblack", extratags=tags, metadata=None
        )
    else:
        cv2.imwrite(str(path), picture[..., ::-1] if colour else picture)
        orientation = 1
    photo = read_photo(path, path.name)
    value = picture / 65535
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    wanted = linear @ (0.2126, 0.7152, 0.0722) if colour else linear
    if orientation == 6:  # turned clockwise
        wanted = np.rot90(wanted, -1)
    assert photo.bits == 16
    np.testing.assert_allclose(photo.image, wanted, atol=4e-7)  # a few roundings of float32 near 1
    assert not photo.saturated.any()


@pytest.mark.parametrize("compression", ["lzw", "deflate"])
def test_packed_tiff(tmp_path: Path, compression: str) -> None:
    names = {"lzw": "tiff_lzw", "deflate": "tiff_adobe_deflate"}
    Image.fromarray(letter()).save(tmp_path / "p.tif", compression=names[compression])
    np.testing.assert_allclose(read_photo(tmp_path / "p.tif", "p").image, luminance(letter()), atol=2e-4)


def test_linear_encoding_is_left_linear(tmp_path: Path) -> None:
    ramp = np.tile(np.linspace(0, 60000, 128).astype(np.uint16), (64, 1))
    cv2.imwrite(str(tmp_path / "ramp.png"), ramp)
    photo = read_photo(tmp_path / "ramp.png", "ramp.png", encoding="linear")
    np.testing.assert_allclose(photo.image, ramp / 65535, atol=1.2e-7)


def test_blown_out_pixels_are_those_with_any_channel_at_the_top(tmp_path: Path) -> None:
    picture = letter()
    picture[10:20, 70:80, 0] = 255
    picture[30:35, 70:80, 2] = 254  # JPEG's rounding of a clipped 255
    picture[50:60, 70:80] = 253
    wanted = np.zeros((96, 128), bool)
    wanted[10:20, 70:80] = wanted[30:35, 70:80] = True
    photo = read_photo(save(tmp_path / "p.png", picture, orientation=3), "p.png")
    assert np.array_equal(photo.saturated, wanted[::-1, ::-1])


def test_focal_length_by_the_films_diagonal(tmp_path: Path) -> None:
    # CIPA DCG-001 (from memory): equal diagonals. A 3-4-5 picture: 5000 pixels stand for 43.2666 mm.
    assert focal_from_35mm(26.0, (3000, 4000)) == pytest.approx(26 * 5000 / np.hypot(36, 24))
    photo = read_photo(save(tmp_path / "p.jpg", letter(96, 128), film=26, orientation=6), "p.jpg")
    assert photo.image.shape == (128, 96)
    assert photo.focal_px == pytest.approx(26 * 160 / np.hypot(36, 24))
    assert photo.focal_source == "exif_35mm"


@pytest.mark.parametrize(("unit", "per_unit"), [(2, 25.4), (3, 10.0), (4, 1.0)])
def test_focal_length_by_pixel_pitch(tmp_path: Path, unit: int, per_unit: float) -> None:
    # A 50 mm lens on pixels of 0.25 mm is 200 pixels; the file was made at twice the size, so 100 are left.
    path = save(tmp_path / "p.jpg", letter(), focal=50.0, resolution=4.0 * per_unit, unit=unit, columns=256)
    photo = read_photo(path, "p.jpg")
    assert photo.focal_px == pytest.approx(100.0, rel=1e-6)  # EXIF rationals
    assert photo.focal_source == "exif_focal_plane"


def test_focal_plane_that_contradicts_the_equivalent_is_not_believed(tmp_path: Path) -> None:
    # Resized without telling: pitch says 400 pixels, the 26 mm equivalent 96.
    path = save(tmp_path / "p.jpg", letter(), focal=100.0, resolution=4.0, unit=4, film=26)
    photo = read_photo(path, "p.jpg")
    assert photo.focal_source == "exif_35mm"


def test_no_focal_length_is_none(tmp_path: Path) -> None:
    photo = read_photo(save(tmp_path / "p.jpg", letter()), "p.jpg")
    assert photo.focal_px is None
    assert photo.focal_source == ""
    # EXIF writes 0 for "unknown" (CIPA DC-008, FocalLengthIn35mmFilm).
    assert read_photo(save(tmp_path / "q.jpg", letter(), film=0), "q.jpg").focal_px is None


def test_digest_is_of_the_file(tmp_path: Path) -> None:
    path = save(tmp_path / "p.jpg", letter())
    photo = read_photo(path, "name in the sheet")
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert photo.file == "name in the sheet"
    with pytest.raises(ValueError, match="read-only"):
        photo.image[0, 0] = 1


def test_data_after_the_picture_is_no_fault(tmp_path: Path) -> None:
    # Phones append a short film or a gain map behind the JPEG's end.
    path = save(tmp_path / "p.jpg", letter())
    path.write_bytes(path.read_bytes() + b"film" * 1000)
    assert read_photo(path, "p.jpg").image.shape == (96, 128)


def encoded(kind: str, picture: np.ndarray | None = None, **options: object) -> bytes:
    data = io.BytesIO()
    Image.fromarray(letter() if picture is None else picture).save(data, kind, **options)
    return data.getvalue()


def with_thumbnail(data: bytes) -> bytes:
    """A JPEG whose EXIF block holds a whole JPEG, end marker and all, as cameras write it."""
    block = b"Exif\0\0II*\0\x08\0\0\0\0\0\0\0\0\0" + encoded("JPEG", letter()[:64, :64])
    return data[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + data[2:]


def huge_png(wide: int, tall: int) -> bytes:
    """A PNG of a hundred bytes that claims any size."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", wide, tall, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


def tiff(picture: np.ndarray, **options: object) -> bytes:
    data = io.BytesIO()
    tifffile.imwrite(data, picture, **options)
    return data.getvalue()


def cut(data: bytes, share: float) -> bytes:
    return data[: int(len(data) * share)]


def flipped(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 0xFF]) + data[middle + 1 :]


def _heic() -> bytes:
    return encoded("HEIF", quality=90)


RGBA = np.dstack([letter(), np.full((96, 128), 128, np.uint8)])
BAD = [
    ("empty", lambda: b"", "is empty"),
    ("text", lambda: b"not a photo at all", "no photo that can be read"),
    ("GIF", lambda: encoded("GIF"), "found a GIF"),
    ("WebP", lambda: encoded("WEBP"), "found a WebP"),
    ("half a JPEG", lambda: cut(encoded("JPEG"), 0.5), "is cut short"),
    ("half a progressive JPEG", lambda: cut(encoded("JPEG", progressive=True), 0.6), "is cut short"),
    ("half a JPEG with a thumbnail", lambda: cut(with_thumbnail(encoded("JPEG")), 0.8), "is cut short"),
    ("a JPEG filled up with zeros", lambda: cut(encoded("JPEG"), 0.6) + bytes(3000), "is cut short"),
    ("a JPEG's header", lambda: encoded("JPEG")[:40], "is cut short"),
    ("a JPEG's first bytes", lambda: b"\xff\xd8\xff", "is cut short"),
    ("half a PNG", lambda: cut(encoded("PNG"), 0.7), "is cut short"),
    ("a damaged PNG", lambda: flipped(encoded("PNG")), "is a damaged PNG"),
    ("half a TIFF", lambda: cut(tiff(letter(), photometric="rgb"), 0.7), "is cut short|damaged TIFF"),
    ("a TIFF's header", lambda: b"II*\0\x08\0\0\0", "is a damaged TIFF"),
    ("half a HEIC", lambda: cut(_heic(), 0.6), "is a damaged HEIC|cannot be decoded"),
    ("one pixel", lambda: encoded("PNG", letter()[:1, :1]), "too small; found 1 x 1"),
    ("a strip", lambda: encoded("PNG", letter()[:63]), "too small; found 128 x 63"),
    ("30,000 x 30,000", lambda: huge_png(30_000, 30_000), "too large; found 30000 x 30000"),
    ("a long strip", lambda: huge_png(30_001, 64), "too large; found 30001 x 64"),
    ("no picture data", lambda: huge_png(128, 96), "cannot be decoded"),
    ("transparency", lambda: encoded("PNG", RGBA), "has transparency"),
    (
        "transparency in a TIFF",
        lambda: tiff(RGBA, photometric="rgb", extrasamples=["unassalpha"]),
        "has transparency",
    ),
    ("CMYK", lambda: _cmyk("JPEG"), "printing colours"),
    ("CMYK in a TIFF", lambda: _cmyk("TIFF"), "printing colours"),
    ("two pages", lambda: tiff(np.stack([letter()] * 2), photometric="rgb"), "holds several pictures"),
    ("moving PNG", lambda: _moving(), "holds several pictures"),
    ("palette", lambda: _palette(), "unusual kind; found a palette"),
    ("floating point", lambda: tiff(letter()[..., 0].astype(np.float32)), "unusual kind"),
]


def _cmyk(kind: str) -> bytes:
    data = io.BytesIO()
    Image.fromarray(letter()).convert("CMYK").save(data, kind)
    return data.getvalue()


def _palette() -> bytes:
    data = io.BytesIO()
    Image.fromarray(letter()).quantize(16).save(data, "PNG")
    return data.getvalue()


def _moving() -> bytes:
    first, second = Image.fromarray(letter()), Image.fromarray(letter()[::-1].copy())
    data = io.BytesIO()
    first.save(data, "PNG", save_all=True, append_images=[second])
    return data.getvalue()


@pytest.mark.parametrize(("make", "words"), [case[1:] for case in BAD], ids=[case[0] for case in BAD])
def test_refused_in_words(tmp_path: Path, make: object, words: str) -> None:
    path = tmp_path / "bad"
    path.write_bytes(make())  # type: ignore[operator]
    with pytest.raises(RefusedError, match=words) as caught:
        read_photo(path, "door.jpg")
    assert "door.jpg" in str(caught.value)
    assert caught.value.status == 3


def test_a_missing_photo_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match=r"door\.jpg is not there"):
        read_photo(tmp_path / "nothing", "door.jpg")
    with pytest.raises(RefusedError, match="is no file"):
        read_photo(tmp_path, "door.jpg")


def test_broken_exif_does_not_cost_the_photo(tmp_path: Path) -> None:
    data = encoded("JPEG")
    block = b"Exif\0\0II*\0\xff\xff\xff\x7f" + bytes(range(64))
    (tmp_path / "p.jpg").write_bytes(
        data[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + data[2:]
    )
    photo = read_photo(tmp_path / "p.jpg", "p.jpg")
    assert photo.image.shape == (96, 128)
    assert photo.focal_px is None


def test_a_tiff_whose_directory_points_to_itself_is_refused_at_once(tmp_path: Path) -> None:
    row = b"".join(struct.pack("<HHII", tag, 4, 1, 16) for tag in (256, 257))
    (tmp_path / "a.tif").write_bytes(struct.pack("<2sHIH", b"II", 42, 8, 2) + row + struct.pack("<I", 8))
    with pytest.raises(RefusedError, match="points back"):
        read_photo(tmp_path / "a.tif", "a.tif")
