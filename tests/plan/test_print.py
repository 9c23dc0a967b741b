"""Printed pages measured back from the PDF by an independent reader (PDFium), and found by OpenCV in a photo of them.

The 0.05 mm that a print must keep is the issue's; the PDF's own rounding (six decimals of a point) is a thousandth of
that.
"""

from __future__ import annotations

import io
import json
import tomllib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from surfscan.cli import main
from surfscan.core.errors import UsageError
from surfscan.plan.ink import Line
from surfscan.plan.printing import make_targets, write_print
from surfscan.plan.sheets import OVERLAP_MM, lay_out, paper_named
from surfscan.plan.targets import charuco_board, dot_board, striped_board, tag_target
from surfscan.plan.writers import page_to_png, page_to_svg, pages_to_pdf

MM = 25.4 / 72
EXACT_MM = 0.05


def boxes(pdf: bytes, number: int = 0) -> np.ndarray:
    """Filled shapes of a page as PDFium reads them: rows of left, low, right, top in mm."""
    page = pypdfium2.PdfDocument(pdf)[number]
    path = pypdfium2.raw.FPDF_PAGEOBJ_PATH
    rows = []
    for shape in page.get_objects(filter=[path]):
        fill, stroke = pypdfium2.raw.c_int(), pypdfium2.raw.c_int()
        pypdfium2.raw.FPDFPath_GetDrawMode(shape.raw, fill, stroke)
        if fill.value:
            rows.append(shape.get_bounds())
    return np.array(rows) * MM


def render(pdf: bytes, dpi: float, number: int = 0) -> np.ndarray:
    """The page's grey picture."""
    page = pypdfium2.PdfDocument(pdf)[number]
    return np.ascontiguousarray(page.render(scale=dpi / 72, grayscale=True).to_numpy().squeeze())


