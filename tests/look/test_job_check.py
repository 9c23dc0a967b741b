"""A folder of photos against its sheet: each thing that goes wrong is told as what it is.

Photos of the fixture `flat` (independent renderer), at half size so that looking is quick.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from surfscan import cli
from surfscan.look.job_check import check_folder

FLAT = Path(__file__).parents[2] / "fixtures" / "jobs" / "flat"
ACROSS, UP = "stripes-across.jpg", "stripes-up.jpg"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The job with photos of half the size, and the focal length that goes with it."""
    folder = tmp_path_factory.mktemp("job")
    for name in (ACROSS, UP):
        with Image.open(FLAT / name) as photo:
            photo.reduce(2).save(folder / name, quality=95)
    text = (FLAT / "panel.toml").read_text()
    assert "focal_px = 2655.4" in text
    (folder / "panel.toml").write_text(text.replace("focal_px = 2655.4", f"focal_px = {2655.4 / 2}"))
    return folder


@pytest.fixture
def job(small: Path, tmp_path: Path) -> Path:
    for path in small.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    return tmp_path


def change_sheet(job: Path, old: str, new: str) -> None:
    text = (job / "panel.toml").read_text()
    assert old in text
    (job / "panel.toml").write_text(text.replace(old, new))


def same_direction(job: Path) -> None:
    with Image.open(job / ACROSS) as photo:
        photo.save(job / UP, quality=90)  # the same stripes, another file


def swapped(job: Path) -> None:
    (job / ACROSS).rename(job / "x.jpg")
    (job / UP).rename(job / ACROSS)
    (job / "x.jpg").rename(job / UP)


def twice(job: Path) -> None:
    (job / UP).write_bytes((job / ACROSS).read_bytes())


def capitals(job: Path) -> None:
    (job / UP).rename(job / "Stripes-Up.JPG")


def other_size(job: Path) -> None:
    with Image.open(job / UP) as photo:
        photo.resize((700, 525)).save(job / UP, quality=95)


def no_tags(job: Path) -> None:
    picture = cv2.imread(str(job / UP))
    assert picture is not None
    cv2.imwrite(str(job / UP), cv2.GaussianBlur(picture, (0, 0), 12))


def no_focal(job: Path) -> None:
    text = (job / "panel.toml").read_text()
    (job / "panel.toml").write_text("\n".join(x for x in text.splitlines() if not x.startswith("focal_")))


def other_period(job: Path) -> None:
    change_sheet(job, "period_mm = 28", "period_mm = 110")


def cut_short(job: Path) -> None:
    (job / UP).write_bytes((job / UP).read_bytes()[:9000])


@pytest.mark.parametrize(
    ("spoil", "where", "said"),
    [
        (same_direction, "photos 1 and 2", "these two show the same direction, across"),
        (swapped, "photos 1 and 2", "the two are swapped"),
        (twice, "photos 1 and 2", "they are the same photo twice"),
        (capitals, f"photo 2, {UP}", "the photo is not there"),
        (other_size, "photos 1 and 2", "their sizes differ"),
        (no_tags, f"photo 2, {UP}", "no tags found"),
        (no_focal, f"photo 2, {UP}", "it has no EXIF focal length"),
        (other_period, f"photo 1, {ACROSS}", "other stripes"),
        (cut_short, f"photo 2, {UP}", "cut short"),
    ],
)
def test_each_fault_is_named(job: Path, spoil: Callable[[Path], None], where: str, said: str) -> None:
    spoil(job)
    hits = [f for f in check_folder(job) if f.where == where and said in f.sentence and not f.good]
    assert hits, [f"{f.where}: {f.sentence}" for f in check_folder(job)]
    assert hits[0].cure


def test_a_good_folder_is_good_and_the_command_says_so(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (job / "spare.jpg").write_bytes(b"x")
    assert cli.main(["new", "--check", str(job), "--quiet"]) == 0
    said = capsys.readouterr().out
    assert "stripes are seen, the right way round" in said
    assert "not named in the sheet: spare.jpg" in said
    capitals(job)
    assert cli.main(["new", str(job), "--check", "--quiet", "--json"]) == 3
    document = json.loads(capsys.readouterr().out)
    assert document["good"] is False
    (missing,) = [f for f in document["findings"] if not f["good"]]
    assert "Stripes-Up.JPG" in missing["cure"]
    (job / "panel.toml").unlink()
    assert cli.main(["new", str(job), "--check"]) == 3
    assert "has no panel.toml" in capsys.readouterr().err


def test_a_series_off_its_stand_is_told(tmp_path: Path, small: Path) -> None:
    """The second photo is another camera place: shifted and turned as by a hand."""
    for path in small.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    picture = cv2.imread(str(tmp_path / ACROSS))
    assert picture is not None
    h, w = picture.shape[:2]
    corners = np.float32([[0, 0], [w, 0], [w, h], [0, h]])
    moved = cv2.getPerspectiveTransform(
        corners, np.float32([[12, 9], [w - 5, 2], [w - 9, h - 6], [3, h - 12]])
    )
    cv2.imwrite(str(tmp_path / UP), cv2.warpPerspective(picture, moved, (w, h)))
    text = (tmp_path / "panel.toml").read_text().replace('pattern = "stripes"', 'pattern = "stepped"')
    text = text.replace('varies = "across"', 'varies = "across"\nphase_deg = 0.0')
    (tmp_path / "panel.toml").write_text(text.replace('varies = "up"', 'varies = "across"\nphase_deg = 90.0'))
    found = [f for f in check_folder(tmp_path) if "the camera stood" in f.sentence]
    assert len(found) == 1
    assert "stand" in found[0].cure
