"""The page's view of the shop: its three parts without a browser, and in one at a phone's width."""

from __future__ import annotations

import html
import json
from pathlib import Path
from typing import Any

import pytest
from page_runs import open_page, told
from page_server import start_server, stop_server
from shop.shop_record import add_pass
from streamlit.testing.v1 import AppTest

from surfscan.results.record import open_record
from surfscan.watch.keep import JobKept, PhotoKept, WatchState, write_state

PARTS = {"Arrivals": "bonnet", "A car": "Left to do, in order", "What we learn": "Ready at first look"}


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A record of one car, and what a watch has done."""
    with open_record(tmp_path / "shop.db") as record:
        for k, (panel, low) in enumerate([("bonnet", 0.3), ("left rear door", 0.0), ("<b>shelf</b>", 0.0)]):
            more = {"fill_ml": 9 * low, "u95": 0.003, "closure": 0.04}
            add_pass(
                record, tmp_path / str(k), job="1042", panel=panel, stage="primer", days=k, low_mm=low, **more
            )
    out = tmp_path / "arrived"
    out.mkdir()
    done = JobKept("bonnet", "1042", ["a"], "done", "rework", "Rework: 1 low.", "2026-01-05T08:00:00+00:00")
    lacking = [{"folder": "roof", "photos": ["roof/IMG_7.jpg"], "of": 2}]
    state = WatchState(
        {"b": PhotoKept("x.jpg", why="no tag")}, {"bonnet-1": done}, ["y.jpg"], lacking, "2026-01-05"
    )
    write_state(out, state)
    return tmp_path


def choose(page: AppTest, part: str) -> str:
    page.segmented_control(key="shop-part").set_value(part).run()
    assert not page.exception
    return html.unescape(told(page))


def test_the_parts_show_what_the_record_and_the_watch_hold(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SURFSCAN_RECORD", str(place / "shop.db"))
    monkeypatch.setenv("SURFSCAN_WATCH", str(place / "arrived"))
    page = open_page("the-shop")
    said = choose(page, "Arrivals")
    for words in (
        "Rework</strong> bonnet, job 1042",
        "1 of 2 photos: IMG_7.jpg",
        "1 file still being copied",
        "no tag",
    ):
        assert words in said
    said = choose(page, "A car")
    assert "Of 3 panels: 1 to rework, 2 fair." in said
    assert "<b>shelf</b>" in said  # as text: it was escaped
    assert "<b>shelf</b>" not in told(page)
    said = choose(page, "What we learn")
    assert "3 checks of 3 panels on 1 job" in said
    assert "2 of 3, 67 % (21 to 94 %)" in said  # Wilson's interval of 2 of 3
    assert "bonnet" not in said.split("Ready at first look")[1]
    (place / "arrived" / "watch.json").write_text(json.dumps({"schema": 9}))
    assert "is damaged" in choose(page, "Arrivals")


def test_a_phone_without_a_place_is_told_how(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("SURFSCAN_RECORD", "SURFSCAN_WATCH"):
        monkeypatch.delenv(name, raising=False)
    page = open_page("the-shop")  # who listens is not known here: nobody may name a file of this computer
    assert "--watch DIR" in choose(page, "Arrivals")
    assert "--record PATH" in choose(page, "A car")
    assert page.text_input == []


def test_on_a_phone_nothing_sticks_out(browser: Any, place: Path) -> None:
    server = start_server(
        place / "server", "--record", str(place / "shop.db"), "--watch", str(place / "arrived")
    )
    try:
        page = browser.new_page(viewport={"width": 390, "height": 800})
        page.set_default_timeout(60_000)
        page.goto(f"{server.url}/the-shop")
        for part, words in PARTS.items():
            page.locator("[class*='st-key-shop-part'] button", has_text=part).click()
            page.get_by_text(words).first.wait_for()
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.locator("[class*='st-key-shop-part'] button", has_text="A car").click()
        picture = page.locator("img.drawn[alt^='Outline']")
        picture.wait_for()
        assert "hood (bonnet): rework" in picture.get_attribute("alt")
        assert picture.evaluate("e => e.naturalWidth") > 100  # it is a picture that the browser can draw
    finally:
        stop_server(server)
