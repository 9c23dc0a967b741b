"""A first sheet from answers or a plan: it reads back as what was asked for."""

from __future__ import annotations

import json
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from surfscan import cli
from surfscan.core.errors import RefusedError
from surfscan.core.units import INCH
from surfscan.job.new_sheet import QUESTIONS, answers_from_plan, comment_sheet, lay_out_sheet, photos_wanted
from surfscan.job.sheet import load_sheet


@pytest.mark.parametrize("pattern", ["stripes", "stepped", "dots", "lamp"])
def test_the_comments_change_nothing_and_the_sheet_is_a_good_one(pattern: str, tmp_path: Path) -> None:
    tables = lay_out_sheet({"name": 'left "rear" Tür', "pattern": pattern, "focal_35mm": 26.0})
    text = comment_sheet(tables)
    assert tomllib.loads(text) == tables
    (tmp_path / "panel.toml").write_text(text, encoding="utf-8")
    sheet = load_sheet(tmp_path, need_photos=False)
    assert tuple(photo.file for photo in sheet.photos) == photos_wanted(pattern)
    assert text.count("#") > 8


def test_a_board_that_is_not_told_faces_the_panel() -> None:
    board = lay_out_sheet({"board_centre_mm": (300.0, 400.0, 1200.0)})["board"]
    across, up, centre = (np.array(board[k]) for k in ("across", "up", "centre_mm"))
    # Square to the line to the panel's middle: both directions at right angles to it, to the rounding of 1e-5.
    assert abs(across @ centre) < 0.02
    assert abs(up @ centre) < 0.02
    assert np.cross(across, up) @ centre < 0  # its front is towards the panel
    over = lay_out_sheet({"board_centre_mm": (0.0, 0.0, 900.0)})["board"]
    assert np.cross(over["across"], over["up"])[2] == -1


def test_a_stepped_series_goes_round_evenly() -> None:
    photos = lay_out_sheet({"pattern": "stepped"})["photo"]
    for way in ("across", "up"):
        phases = [row["phase_deg"] for row in photos if row["varies"] == way]
        assert phases == [0, 90, 180, 270]


PLAN = {
    "shot": {"panel_mm": [900, 500], "focal_35mm": 24, "tag_side_mm": 50, "board_mm": [1000, 800], "period_mm": 20},
    "board": {
        "centre_mm": [0, 700, 700], "across": [1, 0, 0], "up": [0, -math.sqrt(0.5), math.sqrt(0.5)],
        "size_mm": [1000, 800], "period_mm": 20,
    },
}  # fmt: skip


def test_a_plan_becomes_a_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "plan.json").write_text(json.dumps(PLAN))
    job = tmp_path / "job"
    assert (
        cli.main(
            ["new", str(job), "--plan", str(tmp_path / "plan.json"), "--yes", "--stage", "filler", "--json"]
        )
        == 0
    )
    sheet = load_sheet(job, need_photos=False)
    assert sheet.panel.size_mm == (900, 500)
    assert sheet.panel.stage == "filler"
    assert sheet.camera.focal_35mm == 24
    assert sheet.tags is not None
    assert sheet.tags.side_mm == 50
    assert sheet.board is not None
    assert (sheet.board.period_mm, sheet.board.size_mm) == (20, (1000, 800))
    assert sheet.board.up == pytest.approx((0, -math.sqrt(0.5), math.sqrt(0.5)), abs=1e-5)
    assert json.loads(capsys.readouterr().out)["photos"] == ["stripes-across.jpg", "stripes-up.jpg"]


def test_what_surfscan_plan_prints_is_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["--panel", "640", "440", "--focal-35mm", "26", "--board", "1400", "1200", "--period", "25"]
    assert cli.main(["plan", *asked, "--json", "--quiet"]) in (0, 4)
    printed = capsys.readouterr().out
    (tmp_path / "plan.json").write_text(printed)
    assert cli.main(["new", str(tmp_path / "job"), "--plan", str(tmp_path / "plan.json"), "--yes"]) == 0
    board, planned = load_sheet(tmp_path / "job", need_photos=False).board, json.loads(printed)["board"]
    assert board is not None
    assert (board.period_mm, board.size_mm) == (25, (1400, 1200))
    assert board.centre_mm == pytest.approx(planned["centre_mm"], abs=0.01)
    assert board.up == pytest.approx(planned["up"], abs=1e-4)


