"""The index of many results, opened from the disk in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from surfscan.fleet.marks import Mark, write_mark
from surfscan.fleet.rows import blank_row
from surfscan.fleet.table import write_tables


def test_five_hundred_rows_are_sorted_filtered_and_nothing_in_them_runs(browser: Any, tmp_path: Path) -> None:
    for k in range(500):
        measured = k % 3 > 0
        row = blank_row(
            job=f"day {k % 2}/panel-{k}",
            identity="x",
            outcome="rework" if measured else "refused",
            reason="</script><img src=x onerror='document.title=1'>",
            panel=f"<b>door {k}</b>",
        )
        if measured:
            row |= {
                "worst_mm": (-1) ** k * k / 1000,
                "worst_u95_mm": 0.001,
                "spots": 2,
                "over": 1,
                "coverage": 0.97,
            }
        write_mark(tmp_path / row["job"], Mark(row))
    write_tables(str(tmp_path), parquet=False)
    page, faults, asked = browser.new_page(viewport={"width": 1280, "height": 800}), [], []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((tmp_path / "index.html").as_uri())
    page.locator("#count").filter(has_text="500").wait_for()
    rows = page.locator("#body .row")
    assert rows.count() < 40  # those in view
    page.get_by_role("button", name="Farthest out").click()
    assert "499" in rows.nth(0).locator(".job").inner_text()
    assert rows.nth(0).locator(".worst").inner_text() == "\u22120.499 \u00b1 0.001"
    page.get_by_role("button", name="Job", exact=True).click()
    assert rows.nth(0).locator(".job").inner_text() == "day 0/panel-0"
    assert rows.nth(1).locator(".job").inner_text() == "day 0/panel-2"  # numbers count as numbers
    page.get_by_label("refused").uncheck()
    assert page.locator("#count").inner_text() == "333 of 500"
    page.get_by_label("Only those with this text").fill("PANEL-418 door")
    page.locator("#count").filter(
        has_text="1 of"
    ).wait_for()  # door 41 alone: 410 to 419 have no space after 41
    page.get_by_label("Only those with this text").fill("")
    page.locator("#list").evaluate("list => list.scrollTop = list.scrollHeight")
    page.locator(".job", has_text="panel-499").wait_for()
    assert page.title() == "surfscan: all panels"
    assert faults == []
    assert all(url.startswith("file://") for url in asked)
    page.close()
