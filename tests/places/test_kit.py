"""A kit's numbers, its file, its scale, and its pages as an independent reader (PDFium) and OpenCV see them."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest

from surfscan.cli import main
from surfscan.core.errors import RefusedError, UsageError
from surfscan.job.sheet_board import BoardSheet
from surfscan.job.tag_mirror import mirror_alike
from surfscan.places.home import home
from surfscan.places.kit import (
    DICTIONARY,
    STANDARD,
    Kit,
    design_kit,
    kit_of,
    kits,
    load_kit,
    measure_kit,
    number_of,
    read_kit,
    save_kit,
)


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SURFSCAN_HOME", str(tmp_path / "home"))


def test_no_tag_belongs_to_two_kits_or_reads_as_itself_in_a_mirror() -> None:
    every = [tag for n in range(61) for tag in kit_with(n).panel_ids + kit_with(n).board_ids]
    assert len(set(every)) == len(every) == 61 * 12
    assert max(every) < 1000
    assert not set(every) & mirror_alike(DICTIONARY)
    for n in (0, 8, 60):  # 129 reads as itself in a mirror and is passed over
        assert number_of(kit_with(n).panel_ids) == n


def kit_with(number: int) -> Kit:
    return STANDARD[0].model_copy(update={"number": number})


def test_mirrored_tags_are_told_as_opencv_reads_them() -> None:
    table = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_250)
    alike = set()
    for tag in range(250):
        bits = (cv2.aruco.generateImageMarker(table, tag, 6)[1:-1, 1:-1] > 127).astype(np.uint8)
        read, other, _ = table.identify(np.ascontiguousarray(bits[:, ::-1]), 0.6)
        if read and other == tag:
            alike.add(tag)
    assert mirror_alike("4x4_250") == alike


def test_the_ruler_puts_every_length_right() -> None:
    assert load_kit(0).measured_mm is None
    kit = measure_kit(0, 199.0)
    assert load_kit(0) == kit
    for length, drawn in ((kit.tags_tables()["side_mm"], 40.0), (kit.board_tables()["period_mm"], 30.0)):
        assert length == pytest.approx(0.995 * drawn)
    assert kit.board_tables()["tags"]["centres_mm"]["9"] == pytest.approx([0.995 * 486.0, -0.995 * 426.0])
    assert kit.uncertainty_tables()["period_rel"] < STANDARD[0].uncertainty_tables()["period_rel"]
    with pytest.raises(RefusedError, match="not the check ruler"):
        measure_kit(0, 150.0)
    BoardSheet.model_validate({**tupled(kit.board_tables()), "setup_photo": "s.jpg"})


def tupled(value: object) -> object:
    if isinstance(value, dict):
        return {key: tupled(item) for key, item in value.items()}
    return tuple(value) if isinstance(value, list) else value


def test_a_kit_of_ones_own_keeps_its_number_and_travels_as_a_file(tmp_path: Path) -> None:
    assert design_kit("a3", "stripes") == STANDARD[3]
    own = design_kit("a4", board_mm=(900.0, 700.0))
    assert own.number == 6
    save_kit(own)
    assert design_kit("a4", board_mm=(900.0, 700.0)).number == 6
    assert design_kit("a4", board_mm=(800.0, 700.0)).number == 7
    path = save_kit(own, tmp_path)
    (home() / "kits" / "6.toml").unlink()
    with pytest.raises(RefusedError, match="does not know kit 6"):
        kit_of(own.panel_ids)
    assert main(["kit", "add", str(path)]) == 0
    assert kit_of(own.board_ids) == own
    assert [kit.number for kit in kits()] == list(range(7))


def test_a_kit_that_is_printed_again_keeps_its_ruler_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    print_it = ["print", "kit", "--paper", "a4", "--out"]
    assert main([*print_it, str(tmp_path / "one")]) == 0
    assert "earlier print" not in capsys.readouterr().out
    measure_kit(0, 199.0)
    assert main([*print_it, str(tmp_path / "two")]) == 0
    said = capsys.readouterr().out
    assert "199 mm, stays until then" in said
    assert "measure this one too" in said
    assert load_kit(0).measured_mm == 199.0
    assert read_kit(tmp_path / "two" / "kit-0.toml").measured_mm is None  # the file is the print's own
    assert main(["kit", "add", str(tmp_path / "two" / "kit-0.toml")]) == 0
    assert load_kit(0).measured_mm == 199.0
    measure_kit(0, 201.0)
    assert load_kit(0).measured_mm == 201.0
    save_kit(
        kit_with(0).model_copy(update={"period_mm": 20.0})
    )  # another board under its number: measured anew
    assert load_kit(0).measured_mm is None


def test_what_is_no_kit_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="no tags of a kit"):
        kit_of([])
    with pytest.raises(UsageError, match="crossed or stripes"):
        design_kit("a4", "dots")
    with pytest.raises(UsageError, match="no standard board"):
        design_kit("roll-1200")
    for text, words in (
        ("number = 99\n", "number is out of range"),
        ("nummer = 1\n", "nummer"),
        ("=", "no kit's file"),
    ):
        (tmp_path / "kit.toml").write_text(text)
        with pytest.raises(RefusedError, match=words):
            read_kit(tmp_path / "kit.toml")


def test_the_pages_hold_the_kit_at_true_size(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["print", "kit", "--paper", "roll-914", "--out", str(tmp_path), "--quiet"]) == 0
    assert len(capsys.readouterr().out.split()) == 4
    kit, dpi = STANDARD[4], 40.0
    board = pypdfium2.PdfDocument(tmp_path / "kit-4-board.pdf")
    assert len(board) == 1
    picture = np.ascontiguousarray(board[0].render(scale=dpi / 72, grayscale=True).to_numpy().squeeze())
    rim = round(150 * dpi / 25.4)
    picture[rim:-rim] = (
        255  # tags are at the corners; a thousand squares between them would be looked at one by one
    )
    picture[:, rim:-rim] = 255
    table = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    corners, ids, _ = cv2.aruco.ArucoDetector(table).detectMarkers(picture)
    found = {
        int(i): c.reshape(4, 2).mean(0) * 25.4 / dpi for i, c in zip(np.ravel(ids), corners, strict=True)
    }
    assert set(found) == set(kit.board_ids)
    told = kit.board_tables()["tags"]["centres_mm"]
    a, b = kit.board_ids[0], kit.board_ids[2]
    apart = np.hypot(*(np.array(told[str(b)]) - told[str(a)]))
    assert np.hypot(*(found[b] - found[a])) == pytest.approx(apart, abs=1.0)  # a pixel here is 0.6 mm
    words = pypdfium2.PdfDocument(tmp_path / "kit-4-how-to.pdf")[0].get_textpage().get_text_range()
    assert "surfscan kit ruler 4 MM" in words
    assert len(pypdfium2.PdfDocument(tmp_path / "kit-4-tags.pdf")) == 1
