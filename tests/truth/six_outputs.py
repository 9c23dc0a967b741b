"""One result in its six outputs: headline, terminal table, page, PDF, CSV and JSON. They must say the same."""

from __future__ import annotations

import csv
import html
import json
import re
from pathlib import Path

import pypdfium2
from page_runs import told as page_told
from streamlit.testing.v1 import AppTest

from surfscan.core.records import CheckResult
from surfscan.papers.content import Pictures, compose
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import make_pdf
from surfscan.report.export import write_result
from surfscan.report.table import format_result
from surfscan.report.words import ResultText, headline_line
from surfscan.results.stored import load_result
from surfscan.ui.looks import WORDS

__all__ = ["see_that_six_agree"]


def _plain(text: str) -> str:
    """Without the line breaks of a layout, nor those inside a word that a narrow column leaves."""
    return " ".join(text.replace("\u00ad", "").split())


def _pdf_text(folder: Path) -> str:
    stored = load_result(folder)
    blocks = compose(stored, Particulars(date="2026-03-04"), pictures=Pictures(), digest="0" * 64)
    data = make_pdf(blocks, title="t", digest="0" * 64)
    with pypdfium2.PdfDocument(data) as document:
        return _plain(" ".join(page.get_textpage().get_text_range() for page in document))


def _view() -> None:
    import streamlit as st

    from surfscan.ui.views.result import show_result

    show_result(st.session_state["made"], "made")


def _page_text(result: CheckResult) -> str:
    """What the page's own view draws of a result, without its tags."""
    page = AppTest.from_function(_view, default_timeout=60)
    page.session_state["made"] = result
    page.run()
    assert not page.exception
    return _plain(html.unescape(re.sub(r"<[^>]+>", " ", page_told(page))))


def see_that_six_agree(result: CheckResult, folder: Path) -> None:
    """Write a result, and hold its outputs against each other."""
    write_result(folder, result)
    told = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    with (folder / "spots.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    said, headline = ResultText(result), headline_line(result)
    table, pdf, page = _plain(format_result(result)), _pdf_text(folder), _page_text(result)

    assert told["verdict"] == str(result.verdict)
    assert told["sentence"] == headline == said.headline()
    for text in (table, pdf):
        assert _plain(headline) in text
    # The page sets the headline's first word as its heading.
    word = WORDS[result.verdict][0]
    sentence = headline.removeprefix(f"{word}: ")
    assert f"{word} {result.panel.get('name') or ''}".strip() in page
    assert _plain(sentence[:1].upper() + sentence[1:]) in page

    assert len(rows) == len(told["spots"]) == len(result.spots)
    for spot, row, listed in zip(result.spots, rows, told["spots"], strict=True):
        assert int(row["id"]) == listed["id"] == spot.id
        assert row["kind"] == listed["kind"] == spot.kind
        assert float(row["peak_mm"]) == listed["peak_mm"] == spot.peak_mm
        assert row["verdict"] == listed["verdict"] == str(spot.verdict)
        assert row["action"] == listed["action"] == said.action(spot)
        assert row["shape"] == listed["shape"] == spot.shape
        for text in (table, pdf, page):
            assert said.action(spot) in text
        for text in (table, pdf):
            assert f"{spot.peak_mm:+.3f}" in text
        assert f"{spot.kind.capitalize()} {spot.id}" in page
        assert f"{said.size(spot)} {'deep' if spot.kind == 'low' else 'tall'}" in page

    for sentence in [*said.work(), said.not_looked_for()]:
        for text in (table, pdf, page):
            assert sentence in text
    assert [step["spots"] for step in told.get("work_order", [])] == [
        step["spots"] for step in result.details.get("work_order", [])
    ]
