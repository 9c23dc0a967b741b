"""Bad input through the whole command: one clear message, the right status, nothing left behind.

The photos are the rendered ones of fixtures/jobs/bad-photos (see fixtures/SOURCES.md) and some made here.
"""

from __future__ import annotations

import io
import json
import shutil
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from surfscan import cli
from surfscan.core.records import Camera
from surfscan.job.photos import read_photo
from surfscan.job.tags import find_tags, paper_outline
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Dish, Flat, Panel
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at

BAD = Path(__file__).resolve().parents[2] / "fixtures" / "jobs" / "bad-photos"
SHEET = (BAD / "panel.toml").read_text(encoding="utf-8")
CENTRE = [
    f"{tag} = {place}"
    for tag, place in enumerate(["[-283, -183]", "[283, -183]", "[283, 183]", "[-283, 183]"])
]


def jpeg(picture: np.ndarray) -> bytes:
    data = io.BytesIO()
    Image.fromarray(picture).save(data, "JPEG", quality=92)
    return data.getvalue()


def huge() -> bytes:
    """A PNG that claims 30,000 x 30,000 pixels in a hundred bytes."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def plain_panel() -> bytes:
    """The good photo with everything but the tags' paper painted over in one grey, and some noise on it."""
    picture = np.array(Image.open(BAD / "stripes-across.jpg").convert("RGB"))
    keep = np.zeros(picture.shape[:2], np.uint8)
    for tag in find_tags(read_photo(BAD / "stripes-across.jpg", "a.jpg"), dictionary="4x4_50"):
        cv2.fillConvexPoly(keep, np.rint(paper_outline(tag, grow=1.3)).astype(np.int32), 1)
    grey = np.random.default_rng(5).normal(120, 3, picture.shape).clip(0, 255).astype(np.uint8)
    return jpeg(np.where(keep[..., None] > 0, picture, grey))


def cropped() -> bytes:
    """The good photo with a strip cut off: another size than the second one."""
    return jpeg(np.array(Image.open(BAD / "stripes-across.jpg").convert("RGB"))[:-40])


def doubled() -> bytes:
    """The good photo with a copy of one tag pasted into the panel's middle."""
    picture = np.array(Image.open(BAD / "stripes-across.jpg").convert("RGB"))
    photo = read_photo(BAD / "stripes-across.jpg", "stripes-across.jpg")
    tag = find_tags(photo, dictionary="4x4_50")[0]
    outline = paper_outline(tag, grow=1.4)
    (left, top), (right, bottom) = outline.min(0).astype(int), outline.max(0).astype(int)
    part = picture[top:bottom, left:right].copy()
    row, column = picture.shape[0] // 2, picture.shape[1] // 2
    picture[row : row + part.shape[0], column : column + part.shape[1]] = part
    return jpeg(picture)


def run(folder: Path, sheet: str, first: bytes | str | None) -> int:
    job = folder / "job"
    job.mkdir()
    for name in ("stripes-across.jpg", "stripes-up.jpg"):
        shutil.copy(BAD / name, job / name)
    if first is not None:
        data = (BAD / first).read_bytes() if isinstance(first, str) else first
        (job / "stripes-across.jpg").write_bytes(data)
    (job / "panel.toml").write_text(sheet, encoding="utf-8")
    return cli.main(["check", str(job), "--out", str(folder / "out"), "--quiet"])


