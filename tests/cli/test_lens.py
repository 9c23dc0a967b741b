"""`surfscan lens`: on real photographs with published intrinsics, and on the board that it prints itself."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest

from surfscan import cli
from surfscan.core.records import Photo
from surfscan.job.chart import Chart, find_corners
from surfscan.job.lens_file import read_lens
from surfscan.plan.calibration_board import RULER_MM, board_pdf

CHESSBOARD = Path(__file__).parents[2] / "fixtures" / "chessboard"
DPI = 150


def page(chart: Chart, paper: str) -> np.ndarray:
    document = pypdfium2.PdfDocument(board_pdf(chart, paper=paper))
    assert len(document) == 1
    return np.asarray(document[0].render(scale=DPI / 72).to_pil().convert("L"))


def photo(grey: np.ndarray) -> Photo:
    image = (grey.astype(np.float32) / 255) ** 2.2
    return Photo("board.png", "", image, image > 2)


def test_real_photographs_give_the_published_lens(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """13 photographs of OpenCV's own samples; its left_intrinsics.yml: fx 535.9, axis (342.3, 235.6), 0.393 px."""
    files = [str(p) for p in sorted(CHESSBOARD.glob("left*.jpg"))]
    assert len(files) == 13
    out = tmp_path / "lens.toml"
    status = cli.main(
        ["lens", *files, "--chessboard", "9x6", "--square-mm", "25", "--out", str(out), "--quiet", "--json"]
    )
    told = json.loads(capsys.readouterr().out)
    assert status == 0
    lens = read_lens(out)
    # The published fit took one photo's corners 1.2 px wrong, which moves it by several of its own standard
    # deviations (2 px): 1 % of the focal length, 4 px of the axis, and no worse an error than theirs.
    assert lens.focal_px == pytest.approx(535.9, rel=0.01)
    assert lens.centre_px == pytest.approx((342.3, 235.6), abs=4)
    assert lens.fit.rms_px < 0.393
    assert lens.distortion[0] == pytest.approx(-0.266, abs=0.05)
    assert lens.image_size_px == (640, 480)
    assert 0 < lens.sd.focal_px < 0.005 * lens.focal_px
    assert told["next"].startswith("Shoot next with the board in the top left")
    assert tomllib.loads(out.read_text())["schema"] == 1
    assert cv2.imread(str(out.with_suffix(".png"))).shape[1] == 960


@pytest.mark.parametrize(
    ("paper", "size_mm"), [("a4", (297, 210)), ("letter", (279.4, 215.9)), ("a3", (420, 297))]
)
def test_the_printed_board_is_true_to_size_and_readable(paper: str, size_mm: tuple[float, float]) -> None:
    chart = Chart((8, 6), 30.0)
    grey = page(chart, paper)
    per_mm = DPI / 25.4
    assert grey.shape[::-1] == pytest.approx(np.array(size_mm) * per_mm, abs=1.5)
    points, places = find_corners(photo(grey), chart)
    assert len(points) == 7 * 5
    # Affine fit of millimetres to pixels: the scale is the page's to 0.1 %, and nothing is skewed.
    design = np.column_stack([points[:, :2], np.ones(len(points))])
    fit, *_ = np.linalg.lstsq(design, places, rcond=None)
    np.testing.assert_allclose(fit[:2], per_mm * np.eye(2), atol=1e-3 * per_mm)
    # The PDF reader draws edges on whole pixels, so they are off by up to half of one.
    assert np.abs(design @ fit - places).max() < 0.6
    # The ruler: the longest dark run under the board.
    last = round(places[:, 1].max() + 35 * per_mm)
    runs = (grey[last:] < 128).sum(1)
    assert runs.max() / per_mm == pytest.approx(RULER_MM, abs=0.5)


def test_photos_of_the_printed_board_give_the_lens_that_took_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The printed page seen by a known pinhole with distortion, from eight sides."""
    chart = Chart((8, 6), 30.0)
    grey = page(chart, "a4").astype(np.float32)
    per_mm, (width, height), focal, k1 = DPI / 25.4, (800, 600), 700.0, -0.15
    c, r = np.meshgrid((np.arange(width) - 399.5) / focal, (np.arange(height) - 299.5) / focal)
    x, y = c, r
    for _ in range(30):
        scale = 1 + k1 * (x * x + y * y)
        x, y = c / scale, r / scale
    files = []
    for k, (u, v) in enumerate(
        ((-1, -1), (1, -1), (1, 1), (-1, 1), (0, 0), (0.3, -0.8), (0.8, 0.2), (-0.8, 0))
    ):
        turn = cv2.Rodrigues(np.radians([32 * np.cos(k), 32 * np.sin(k), 9.0 * k]))[0]
        shift = np.array([u * 80, v * 60, 340.0])
        rays = np.stack([x, y, np.ones_like(x)], -1) @ turn
        origin = -turn.T @ shift
        t = -origin[2] / rays[..., 2]
        at = (origin[:2] + t[..., None] * rays[..., :2]) * per_mm + np.array(grey.shape[::-1]) / 2
        seen = cv2.remap(
            grey,
            at[..., 0].astype(np.float32),
            at[..., 1].astype(np.float32),
            cv2.INTER_AREA,
            borderValue=255,
        )
        name = tmp_path / f"{k}.png"
        cv2.imwrite(str(name), cv2.GaussianBlur(seen, (0, 0), 0.6))
        files.append(str(name))
    status = cli.main(["lens", *files, "--out", str(tmp_path / "lens.toml"), "--quiet"])
    text = capsys.readouterr().out
    assert status == 0, text
    lens = read_lens(tmp_path / "lens.toml")
    assert lens.focal_px == pytest.approx(focal, rel=0.003)
    assert lens.distortion[0] == pytest.approx(k1, abs=0.02)
    assert "reprojection error" in text
    assert 'lens_file = "lens.toml"' in text


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (["--out", "x.toml"], 2, "No photos were given"),
        (["a.jpg"], 2, "--out is missing"),
        (["a.jpg", "--out", "x.toml", "--chessboard", "nine"], 2, "--chessboard is not understood"),
        (["--print", "b.pdf", "--squares", "40x2"], 2, "too few or too many squares"),
        (["--print", "b.pdf", "--square-mm", "60"], 3, "the board does not fit A4; found 480 x 360 mm"),
        ([str(CHESSBOARD / "left01.jpg"), "gone.jpg", "--out", "x.toml"], 3, "too few photos show the board"),
    ],
)
def test_refusals(
    words: list[str],
    status: int,
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["lens", *words, "--quiet"]) == status
    assert message in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
