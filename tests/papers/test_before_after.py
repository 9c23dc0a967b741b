"""Before and after on one paper, read back by a library that did not make it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from papers.papers_result import result_folder

from surfscan import cli
from surfscan.core.errors import RefusedError
from surfscan.papers.before_after import holds_comparison, write_before_after
from surfscan.papers.particulars import Particulars

MADE = datetime(2026, 3, 4, 15, 16, 17, tzinfo=UTC)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A comparison of a panel with two lows, before and after the first was filled."""
    at = tmp_path_factory.mktemp("passes")
    before = result_folder(at / "before", lows_mm=(0.4, 0.3))
    after = result_folder(at / "after", lows_mm=(0.0, 0.3))
    cli.main(["compare", str(before), str(after), "--tags-stayed", "--out", str(at / "compared"), "--quiet"])
    return at / "compared"


def _text(path: Path) -> str:
    with pypdfium2.PdfDocument(path) as document:
        return " ".join(" ".join(p.get_textpage().get_text_range() for p in document).split())


def test_the_paper_says_what_closed_what_was_added_and_who_signs(folder: Path) -> None:
    assert holds_comparison(folder)
    told = json.loads((folder / "compare.json").read_text())
    given = Particulars(
        date="2026-03-04", checked_by="R. Example", shop="Corner body shop", vehicle="grey van"
    )
    pdf, page = write_before_after(folder, given, created=MADE)
    text = _text(pdf)
    for words in (
        "Before and after: door, lower half",
        told["sentence"],
        "closed",
        "Signature of who did the work",
        "R. Example",
        "Corner body shop",
        "Not looked for: pinholes",
        f"{max(told['spots'], key=lambda row: abs(row['before_mm'] or 0))['before_mm']:.3f}",
    ):
        assert words in text, words
    assert "FAIR" not in text  # what was added is judged, not the panel
    assert "BUILD WITHIN THE LIMIT" in text or told["verdict"] != "ready"
    assert told["sentence"] in " ".join(page.read_text(encoding="utf-8").split())


def test_inches_and_the_same_bytes_for_the_same_moment(folder: Path) -> None:
    given = Particulars(date="2026-03-04", units="inch")
    first = write_before_after(folder, given, paper="letter", created=MADE)[0].read_bytes()
    assert write_before_after(folder, given, paper="letter", created=MADE)[0].read_bytes() == first
    text, told = _text(folder / "before-after.pdf"), json.loads((folder / "compare.json").read_text())
    assert f"{-0.4 / 25.4:.4f}" in text
    assert told["sentence_inch"] in text
    assert told["sentence"] not in text
    assert " mm" not in text
    metric = _scale_row(write_before_after(folder, Particulars(date="2026-03-04"), created=MADE)[0])
    inches = _scale_row(write_before_after(folder, given, created=MADE)[0])
    assert np.abs(metric - inches)[:140].max() < 3  # the map itself is the same
    assert np.abs(metric - inches)[160:].max() > 30  # its scale is not


def _scale_row(path: Path) -> np.ndarray:
    """The paper's picture in 200 rows, the scale in the last thirty or so."""
    with pypdfium2.PdfDocument(path) as document:
        image = next(o for o in document[0].get_objects() if isinstance(o, pypdfium2.PdfImage))
        picture = image.get_bitmap().to_pil().convert("L").resize((300, 200))
    return np.asarray(picture, float)


def test_the_command_makes_it_and_refuses_what_is_damaged(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["report", str(folder)]) == 0
    assert "before-after.pdf" in capsys.readouterr().out
    assert cli.main(["report", str(folder), "--out", str(tmp_path / "o")]) == 2
    (tmp_path / "compare.json").write_text("{}")
    with pytest.raises(RefusedError, match="is damaged"):
        write_before_after(tmp_path, Particulars(date="d"), created=MADE)
    assert not (tmp_path / "before-after.pdf").exists()