def swap(*pairs: tuple[str, str]) -> str:
    text = SHEET
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def refused(folder: Path, capsys: pytest.CaptureFixture[str], status: int, words: str) -> None:
    told = capsys.readouterr()
    assert words in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert "Traceback" not in told.err
    assert told.out == ""
    assert status in (3, 4)
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("photo", "words"),
    [
        ("black.jpg", "the photo is dark"),
        ("white.jpg", "the photo is blown out"),
        ("too-dark.jpg", "the photo is dark"),
        ("blown-out.jpg", "the photo is blown out"),
        ("motion.jpg", "nothing in the photo is sharp"),
        ("out-of-focus.jpg", "nothing in the photo is sharp"),
        ("no-tags.jpg", "no tags found"),
        ("one-tag.jpg", "too few tags"),
        ("mirrored.jpg", "the photo is mirrored"),
        ("truncated.jpg", "is cut short"),
        ("not-a-photo.jpg", "is no photo that can be read"),
        ("empty.jpg", "is empty"),
        ("stripes-up.jpg", "vary along the board's 'up' axis"),
    ],
)
def test_bad_photo(tmp_path: Path, capsys: pytest.CaptureFixture[str], photo: str, words: str) -> None:
    refused(tmp_path, capsys, run(tmp_path, SHEET, photo), words)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: jpeg(np.full((1, 1, 3), 90, np.uint8)), "is too small; found 1 x 1 pixels"),
        (huge, "is too large; found 30000 x 30000 pixels"),
        (plain_panel, "no stripes in the judged region"),
        (cropped, "is not of the same size as stripes-across.jpg"),
        (doubled, "is in the photo 2 times"),
    ],
    ids=["one pixel", "30,000 x 30,000", "no stripes", "another size", "doubled tag"],
)
def test_bad_photo_made_here(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], make: Callable[[], bytes], words: str
) -> None:
    refused(tmp_path, capsys, run(tmp_path, SHEET, make()), words)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (swap(("4x4_50", "5x5_50")), "no tags found"),
        (swap(("3 = [", "7 = [")), "tag 3 is in the photo but not in the sheet"),
        (swap((CENTRE[2], "2 = [200, 100]")), "tag 2 is not where tags.centres_mm says"),
        (swap((CENTRE[0], "0 = [283, -183]"), (CENTRE[1], "1 = [-283, -183]")), "tags 0 and 1 look swapped"),
        (swap(('"across"', '"?"'), ('"up"', '"across"'), ('"?"', '"up"')), "vary along the board's"),
        (swap(("817.10716]", "-817.10716]")), "board.centre_mm puts the board behind the panel"),
        (
            swap(("centre_mm = [0, 593.6631,", "centre_mm = [0, -593.6631,")),
            "the panel does not reflect the board where the sheet puts it",
        ),
        (swap(("period_mm = 28", "period_mm = 14")), "the sheet's board would show other stripes"),
        (swap(("period_mm = 28", "period_mm = 56")), "the sheet's board would show other stripes"),
        (swap(("size_mm = [620, 420]", "size_mm = [620, -420]")), "panel.size_mm[2] is out of range"),
        (swap(("focal_px = 1327.7", "focal_px = nan")), "camera.focal_px is no finite number"),
        (swap(("focal_px = 1327.7", "")), "focal"),
        (swap(("low_mm = 0.04", "low_mm = 0")), "limits.low_mm is out of range"),
        (swap(('"stripes"', '"stepped"')), "phase_deg is missing"),
        (swap(("size_mm = [620, 420]", "size_mm = [0, 420]")), "panel.size_mm[1] is out of range"),
        (swap(("period_mm = 28", "period_mm = 0")), "board.period_mm is out of range"),
        (swap(("period_mm = 28", "period_mm = -28")), "board.period_mm is out of range"),
        (swap(("side_mm = 36", "side_mm = -36")), "tags.side_mm is out of range"),
        (swap(("focal_px = 1327.7", "focal_px = 0")), "camera.focal_px is out of range"),
        (swap(("focal_px = 1327.7", "focal_px = inf")), "camera.focal_px is no finite number"),
        (swap(("low_mm = 0.04", "low_mm = nan")), "limits.low_mm is no finite number"),
        (swap(("low_mm = 0.04", "low_mm = -0.04")), "limits.low_mm is out of range"),
        (swap(("low_mm = 0.04", "lowmm = 0.04")), "low_mm"),
        (swap((CENTRE[3], "3 = [-283, 183, 0]")), "tags.centres_mm"),
        (swap((CENTRE[3], "")), "tag 3 is in the photo but not in the sheet"),
        (
            swap(
                (
                    "size_mm = [620, 420]",
                    "size_mm = [620, 420]\nregion_mm = [[-200, -100], [200, 100], [200, -100], [-200, 100]]",
                )
            ),
            "panel.region_mm",
        ),
        (
            swap(
                (
                    "size_mm = [620, 420]",
                    "size_mm = [620, 420]\nleave_out_mm = [[[0, 0], [50, 50], [50, 0], [0, 50]]]",
                )
            ),
            "panel.leave_out_mm",
        ),
        (swap(("stripes-up.jpg", "nowhere.jpg")), "nowhere.jpg"),
        ("[panel\nname = ", "panel.toml"),
        ("", "panel"),
    ],
    ids=lambda value: value if len(value) < 60 else "",
)
def test_bad_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str], sheet: str, words: str) -> None:
    refused(tmp_path, capsys, run(tmp_path, sheet, None), words)