@pytest.mark.parametrize("plan", [[], {}, {"shot": {}}, {"shot": {"panel_mm": "x"}, "board": {}}, None])
def test_another_document_is_no_plan(plan: Any) -> None:
    with pytest.raises(RefusedError, match=r"no plan|no number"):
        answers_from_plan(plan)


@pytest.mark.parametrize(
    ("name", "typed", "value"),
    [
        ("size_mm", "500x400", (500.0, 400.0)),
        ("size_mm", " 500 × 400 ", (500.0, 400.0)),
        ("size_mm", "", (640.0, 440.0)),
        ("board_centre_mm", "-10, 500, 800.5", (-10.0, 500.0, 800.5)),
        ("focal_35mm", "", None),
        ("stage", "", "primer"),
        ("tag_side_mm", "40", 40.0),
    ],
)
def test_answers_are_read(name: str, typed: str, value: object) -> None:
    (question,) = [q for q in QUESTIONS if q.name == name]
    assert question.read(typed) == value


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        ("size_mm", "500"),
        ("size_mm", "500x-1"),
        ("size_mm", "nan x 3"),
        ("stage", "paint"),
        ("name", "a\x07"),
    ],
)
def test_answers_that_cant_be_used_are_a_sentence(name: str, typed: str) -> None:
    (question,) = [q for q in QUESTIONS if q.name == name]
    with pytest.raises(RefusedError, match=question.text[:8]):
        question.read(typed)


def test_asked_on_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import io

    lines = ["hood", "paint", "clear", "500 x 400", "dots", "", "", "25", "900x600", "", "26"]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(lines) + "\n"))
    assert cli.main(["new", str(tmp_path / "job")]) == 0
    said = capsys.readouterr()
    assert "none of them" in said.err  # "paint" is no stage, so it was asked again
    sheet = load_sheet(tmp_path / "job", need_photos=False)
    assert (sheet.panel.stage, sheet.panel.size_mm) == ("clear", (500, 400))
    assert sheet.board is not None
    assert (sheet.board.pattern, sheet.board.period_mm) == ("dots", 25)
    monkeypatch.setattr("sys.stdin", io.StringIO("hood\n"))
    assert cli.main(["new", str(tmp_path / "other")]) == 2
    assert not (tmp_path / "other").exists()
    assert "nothing was written" in capsys.readouterr().err


def test_a_sheet_is_never_written_over_unasked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "panel.toml").write_text("mine")
    assert cli.main(["new", str(tmp_path), "--yes"]) == 3
    assert (tmp_path / "panel.toml").read_text() == "mine"
    assert "--replace" in capsys.readouterr().err
    assert cli.main(["new", str(tmp_path), "--yes", "--replace", "--photos", "a.jpg, b.jpg"]) == 0
    assert [p.file for p in load_sheet(tmp_path, need_photos=False).photos] == ["a.jpg", "b.jpg"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["panel.toml"]
    # What makes no sheet is refused by the sheet's own checks, and nothing is left.
    assert cli.main(["new", str(tmp_path / "j"), "--yes", "--period-mm", "900"]) == 3
    assert "three periods" in capsys.readouterr().err
    assert not (tmp_path / "j").exists()


def test_questions_in_inches_have_the_defaults_in_inches() -> None:
    """25.4 mm by definition; what is typed with a unit keeps it, and the default is the same panel."""
    size = next(one for one in QUESTIONS if one.name == "size_mm")
    assert size.asked(INCH).endswith(", in")
    assert size.usual(INCH) == "25.20 x 17.32"
    assert size.read("25 x 40cm", INCH) == pytest.approx((635.0, 400.0))
    assert size.read("", INCH) == (640.0, 440.0)
    focal = next(one for one in QUESTIONS if one.name == "focal_35mm")
    assert focal.read("26", INCH) == 26.0  # named in mm all over the world
