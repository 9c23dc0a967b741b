"""A television as a board: its scale, its tags and stripes, the sheet's tables for it, and photos judged before it."""

from __future__ import annotations

import dataclasses
import re
from importlib import resources
from pathlib import Path

import cv2
import numpy as np
import pytest
from screen.set_photos import HIGH, LOW, SetScene, write_set_job

import surfscan
from surfscan.core.colour import to_srgb
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.places.kit import STANDARD, number_of, screen_ids
from surfscan.screen.judging import judge_photo, judge_setup, kit_seen
from surfscan.screen.page import make_set_page
from surfscan.screen.pattern import check_fits
from surfscan.screen.remembered import keep_scale, scale_kept
from surfscan.screen.set_board import Scale, SetBoard, bar_of, scale_of_bar, scale_of_diagonal

BOARD = SetBoard(1600, 880, Scale(0.75, 0.0005), "stripes")  # 1200 mm wide


def test_the_bar_and_the_diagonal_give_the_scale() -> None:
    assert bar_of(1920) == 1536
    assert scale_of_bar(967.68, 1920).pixel_mm == pytest.approx(0.63)
    assert scale_of_bar(1000.0, 1920).u_rel == pytest.approx(0.0005)
    # 55 in at 16 : 9 are 1217.6 mm wide (25.4 mm an inch); a whole inch is known to 0.29 (JCGM 100, 4.3.7)
    made = scale_of_diagonal(55, (3840, 2160))
    assert 3840 * made.pixel_mm == pytest.approx(1217.6, abs=0.1)
    assert made.u_rel == pytest.approx(1 / 12**0.5 / 55, rel=0.01)
    with pytest.raises(RefusedError, match="can't be the bar"):
        scale_of_bar(12.0, 1920)


def test_what_was_measured_is_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SURFSCAN_HOME", str(tmp_path))
    keep_scale("a" * 32, (1920, 1080), Scale(0.63, 0.0005))
    assert scale_kept("a" * 32, (1920, 1080)) == Scale(0.63, 0.0005)
    assert scale_kept("a" * 32, (3840, 2160)) is None
    assert scale_kept("b" * 32, (1920, 1080)) is None
    (path,) = (tmp_path / "screens").iterdir()
    assert "a" * 8 not in path.name  # the screen's secret is not on the disk
    path.write_text("[screen]\npixel_mm = 'wide'\n")
    assert scale_kept("a" * 32, (1920, 1080)) is None


@pytest.mark.parametrize("pattern", ["crossed", "stripes", "stepped"])
@pytest.mark.parametrize(
    "size", [(1920, 1036, 0.63), (3840, 2116, 0.37), (1280, 756, 0.17), (1333, 701, 0.4)]
)
def test_tags_and_stripes_are_where_the_tables_say(pattern: str, size: tuple[int, int, float]) -> None:
    """OpenCV's own detector on the set's pixels, and the law of the stripes as the guide has it."""
    width, height, mm = size
    made = SetBoard(width, height, Scale(mm, 0.001), pattern)
    check_fits(made.frames, made.screen)
    table = made.tables()
    assert table["period_mm"] == pytest.approx(min(30.0, min(width, height) * mm / 8), abs=2 * mm)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    corners, ids, _ = cv2.aruco.ArucoDetector(family).detectMarkers(made.draw(0))
    found = {str(tag): (c[0].mean(axis=0) + 0.5) * mm for tag, c in zip(ids.ravel(), corners, strict=True)}
    assert set(found) == set(table["tags"]["centres_mm"])
    for tag, (x, y) in table["tags"]["centres_mm"].items():
        assert found[tag] == pytest.approx((x + width * mm / 2, height * mm / 2 - y), abs=mm)
    shown = made.draw(1)
    row = made.height_px // 2
    s = (np.arange(width) + 0.5) * mm / table["period_mm"]
    lit = np.cos(2 * np.pi * s)
    if pattern == "stepped":
        assert np.abs(shown[row].astype(int) - np.rint(255 * to_srgb((1 + lit) / 2))).max() <= 1
    elif pattern == "stripes":
        assert np.array_equal(shown[row] > 127, lit > 0)  # a whole number of pixels: no edge within one


def test_a_kits_numbers_and_a_screens_do_not_meet() -> None:
    assert number_of(screen_ids()) is None
    assert not set(screen_ids()) & {tag for kit in STANDARD for tag in (*kit.panel_ids, *kit.board_ids)}


def test_the_page_asks_for_nothing_young_or_foreign() -> None:
    page, script = make_set_page()
    assert script in page
    assert not re.search(r"https?://|=>|`|\b(?:let|const|async|await|fetch|WebSocket|Promise)\b", script)
    assert "photosensitive" in page
    assert (resources.files("surfscan") / "data" / "screen" / "draw.js").is_file()


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Photos before the set as they come, and a sheet that nobody typed."""
    folder = tmp_path_factory.mktemp("set")
    write_set_job(BOARD, folder)
    return folder


def read(job: Path, name: str) -> Photo:
    return read_photo(job / name, name)


def test_photos_are_judged_as_they_come_and_give_what_was_rendered(job: Path) -> None:
    setup, sheet = read(job, "set-up.jpg"), load_sheet(job)
    assert kit_seen(setup).number == 0
    true = SetScene(*BOARD.screen.size_mm).scene.board
    assert true is not None
    for k, name in enumerate(("photo-1.jpg", "photo-2.jpg")):
        checks = judge_photo(read(job, name), setup, sheet, k)
        assert [check.sentence for check in checks if not check.good] == []
        assert "stripes" in {check.name for check in checks}
    result = surfscan.check(job)
    off = np.array(result.details["setup"]["board_centre_mm"]) - true.centre_mm
    assert np.linalg.norm(off) < 0.005 * np.linalg.norm(true.centre_mm)  # issue 14, as for a kit
    assert len(result.spots) == 2
    for x, y, peak, _ in (LOW, HIGH):
        spot = min(result.spots, key=lambda s: float(np.hypot(s.x_mm - x, s.y_mm - y)))
        assert abs(spot.peak_mm - peak) < max(0.003, 0.03 * abs(peak))
        assert abs(spot.peak_mm - peak) < spot.u95_mm


def test_a_photo_of_another_picture_is_told_apart(job: Path) -> None:
    setup, sheet = read(job, "set-up.jpg"), load_sheet(job)
    (other,) = (c for c in judge_photo(read(job, "photo-2.jpg"), setup, sheet, 0) if not c.good)
    assert "run the other way" in other.sentence
    assert "what the screen shows now" in other.cure
    with pytest.raises(RefusedError, match="not whole in the set-up photo"):
        judge_setup(dataclasses.replace(read(job, "photo-1.jpg"), file="set-up.jpg"), sheet)
    plain = dataclasses.replace(setup, image=np.full_like(setup.image, 0.4), sha256="")
    with pytest.raises(RefusedError, match="No tags are seen"):
        kit_seen(plain)