def find_tags(picture: np.ndarray, dictionary: int = cv2.aruco.DICT_4X4_50) -> dict[int, np.ndarray]:
    """Tags as OpenCV finds them: id to corners (4, 2)."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(dictionary), settings)
    corners, ids, _ = detector.detectMarkers(picture)
    return (
        {int(i): c.reshape(4, 2) for i, c in zip(np.ravel(ids), corners, strict=True)}
        if ids is not None
        else {}
    )


def photograph(picture: np.ndarray, seed: int) -> np.ndarray:
    """The page as a hand-held camera sees it: in perspective, a little out of focus, unevenly lit, with noise."""
    rng = np.random.default_rng(seed)
    h, w = picture.shape
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32)
    there = np.array([[170, 120], [1090, 60], [1180, 1500], [60, 1420]], np.float32)
    there += rng.uniform(-50, 50, there.shape).astype(np.float32)
    seen = cv2.warpPerspective(
        picture,
        cv2.getPerspectiveTransform(corners, there),
        (1240, 1600),
        flags=cv2.INTER_AREA,
        borderValue=90,
    )
    lit = cv2.GaussianBlur(seen, (0, 0), 1.0) * np.linspace(0.55, 0.95, 1240)[None] + rng.normal(
        0, 3, seen.shape
    )
    return np.clip(lit, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("paper", ["a4", "letter", "a3", "roll-914"])
def test_tags_have_their_size_and_a_photo_of_the_page_finds_each(paper: str) -> None:
    pages = lay_out([tag_target(i, side_mm=36) for i in range(6)], paper_named(paper))
    pdf = pages_to_pdf(pages, title="tags")
    page = pypdfium2.PdfDocument(pdf)[0]
    assert np.array(page.get_size()) * MM == pytest.approx(pages[0].size_mm, abs=0.001)
    shapes = boxes(pdf)
    sides = shapes[:, 2:] - shapes[:, :2]
    black = sides[np.abs(sides[:, 0] - 36) < 1]
    assert len(black) == 6
    assert np.abs(black - 36).max() < 0.002
    if paper.startswith("roll"):  # a wide, mostly blank page: found, but not worth a large picture
        assert sorted(find_tags(render(pdf, 150))) == list(range(6))
        return
    # The same on the rendered page: PDFium's filled shapes reach half a pixel further (0.03 mm at 600 dpi).
    found = find_tags(render(pdf, 600))
    assert sorted(found) == list(range(6))
    for corners in found.values():
        lengths = np.linalg.norm(corners - np.roll(corners, 1, 0), axis=1) * 25.4 / 600
        assert np.abs(lengths - 36).max() < EXACT_MM
    assert sorted(find_tags(photograph(render(pdf, 150), 4))) == list(range(6))


@pytest.mark.parametrize("varies", ["across", "up"])
def test_tiles_of_stripes_fit_together_to_the_whole_board(varies: str) -> None:
    target = striped_board((610, 470), period_mm=26, varies=varies)
    pages = lay_out([target], paper_named("a4"))
    pdf = pages_to_pdf(pages, title="stripes")
    assert len(pages) == len(pypdfium2.PdfDocument(pdf))
    columns = round((610 - OVERLAP_MM) / (pages[0].window[2] - OVERLAP_MM))
    rows = len(pages) // columns
    edges = set()
    for k, page in enumerate(pages):
        x0 = (k % columns) * (page.window[2] - OVERLAP_MM) - page.window[0]
        y0 = (rows - 1 - k // columns) * (page.window[3] - OVERLAP_MM) - page.window[1]
        for left, low, right, top in boxes(pdf, k):
            one, two = (left + x0, right + x0) if varies == "across" else (low + y0, top + y0)
            edges.add((round(one, 2), round(two, 2)))
    side = 610 if varies == "across" else 470
    # Black where cos(2 pi s/26) < 0 (the sheet's rule), s from the edge; pieces at cuts are parts of such a bar.
    middle = np.array([(a + b) / 2 for a, b in edges])
    assert (np.cos(2 * np.pi * middle / 26) < 0).all()
    # Pieces that overlap or touch are one bar of the pasted board.
    bars: list[list[float]] = []
    for one, two in sorted(edges):
        if bars and one <= bars[-1][1] + 0.02:
            bars[-1][1] = max(bars[-1][1], two)
        else:
            bars.append([one, two])
    wanted = [(26 * (k + 0.25), min(26 * (k + 0.75), side)) for k in range(int(np.ceil(side / 26)))]
    assert np.array(bars) == pytest.approx(np.array([w for w in wanted if w[1] > w[0]]), abs=EXACT_MM)


def test_the_ruler_is_200_mm_and_pages_carry_id_period_and_keys() -> None:
    pages = lay_out([striped_board((400, 300), period_mm=30)], paper_named("a4"))
    pdf = pages_to_pdf(pages, title="stripes")
    document = pypdfium2.PdfDocument(pdf)
    for number in range(len(document)):
        text = document[number].get_textpage().get_text_bounded()
        for words in (
            "measure this: 200 mm",
            "stripes of 30 mm",
            "period_mm = 30",
            "size_mm = [400, 300]",
            "row",
        ):
            assert words in text
        longest = 0.0
        for shape in document[number].get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_PATH]):
            left, low, right, top = shape.get_bounds()
            if right - left < 1:
                longest = max(longest, (top - low) * MM)
        bars = boxes(pdf, number)
        assert (bars[:, 3] - bars[:, 1]).max() < 300
        assert longest > 0
    # The ruler's stem is the only line 200 mm long; PDFium widens a stroked line by at most its width a side.
    stems = [
        (s.get_bounds()[3] - s.get_bounds()[1]) * MM
        for s in document[0].get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_PATH])
    ]
    assert min(abs(length - 200) for length in stems) < 0.4
    lines = [mark.points for mark in pages[0].marks if isinstance(mark, Line)]
    upright = [b[1] - a[1] for a, b in lines if abs(a[0] - b[0]) < 1e-9]
    assert max(upright) == pytest.approx(200, abs=1e-9)


def test_dots_lie_on_their_lattice_with_one_in_the_middle() -> None:
    target = dot_board((170, 200), period_mm=20, dot_mm=8)
    pdf = pages_to_pdf(lay_out([target], paper_named("a4")), title="dots")
    shapes = boxes(pdf)
    round_ones = shapes[np.abs(shapes[:, 2] - shapes[:, 0] - 8) < 0.1]
    assert len(round_ones) == 9 * 9
    middles = (round_ones[:, :2] + round_ones[:, 2:]) / 2 - np.array([17 + 85, 30 + 100])
    assert np.abs(middles / 20 - np.round(middles / 20)).max() * 20 < 0.01
    assert np.abs(middles).sum(1).min() < 0.01
    assert np.abs(round_ones[:, 2:] - round_ones[:, :2] - 8).max() < EXACT_MM


def test_the_charuco_board_is_opencv_s() -> None:
    """OpenCV's own detector finds all inner corners of our page, at its own places for such a board."""
    target = charuco_board(7, 5, square_mm=24)
    pdf = pages_to_pdf(lay_out([target], paper_named("a4")), title="charuco")
    picture = render(pdf, 300)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    board = cv2.aruco.CharucoBoard((7, 5), 24, 18, family)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(picture)
    assert sorted(np.ravel(ids)) == list(range(6 * 4))
    there = corners.reshape(-1, 2)[np.argsort(np.ravel(ids))] * 25.4 / 300
    wanted = np.asarray(board.getChessboardCorners())[:, :2]
    shift = (there - wanted).mean(0)
    assert np.abs(there - wanted - shift).max() < EXACT_MM


