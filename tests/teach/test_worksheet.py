"""Worksheets, read back by a library that did not make them, and the command."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pypdfium2
import pytest

from surfscan import cli
from surfscan.core.units import INCH, MM
from surfscan.results.progress import keep_answer
from surfscan.synth.lesson import find_the_low
from surfscan.teach.exercises import KINDS, make_exercise
from surfscan.teach.worksheet import WORKSHEET_FILES, make_worksheet

MADE = datetime(2026, 3, 4, 15, 16, 17, tzinfo=UTC)


def text_of(data: bytes) -> list[str]:
    with pypdfium2.PdfDocument(data) as document:
        return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


@pytest.fixture(scope="module")
def on_a4() -> dict[str, bytes]:
    return make_worksheet(5, 2, units=MM, paper="a4", created=MADE)


@pytest.mark.parametrize(("units", "paper"), [(MM, "a4"), (INCH, "letter")])
def test_both_sheets_are_of_one_panel_and_only_one_has_the_answers(
    units: object, paper: str, on_a4: dict[str, bytes]
) -> None:
    files = on_a4 if paper == "a4" else make_worksheet(5, 2, units=units, paper=paper, created=MADE)  # type: ignore[arg-type]
    sheet, answers = (text_of(files[name]) for name in WORKSHEET_FILES)
    assert len(sheet) == len(answers) == 2
    low = find_the_low(5, 2).low
    assert f"{units.depth(-low.peak_mm)} deep" in answers[0]  # type: ignore[attr-defined]
    for kind in KINDS:
        one = make_exercise(kind, 5, 2)
        assert one.asks(units) in " ".join(sheet)  # type: ignore[arg-type]
        assert one.tells(units) in " ".join(answers)  # type: ignore[arg-type]
        assert one.tells(units) not in " ".join(sheet)  # type: ignore[arg-type]
        assert all(choice in " ".join(sheet) for choice in one.choices)
    assert "page 2 of 2" in sheet[1]
    assert "result" not in sheet[1].split("class 5")[-1]  # no digest at the foot: it is of no result


def test_the_same_class_and_moment_give_the_same_bytes(on_a4: dict[str, bytes]) -> None:
    assert make_worksheet(5, 2, created=MADE) == on_a4


def test_the_command_writes_both_and_lists_and_forgets_progress(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["teach", "--worksheet", str(tmp_path / "w"), "--class", "5", "--panel", "2"]) == 0
    assert sorted(path.name for path in (tmp_path / "w").iterdir()) == sorted(WORKSHEET_FILES)
    shop = str(tmp_path / "shop.db")
    keep_answer(shop, "Kim", kind="how-deep", seed=1, number=1, points=80)
    assert cli.main(["teach", "--progress", "--record", shop]) == 0
    assert "Kim" in (said := capsys.readouterr().out)
    assert "80 points" in said
    assert cli.main(["teach", "--forget", "Kim", "--record", shop]) == 0
    assert cli.main(["teach", "--forget", "Kim", "--record", shop]) == 2
    assert "none is kept" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "found", "allowed"),
    [
        ([], "0 of them", "--worksheet DIR"),
        (["--progress", "--worksheet", "w"], "2 of them", "one of them"),
        (["--worksheet", "w", "--panel", "0"], "found 0", "1 to 999999"),
        (["--worksheet", "w", "--class", "-1"], "found -1", "0 to 999999"),
        (
            ["--progress", "--record", "postgresql://h/d"],
            "an address on the network",
            "a file on this computer",
        ),
    ],
)
def test_wrong_uses(
    arguments: list[str], found: str, allowed: str, capsys: pytest.CaptureFixture[str], tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert cli.main(["teach", *arguments]) in (2, 3)
    said = capsys.readouterr().err
    assert found in said
    assert allowed in said
    assert list(tmp_path.iterdir()) == []
