"""The page's plan view: the command's own figures, a refusal with its cure, and pages to print."""

from __future__ import annotations

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
    board = next(one for one in page.number_input if one.label.startswith("Board, width"))
    board.set_value(300.0).run()
    assert "will not work" in " ".join(one.value for one in page.subheader)
    assert "use a board of about" in told(page).lower()
    page.button(key="p-make").click().run()
    assert not page.error
    assert any("print at 100 %" in one.label for one in page.get("download_button"))
