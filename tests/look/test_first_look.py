"""A first look: good photos are called good, each bad one by its fault, and places on the photo are right."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from surfscan.core.errors import RefusedError
from surfscan.job.photos import photo_size
from surfscan.job.sheet import load_sheet
from surfscan.look.first_look import look_at_photo

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
BAD = JOBS / "bad-photos"


@pytest.mark.parametrize("job", ["flat", "crown", "satin", "deep", "smooth", "covered-tag", "halo"])
def test_good_photos_are_good(job: str) -> None:
    sheet = load_sheet(JOBS / job)
    for k, row in enumerate(sheet.photos):
        look = look_at_photo(JOBS / job / row.file, row.file, sheet=sheet, row=k)
        assert look.good, [check for check in look.checks if not check.good]
        assert {check.name for check in look.checks} == {
            "tags",
            "framing",
            "clipping",
            "sharpness",
            "stripes",
        }


@pytest.mark.parametrize(
    ("photo", "name", "cure"),
    [
        ("motion", "tags", "hold still"),
        ("out-of-focus", "tags", "focus"),
        ("no-tags", "tags", "tags"),
        ("one-tag", "tags", "tags"),
        ("mirrored", "tags", ""),
    ],
)
def test_a_bad_photo_is_told_by_its_fault(photo: str, name: str, cure: str) -> None:
    sheet = load_sheet(BAD)
    look = look_at_photo(BAD / f"{photo}.jpg", f"{photo}.jpg", sheet=sheet, row=1)
    poor = {check.name: check for check in look.checks if not check.good}
    assert name in poor, look.checks
    assert cure in poor[name].cure
    assert poor[name].cure


@pytest.mark.parametrize("photo", ["black", "white", "blown-out", "truncated", "not-a-photo", "empty"])
def test_what_shows_nothing_is_refused(photo: str) -> None:
    with pytest.raises(RefusedError, match=photo):
        look_at_photo(BAD / f"{photo}.jpg", f"{photo}.jpg")


def test_crossed_and_stepped_stripes_are_looked_for_too() -> None:
    sheet = load_sheet(JOBS / "crossed")
    look = look_at_photo(JOBS / "crossed" / "crossed.jpg", "crossed.jpg", sheet=sheet)
    assert (look.good, look.runs_so) == (True, True)
    narrow = sheet.model_copy(update={"board": sheet.board.model_copy(update={"period_mm": 300.0})})  # type: ignore[union-attr]
    assert look_at_photo(JOBS / "crossed" / "crossed.jpg", "crossed.jpg", sheet=narrow).runs_so is False
    sheet = load_sheet(JOBS / "stepped")
    files = [row.file for row in sheet.photos]
    across, up = files.index("across-38-2.jpg"), files.index("up-38-2.jpg")
    look = look_at_photo(JOBS / "stepped" / files[up], files[up], sheet=sheet, row=up)
    assert (look.good, look.runs_so) == (True, True)
    assert look_at_photo(JOBS / "stepped" / files[up], files[up], sheet=sheet, row=across).runs_so is False


def test_stripes_the_wrong_way_round_are_seen_at_once() -> None:
    sheet = load_sheet(JOBS / "flat")
    look = look_at_photo(JOBS / "flat" / "stripes-up.jpg", "x.jpg", sheet=sheet, row=0)
    poor = [check for check in look.checks if not check.good]
    assert [check.name for check in poor] == ["stripes"]
    assert "'up' axis" in poor[0].sentence
    assert "varies" in poor[0].cure


def test_places_on_the_photo_are_places_on_the_panel() -> None:
    """The tags' centres, which the sheet gives in mm, lie where OpenCV's own detector sees them."""
    sheet = load_sheet(JOBS / "crown")
    name = sheet.photos[0].file
    look = look_at_photo(JOBS / "crown" / name, name, sheet=sheet, row=0)
    grey = cv2.imread(str(JOBS / "crown" / name), cv2.IMREAD_GRAYSCALE)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(grey)
    assert sheet.tags is not None
    for quad, tag in zip(corners, ids.ravel(), strict=True):
        a, b, c, d = quad[0].astype(float)
        # a square's middle is where its diagonals cross, in perspective too
        t = np.linalg.solve(np.stack([c - a, b - d], 1), b - a)
        seen = a + t[0] * (c - a)
        assert look.to_panel(seen[None])[0] == pytest.approx(
            sheet.tags.centres_mm[int(tag)], abs=1.0
        )  # a pixel is 0.4 mm
        assert look.to_photo([sheet.tags.centres_mm[int(tag)]])[0] == pytest.approx(seen, abs=2.0)
    assert look.size_px == grey.shape[::-1]
    assert max(look.picture.shape) == 1200
    assert look.outline_px is not None


def test_without_a_sheet_there_is_a_picture_and_no_place() -> None:
    look = look_at_photo(BAD / "stripes-up.jpg", "up.jpg")
    assert look.good
    assert look.station is None
    assert np.isnan(look.to_panel([[1, 2]])).all()
    assert np.isnan(look.to_photo([[1, 2]])).all()


def test_a_header_is_read_without_the_picture() -> None:
    data = (BAD / "stripes-up.jpg").read_bytes()
    height, width = cv2.imread(str(BAD / "stripes-up.jpg")).shape[:2]
    assert photo_size(data, "up.jpg") == (width, height)
    with pytest.raises(RefusedError, match="no photo"):
        photo_size(b"<svg>", "x.svg")
