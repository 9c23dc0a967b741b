"""The page's view for a screen, and the gloss preview in *look closer*."""

from __future__ import annotations

import tomllib

import pytest
from page_runs import JOBS, bring_job, check, go, open_page, told

from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.viewing import walk_round
from surfscan.screen.make import make_screen


def test_the_screen_view_gives_the_commands_page_and_keys() -> None:
    page = open_page("on-a-screen")
    assert not page.error
    assert "photosensitive" in " ".join(one.value for one in page.warning)
    made = make_screen("stepped", [48.0, 38.0], diagonal_in=55.0, pixels=(3840, 2160))
    assert page.code[0].value == made.keys.rstrip()
    keys = tomllib.loads(made.keys)
    assert len(keys["photo"]) == made.count == 16
    # 55 in diagonal at 16 : 9 is 1217.6 mm wide
    assert keys["board"]["size_mm"][0] == pytest.approx(1217.6, abs=0.1)
    assert (
        sum(
            "screen" in one.label.lower() or "keys" in one.label.lower()
            for one in page.get("download_button")
        )
        == 2
    )
    page.number_input(key="s-wide").set_value(400).run()  # 54 x 2160 pixels would be no screen of this kind
    assert not page.exception


def test_gloss_shows_the_panel_beside_the_same_made_fair() -> None:
    page = open_page()
    bring_job(page, JOBS / "flat")
    page = check(page)
    go(page, "look-closer")
    assert "In gloss" in [one.value for one in page.header]
    result = page.session_state["work"].result
    preview = preview_gloss(
        result.height, lights=("stripes",), views=(walk_round(views=8)[0],), exaggeration=1.0
    )
    assert preview.sentence in told(page)
    assert not page.error
    page.toggle(key="g-move").set_value(True).run()
    assert "Draw a finger up and down" in told(page)
    page.select_slider(key="g-times").set_value(5).run()
    assert not page.error
    assert preview.sentence not in told(page)
