"""The rest of the program on the page: passes compared, the record, joined views, a check that runs on every view."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from checking.views_of_a_panel import take_view
from finished import finished
from page_runs import JOBS, bring_job, button, check, go, open_page, told, uploader
from report.sample_result import made_result

import surfscan
from surfscan.checking.pipeline import check_job
from surfscan.results.record import open_record

from surfscan.ui import running, session, store  # isort: skip  (found by page_runs)
from surfscan.ui.desk import Work


@pytest.fixture(scope="module")
def passes() -> tuple[Any, Any]:
    """The fixture's two passes."""
    return finished("before"), finished("after")


@pytest.fixture
def kept_two(passes: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A browser with both passes among its last jobs."""
    kept = store.Store()
    monkeypatch.setattr(session, "STORE", kept)
    monkeypatch.setattr(session, "_token", lambda: "kim")
    for k, result in enumerate(passes):
        tables = session.empty_job()
        tables["panel"]["name"] = f"pass {k}"
        kept.keep("kim", store.KeptJob(f"job-{k}", tables, work=Work(f"d{k}.x", result=result, files={})), {})


@pytest.mark.usefixtures("kept_two")
def test_two_passes_are_compared_as_the_command_does(passes: Any) -> None:
    page = open_page("before-and-after")
    assert not page.error, told(page)
    wanted = surfscan.compare(*passes)
    said = told(page)
    assert wanted.told.say().removeprefix("Rework: ").split(".")[0].lower() in said.lower()
    for reason in wanted.reasons:
        assert reason.split(";")[0][:40] in said.replace("&#x27;", "'").replace("&lt;", "<")


@pytest.mark.usefixtures("kept_two")
def test_the_comparisons_zip_has_its_paper(passes: Any) -> None:
    import io
    import zipfile

    from surfscan.ui.views.passes import _packed

    with zipfile.ZipFile(io.BytesIO(_packed(surfscan.compare(*passes), "mm"))) as parts:
        names = {name.rpartition("/")[2] for name in parts.namelist()}
    assert {"compare.json", "difference.npz", "difference.png"} <= names
    assert any(name.endswith(".pdf") for name in names)


@pytest.fixture
def views(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """A browser with two overlapping views of one panel, and one of another, among its last jobs."""
    root = tmp_path_factory.mktemp("parts")
    found = [check_job(take_view(k, root / str(k))) for k in (0, 1)]
    kept = store.Store()
    monkeypatch.setattr(session, "STORE", kept)
    monkeypatch.setattr(session, "_token", lambda: "lee")
    for k, result in enumerate([*found, made_result()]):
        tables = session.empty_job()
        tables["panel"]["name"] = f"view {k}"
        kept.keep("lee", store.KeptJob(f"job-{k}", tables, work=Work(f"v{k}.x", result=result, files={})), {})
    return found


def test_views_are_joined_as_the_command_does(views: list[Any]) -> None:
    page = open_page("several-views")
    chosen = page.multiselect[0]
    assert button(page, "Join them").disabled
    titles = [next(o for o in chosen.options if f"view {k}" in o) for k in range(3)]
    chosen.set_value([titles[0], titles[2]]).run()
    button(page, "Join them").click().run()
    assert not page.exception
    assert page.error, "views of two panels are refused in words"
    assert page.session_state["work"].digest == "v2.x"  # what was open stays so
    page.multiselect[0].set_value(titles[:2]).run()
    page.text_input[0].set_value("whole door").run()
    button(page, "Join them").click().run()
    whole = surfscan.join(views, name="whole door")
    made = page.session_state["work"].result
    assert made.panel["name"] == "whole door"
    assert made.verdict == whole.verdict
    assert [s.peak_mm for s in made.spots] == pytest.approx([s.peak_mm for s in whole.spots])
    go(page, "result")
    assert "whole door" in told(page)


def test_a_short_check_begins_before_the_button_is_pressed() -> None:
    """From the button to the verdict is 3 s at most for two photos of 12 megapixels: much of it is done by then."""
    page = open_page()
    page.text_input(key=next(i.key for i in page.text_input if i.label.startswith("Name"))).set_value(
        "ahead"
    ).run()
    bring_job(page, JOBS / "bad-photos")
    desk = running._desk()
    end = time.monotonic() + 60
    while not desk.idle:  # another test's; nobody's check waits for one that was not asked for
        assert time.monotonic() < end
        time.sleep(0.05)
    desk._works.clear()  # the same job may have been checked by another test
    go(page, "photos")
    (digest,) = desk._works
    assert "work" not in page.session_state
    begun = desk._works[digest]
    page.button(key="check").click().run()
    assert page.session_state["work"] is begun


def test_the_record_takes_a_result_and_gives_it_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SURFSCAN_RECORD", str(tmp_path / "shop.db"))
    page = check(bring_job(open_page(), JOBS / "bad-photos"))
    result = page.session_state["work"].result
    go(page, "the-record")
    page.text_input(key="record-number").set_value("1042").run()
    page.button(key="record-add").click().run()
    assert "pass 1 of the record" in " ".join(one.value for one in page.success)
    with open_record(tmp_path / "shop.db") as record:
        (row,) = record.history(job="1042")
    assert row.worst_mm == result.spots[0].peak_mm
    other = open_page("the-record")
    other.button(key="pass-1").click().run()
    assert "<h2>Rework</h2>" in told(other)
    assert f"{-result.spots[0].peak_mm:.3f} mm" in told(other)
    other = open_page("the-record")
    assert "1 of 1 passes" in told(other)
    page = go(page, "the-record")
    page.run()
    with open_record(tmp_path / "shop.db") as record:
        assert len(record.history()) == 1


def test_a_running_check_and_its_end_show_on_every_view() -> None:
    page = open_page("teach")
    page.session_state["work"] = Work("digest", "looking for the stripes", 0.4)
    page.run()
    assert any("looking for the stripes" in one.proto.text for one in page.get("progress"))
    page.session_state["work"] = Work("digest", result=made_result(), files={})
    page.run()
    assert any(one.label.startswith("The check is done") for one in page.button)
    page.button(key="see-result").click().run()
    assert "verdict" in told(page)


def test_contour_lines_lie_at_their_heights() -> None:
    """On a plane that rises 1 mm over 100 mm, lines of 0.25 mm are straight and 25 mm apart (arithmetic)."""
    from dataclasses import replace

    from surfscan.ui.parts.maps import contour_lines, length_bar

    height = made_result().height
    x, y = height.grid.x_mm, height.grid.y_mm
    plane = replace(height, height_mm=np.broadcast_to(x / 100, (y.size, x.size)).copy())
    lines = contour_lines(plane, lambda points: points, 0.25)
    places = sorted(np.mean(np.array(line["points"])[:, 0]) for line in lines)
    assert len(places) >= 2
    assert np.allclose(np.array(places) % 25, 0, atol=0.1) or np.allclose(
        np.minimum(np.array(places) % 25, 25 - np.array(places) % 25), 0, atol=0.1
    )
    assert not any(abs(place) < 1 for place in places)  # the fair surface has none
    assert length_bar(lambda points: 2 * points, 640.0) == (400.0, "200 mm")


def test_a_result_brought_for_comparison_is_refused_when_it_is_none() -> None:
    page = open_page("before-and-after")
    uploader(page, "bring-0").set_value([("x.zip", b"PK\x03\x04 broken", "application/zip")]).run()
    assert "can't be unpacked" in told(page)
    uploader(page, "bring-1").set_value([("a.txt", b"hello", "text/plain")]).run()
    assert "That is no result" in told(page)
