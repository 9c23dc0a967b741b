"""What the page takes: sizes before decoding, names that never become paths, settings that say the same."""

from __future__ import annotations

import struct
import zlib

import pytest
from page_runs import APP, JOBS, bring_job, check, open_page, told, uploader

import surfscan
from surfscan.cli.page import settings

from surfscan.ui import limits  # isort: skip  (found by page_runs)


def png_header(width: int, height: int) -> bytes:
    """A whole PNG file whose header claims a size; the picture data is a few bytes (PNG, ISO/IEC 15948, clause 5)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


def test_pixels_are_counted_before_anything_is_decoded() -> None:
    with pytest.raises(surfscan.RefusedError, match=r"huge.png is too large; found 40000 x 40000 pixels"):
        limits.check_photo(png_header(40_000, 40_000), "huge.png")
    with pytest.raises(surfscan.RefusedError, match="too small"):
        limits.check_photo(png_header(20, 20), "tiny.png")
    limits.check_photo(png_header(4000, 3000), "fine.png")


def test_bytes_count_and_total_are_limited() -> None:
    with pytest.raises(surfscan.RefusedError, match="allowed: up to 40 MB"):
        limits.check_photo(b"\xff\xd8\xff" + bytes(42_000_000), "big.jpg")
    with pytest.raises(surfscan.RefusedError, match="is a video, which the page does not take"):
        limits.check_photo(b"\0\0\0\x14ftypqt  " + bytes(50_000_000), "walk.mov")
    with pytest.raises(surfscan.RefusedError, match="too many photos"):
        limits.check_total([1] * (limits.MOST_PHOTOS + 1))
    with pytest.raises(surfscan.RefusedError, match="too large together"):
        limits.check_total([39_000_000] * 11)
    limits.check_total([39_000_000] * 10)


def test_a_huge_upload_is_refused_on_the_page() -> None:
    page = open_page()
    uploader(page, "photos-").set_value([("../../etc/passwd.png", png_header(40_000, 40_000), "image/png")])
    said = told(page.run())
    assert "passwd.png is too large" in said
    assert "../" not in said
    assert "Set the phone to 12 megapixels" in said
    assert page.session_state["photos"] == []


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/passwd", "passwd"),
        ("..\\..\\windows\\x.jpg", "x.jpg"),
        ("a\0b\n.jpg", "ab.jpg"),
        ("/", "photo"),
        ("x" * 500, "x" * 60),
        ("bumper left.HEIC", "bumper left.HEIC"),
    ],
)
def test_a_clients_name_is_only_shown(name: str, shown: str) -> None:
    assert limits.shown_name(name) == shown


def test_photos_get_our_own_names() -> None:
    page = open_page()
    data = (JOBS / "bad-photos" / "stripes-across.jpg").read_bytes()
    uploader(page, "photos-").set_value(
        [("../../../tmp/evil.jpg", data, "image/jpeg"), ("C:\\b.jpg", data, "image/jpeg")]
    )
    page.run()
    assert [photo.file for photo in page.session_state["photos"]] == ["photo-1.jpg", "photo-2.jpg"]
    assert [row["file"] for row in page.session_state["job"]["photo"]] == ["photo-1.jpg", "photo-2.jpg"]


def test_a_name_cannot_write_on_the_page() -> None:
    """A panel's or photo's name is text, never HTML or Markdown."""
    page = bring_job(open_page(), JOBS / "bad-photos")
    name = next(one for one in page.text_input if one.label == "Name of the panel")
    name.set_value("<img src=x onerror=alert(1)> [a](http://b)").run()
    check(page)
    raw = "\n".join(one.proto.body for one in page.get("html"))
    assert "<img src=x" not in raw
    assert "&lt;img src=x" in raw


def test_the_settings_file_says_the_same() -> None:
    given = settings(APP)
    assert given["server.maxUploadSize"] == limits.MOST_FILE_MB
    assert given["server.address"] == "127.0.0.1"
    assert given["browser.gatherUsageStats"] is False
    assert given["server.enableXsrfProtection"] is True
    assert given["server.enableAgentApi"] is False
    assert given["server.enableStaticServing"] is False
    assert given["client.showErrorDetails"] == "none"