def test_png_and_svg_have_the_same_sizes(tmp_path: Path) -> None:
    page = lay_out([tag_target(3, side_mm=36)], paper_named("a4"))[0]
    png = Image.open(io.BytesIO(page_to_png(page, dpi=300)))
    assert png.info["dpi"] == pytest.approx((300, 300), abs=0.1)
    corners = find_tags(np.asarray(png))[3]
    # An edge lies on the nearest pixel: 0.04 mm at 300 dpi for both edges of a side.
    assert np.linalg.norm(corners[0] - corners[1]) * 25.4 / 300 == pytest.approx(36, abs=0.1)
    svg = page_to_svg(page)
    assert 'width="210.0000mm" height="297.0000mm" viewBox="0 0 210.0000 297.0000"' in svg
    assert 'width="36.0000" height="36.0000"' in svg
    files = write_print(
        "stripes", tmp_path, forms=["pdf", "svg", "png"], dpi=100, size_mm=(250, 200), paper="a3"
    )
    assert [f.suffix for f in files] == [".pdf", ".svg", ".png"]
    assert not list(tmp_path.glob(".*"))


def test_the_gauge_s_bars_and_wedge() -> None:
    pdf = pages_to_pdf(lay_out(make_targets("gauge"), paper_named("letter")), title="gauge")
    shapes = boxes(pdf)
    widths = sorted(np.round(shapes[:, 2] - shapes[:, 0], 3))
    assert widths == pytest.approx([0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.7, 1, 1.5, 2, 3, 4, 5, 6.35], abs=0.002)


def test_a_board_s_tags_go_into_the_sheet_s_keys() -> None:
    target = striped_board((900, 700), period_mm=30, tag_side_mm=60)
    keys = tomllib.loads("\n".join(target.keys))["board"]
    assert keys["tags"]["centres_mm"]["10"] == [-410, -310]
    page = lay_out([target], paper_named("roll-1067"))[0]
    picture = render(pages_to_pdf([page], title="b"), 60)
    found = find_tags(picture)
    assert sorted(found) == [10, 11, 12, 13]
    middle = {i: c.mean(0) * 25.4 / 60 for i, c in found.items()}
    assert middle[11] - middle[10] == pytest.approx([820, 0], abs=0.3)
    assert middle[13] - middle[10] == pytest.approx([0, -620], abs=0.3)


def test_a_board_is_turned_to_fit_a_roll_or_tiled_when_told() -> None:
    board = striped_board((1400, 800), period_mm=30)
    page = lay_out([board], paper_named("roll-914"))[0]
    assert page.size_mm[0] == 914
    assert page.window[2:] == (800, 1400)
    assert any("Turned" in getattr(mark, "text", "") for mark in page.marks)
    with pytest.raises(UsageError, match=r"too large for a roll.*--tiled"):
        lay_out([board], paper_named("roll-610"))
    assert len(lay_out([board], paper_named("roll-610"), tiled=True)) == 3


@pytest.mark.parametrize(
    ("what", "options", "match"),
    [
        ("stripes", {"period_mm": 0.6}, "too fine to print.*period of 1"),
        ("stripes", {"period_mm": 400}, "Too few periods"),
        ("dots", {"period_mm": 10, "dot_mm": 9.9}, "too fine"),
        ("tags", {"side_mm": 300}, "does not fit on A4.*larger paper"),
        ("tags", {"side_mm": 4}, "too small"),
        ("tags", {"ids": [50]}, "no tag 50.*0 to 49"),
        ("tags", {"ids": [1, 1]}, "twice"),
        ("tags", {"dictionary": "9x9"}, "dictionary is not known"),
        ("charuco", {"square_mm": 60}, "does not fit on A4"),
        ("stripes", {"size_mm": (9000, 9000)}, r"would take \d+ pages"),
        ("stripes", {"varies": "round"}, "across or up"),
        ("poster", {}, "no such thing"),
    ],
)
def test_what_cannot_be_printed_is_said_with_what_can(
    what: str, options: dict[str, Any], match: str, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match=match):
        write_print(what, tmp_path / "out", **options)
    assert not (tmp_path / "out").exists()


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["print", "tags", "--ids", "0", "1", "--side", "30", "--out", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "side_mm = 30" in told
    assert main(["print", "gauge", "--out", str(tmp_path), "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert Path(files[0]).read_bytes().startswith(b"%PDF")
    assert main(["print", "tags", "--paper", "a9", "--out", str(tmp_path)]) == 2
    assert "roll-914" in capsys.readouterr().err
    again = lay_out([tag_target(1)], paper_named("a4"))
    assert pages_to_pdf(again, title="t") == pages_to_pdf(again, title="t")