def test_a_second_photo_that_is_bad_is_named_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = swap(("stripes-up.jpg", "bad.jpg"))
    job = tmp_path / "job"
    job.mkdir()
    (job / "bad.jpg").write_bytes((BAD / "truncated.jpg").read_bytes())
    shutil.copy(BAD / "stripes-across.jpg", job)
    (job / "panel.toml").write_text(sheet, encoding="utf-8")
    refused(
        tmp_path, capsys, cli.main(["check", str(job), "--out", str(tmp_path / "out"), "--quiet"]), "bad.jpg"
    )


def test_an_earlier_result_is_left_as_it_was(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "result.json").write_text("earlier")
    assert run(tmp_path, SHEET, "black.jpg") == 3
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["result.json"]
    assert (tmp_path / "out" / "result.json").read_text() == "earlier"
    assert "earlier run" in capsys.readouterr().err


def test_an_output_folder_that_can_not_be(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "out").write_text("a file")
    status = run(tmp_path, SHEET, None)
    told = capsys.readouterr()
    assert status == 3
    assert "out" in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert (tmp_path / "out").read_text() == "a file"


def take_own(folder: Path, **changed: float) -> Path:
    """A job by the project's own ray caster, small: a flat panel 500 mm wide on 900 pixels."""
    e = np.radians(54)
    pose = look_at((20, -1150 * np.cos(e), 1150 * np.sin(e)), (0, 0, 0), (0, 1, 0))
    size = (500.0, 360.0)
    scene = Scene(
        panel=Panel(size, Flat(), Dish(-90, 30, -0.15, 90)),
        camera=Camera(0.8 * 900 * 1150 / 500, (449.5, 337.0)),
        board=board_facing(900.0, 54, size_mm=(2200, 1900), period_mm=changed.get("period_mm", 26.0)),
        tags=corner_tags(size),
        poses=(pose,),
        image_size_px=(900, 675),
        supersampling=2,
    )
    return write_job(
        scene,
        folder,
        rng=np.random.default_rng(3),
        motion_px=changed.get("motion_px", 0.0),
    )


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"period_mm": 5.0}, "too fine for this photo"),
        ({"period_mm": 200.0}, "too few stripes across the panel"),
        ({"period_mm": 300.0}, "too few stripes across the panel"),
        ({"period_mm": 450.0}, "too few stripes across the panel"),
        ({"motion_px": 25.0}, "stripes-across.jpg: no tags found"),
    ],
)
def test_stripes_too_fine_too_few_or_smeared(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], changed: dict[str, float], words: str
) -> None:
    job = take_own(tmp_path / "job", **changed)
    refused(tmp_path, capsys, cli.main(["check", str(job), "--out", str(tmp_path / "out"), "--quiet"]), words)


def test_a_smear_that_leaves_the_tags_readable_is_told_and_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = take_own(tmp_path / "job", motion_px=7.0)
    assert cli.main(["check", str(job), "--out", str(tmp_path / "out"), "--quiet", "--json"]) == 10
    photos = json.loads(capsys.readouterr().out)["photos"]
    told = [photo["quality"]["sharpness"] for photo in photos]
    # A smear n long has a standard deviation of n / sqrt(12) along it: 2.0 px, more than a sharp photo's 0.5 to 1.
    assert all(1.2 < row["value"] < 3.0 for row in told)


def test_the_good_job_beside_them_is_measured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(tmp_path, SHEET, None) == 10
    assert capsys.readouterr().out.startswith("flat (primer)\nRework: 3 lows and 1 high.")
