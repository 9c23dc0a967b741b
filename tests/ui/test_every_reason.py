"""Every reason that a verdict can have is told by the page, in both units."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from typing import Any

import pytest
from judge.every_reason import NUMBERS
from page_runs import told
from report.sample_result import made_result
from streamlit.testing.v1 import AppTest

from surfscan.core.message import Weight
from surfscan.core.units import units_named
from surfscan.judge.reasons import REASONS, in_order, reason, sentence_of
from surfscan.judge.verdict import with_reasons

# One of each, its own limit and spot number, so that none can stand in for another.
EACH = {
    code: reason(code, Weight.NOTE, **{**NUMBERS, "spot": 100 + k, "count": 200 + k, "name": f"master {k}"})
    for k, code in enumerate(REASONS)
}


def _page() -> None:
    import streamlit as st

    from surfscan.ui.views.result import show_result

    show_result(st.session_state["made"], "made")


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_page_tells_every_reason(units: str) -> None:
    result: Any = with_reasons(replace(made_result(), findings=()), EACH.values())
    assert {one.code for one in result.findings} >= set(REASONS) - {"limit-kept"}
    page = AppTest.from_function(_page, default_timeout=60)
    page.session_state["made"], page.session_state["units"] = result, units
    page.run()
    assert not page.exception
    said = re.sub(r"\s+", " ", html.unescape(told(page)))
    missing = [
        one.code
        for one in in_order(EACH.values())
        if re.sub(r"\s+", " ", sentence_of(one, units_named(units))) not in said
    ]
    assert missing == []


def test_the_page_says_what_no_photo_shows_and_where_to_stand() -> None:
    row = {
        "share": 0.12,
        "part": "upper left",
        "board_mm": [[-300, 500, 400], [300, 500, 400], [300, 100, 650], [-300, 100, 650]],
        "photos": [{"camera_mm": [-300.0, 40.0, 900.0], "new_share": 0.1}],
    }
    made = made_result()
    page = AppTest.from_function(_page, default_timeout=60)
    page.session_state["made"] = replace(made, details={**made.details, "unseen": row})
    page.run()
    assert not page.exception
    assert "12 % of the panel, most of it upper left" in told(page)
    assert "-300, 40, 900 mm" in told(page)
    assert any(one.key == "more-photos" for one in page.button)
    assert any("Where to stand next" in str(one.proto) for one in page.get("image") + page.get("imgs"))
