"""The page's plan view: the command's own figures, a refusal with its cure, and pages to print."""

from __future__ import annotations

import re

from page_runs import open_page, told

from surfscan.plan.forward import plan_shot
from surfscan.plan.shot import Shot


def test_the_plan_view_gives_the_plans_figures_and_pages() -> None:
    page = open_page("plan-a-shot")
    assert not page.error
    assert "This shot works." in " ".join(one.value for one in page.subheader)
    shot = Shot(panel_mm=(640.0, 440.0), focal_35mm=26.0, board_distance_mm=900.0, camera_distance_mm=1100.0)
    plan = plan_shot(shot)
    assert f"{plan.smallest_at(132):.3f} mm" in told(page)
    board = next(one for one in page.text_input if one.label.startswith("Board, width"))
    board.set_value("30 cm").run()
    assert "will not work" in " ".join(one.value for one in page.subheader)
    assert "use a board of about" in told(page).lower()
    page.toggle(key="p-sweep").set_value(True).run()
    assert "photos of crossed stripes" in " ".join(one.value for one in page.code)
    page.toggle(key="p-sweep").set_value(False).run()
    board.set_value("wide").run()
    assert "'wide' is no length" in " ".join(one.value for one in page.error)
    assert "still 300 mm" in " ".join(one.value for one in page.error)
    board = next(one for one in page.text_input if one.label.startswith("Board, width"))
    assert board.value == "wide"
    page.segmented_control(key="units").set_value("inch").run()
    assert not page.error
    # the set-up's drawing carries none; all that is said does
    assert re.search(r"\bmm\b", told(page).split("Plan a shot")[-1]) is None
    page.segmented_control(key="units").set_value("mm").run()
    page.button(key="p-make").click().run()
    assert not page.error
    assert any("print at 100 %" in one.label for one in page.get("download_button"))
