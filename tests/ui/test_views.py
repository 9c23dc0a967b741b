"""Every view and every way a check can end, by Streamlit's page tests."""

from __future__ import annotations

import html
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from page_runs import JOBS, bring_job, button, check, go, open_page, told, uploader
from streamlit import config
from streamlit.testing.v1 import AppTest

import surfscan
from surfscan.checking.pipeline import check_job
from surfscan.cli import main
from surfscan.core.units import MM
from surfscan.fleet.apart import Keeper
from surfscan.look.first_look import look_at_photo
from surfscan.papers.particulars import Particulars
from surfscan.papers.verifying import verify_report
from surfscan.report.words import ResultText as result_words
from surfscan.results.progress import list_progress
from surfscan.synth.lesson import find_the_low
from surfscan.teach.exercises import KINDS, make_exercise

FLAT, SMALL = JOBS / "flat", JOBS / "bad-photos"  # one scene; the latter has a quarter of the pixels


def test_each_view_opens_without_a_result() -> None:
    assert "Is the panel fair?" in told(open_page(""))
    assert "There is no result yet" in told(open_page("look-closer"))
    teach = told(open_page("teach"))
    # 16/(3 sqrt 3) depth/width, the steepest place of (1 - r^2)^2: 0.3 mm over 100 mm leans 9.2 mm in a metre
    assert "leans 9.2 mm in a metre" in teach
    assert "No photos yet" in told(open_page("papers"))


@pytest.fixture(scope="module")
def checked() -> AppTest:
    page = open_page()
    bring_job(page, SMALL)
    assert told(page).count("<strong>Good.</strong>") == 2
    return check(page)


def test_the_verdict_is_the_commands(checked: AppTest) -> None:
    said, result = told(checked), checked.session_state["work"].result
    assert result.verdict == "rework"
    truth = json.loads((FLAT / "truth.json").read_text())["spots"]
    assert len(result.spots) == len(truth) == 4
    assert "<h2>Rework</h2>" in said
    # known depth of the deepest low, by the renderer: 0.278 mm; 5 um is twice its stated standard uncertainty
    assert result.spots[0].peak_mm == pytest.approx(-0.278, abs=0.005)
    assert f"The deepest low is {-result.spots[0].peak_mm:.3f} mm" in said
    order = [said.index(f">{word}</strong>") for word in ("Low 1", "Low 2", "High 3", "Low 4")]
    assert order == sorted(order)  # by their numbers, as on every paper
    for step in result_words(result).work():
        assert html.escape(step) in said
    assert "Not looked for: pinholes" in said


def test_inches_everywhere(checked: AppTest) -> None:
    page = checked
    page.segmented_control(key="units").set_value("inch").run()
    said = told(page)
    # 0.04 mm is 0.0016 in; 620 mm 24.4 in
    assert "over 0.0016 in" in said
    assert " mm" not in said.split("Each spot, worst first")[1]
    width = next(one for one in page.text_input if one.label == "Width to judge, in")
    assert float(width.value) == pytest.approx(620 / 25.4, abs=1e-3)
    assert surfscan.load_sheet  # the sheet itself stays in mm
    assert page.session_state["job"]["panel"]["size_mm"] == [620, 420]
    page.segmented_control(key="units").set_value("mm").run()


def test_look_closer_lays_the_ruler(checked: AppTest) -> None:
    page = checked
    go(page, "look-closer")
    for kind in ("Photo", "Slope", "Reflection", "Filler depth", "How sure", "Height"):
        page.segmented_control(key="closer-kind").set_value(kind).run()
        assert not page.error, kind
    result = page.session_state["work"].result
    low = result.spots[0]
    page.session_state["spot"] = low.id
    page.run()
    said = told(page)
    # a ruler longer than a lone low rests on fair surface: the gap is the depth, 0.28 mm
    assert f"Gap under a 300 mm straightedge: {-low.peak_mm:.2f}" in said
    assert "Heights are shown 200 times taller" in said
    assert "within what filler may be deep" in said


def test_papers_are_the_commands(checked: AppTest, tmp_path: Path) -> None:
    page = checked
    go(page, "papers")
    assert not page.error
    labels = {one.label for one in page.get("download_button")}
    assert {"Report (PDF)", "Table of the spots (CSV)", "Job folder: sheet and photos"} <= labels
    go(page, "check")


def test_the_forms_job_runs_in_the_terminal(tmp_path: Path) -> None:
    """The sheet the form saves, with the photos beside it: the same verdict, depth for depth."""
    page = bring_job(open_page(), SMALL)
    name = next(one for one in page.text_input if one.label == "Name of the panel")
    name.set_value('door "left", lower').run()
    check(page)
    from surfscan.ui import job_files

    tables, kept = page.session_state["job"], page.session_state["photos"]
    with zipfile.ZipFile(io.BytesIO(job_files.pack_job(tables, kept))) as parts:
        parts.extractall(tmp_path)
    assert main(["check", str(tmp_path / "job"), "--out", str(tmp_path / "out"), "--quiet"]) == 10
    result = json.loads((tmp_path / "out" / "result.json").read_text())
    here = page.session_state["work"].result
    assert result["panel"]["name"] == 'door "left", lower'
    assert result["sentence"] == here.sentence
    assert [s["peak_mm"] for s in result["spots"]] == [s.peak_mm for s in here.spots]


def test_the_form_changes_the_sheet() -> None:
    page = bring_job(open_page(), SMALL)
    stage = next(one for one in page.segmented_control if str(one.key).startswith("stage"))
    stage.set_value("clear").run()
    own = next(one for one in page.toggle if one.label == "Set my own limits")
    assert own.value  # the fixture's sheet has limits
    own.set_value(False).run()
    sheet = page.session_state["job"]
    assert sheet["panel"]["stage"] == "clear"
    assert "low_mm" not in sheet["limits"]
    assert "low 0.020 mm, high 0.020 mm" in told(page)  # the stage's defaults, README.md
    z = next(one for one in page.text_input if one.label.startswith("Board's middle: above"))
    z.set_value("0.9 m").run()
    board = page.session_state["job"]["board"]
    assert board["centre_mm"][2] == 900.0
    # still square to the panel's middle: up at right angles to the line there
    assert np.dot(board["up"], board["centre_mm"]) == pytest.approx(0, abs=1e-2)


@pytest.mark.parametrize(
    "photo",
    [
        "black", "white", "too-dark", "blown-out", "motion", "out-of-focus", "no-tags", "one-tag", "mirrored",
        "faint", "truncated", "not-a-photo", "empty",
    ],
)  # fmt: skip
def test_each_bad_photo_is_told_with_its_cure(photo: str, tmp_path: Path) -> None:
    """What the command refuses, the page tells too, with the same cure, at the tile or with the result."""
    bad = SMALL / f"{photo}.jpg"
    page = bring_job(open_page(), SMALL, stripes_up=bad)
    for name in ("panel.toml", "stripes-across.jpg"):
        (tmp_path / name).write_bytes((SMALL / name).read_bytes())
    (tmp_path / "stripes-up.jpg").write_bytes(bad.read_bytes())
    refusal = None
    try:
        result = check_job(tmp_path)
    except surfscan.SurfscanError as error:
        refusal = error
    said = told(page) if page.button(key="check").disabled else told(check(page))
    if refusal is None:
        words = {"ready": "Fair", "rework": "Rework", "close": "Too close to call"}
        assert f"<h2>{words.get(result.verdict, 'Not measured')}</h2>" in said
        poor = [row for shot in result.photos for row in shot["quality"].values() if not row["good"]]
        assert all(row["cure"] in said for row in poor)
        return
    assert page.button(key="check").disabled or page.error
    assert refusal.cure.rstrip(".").lower() in said.lower(), refusal


def test_other_refusals_of_a_sheet_are_told() -> None:
    page = open_page()
    uploader(page, "files-").set_value([("photo.jpg", b"x", "image/jpeg")])
    assert "There is no panel.toml among the files" in told(page.run())
    page = open_page()
    text = (FLAT / "panel.toml").read_text().replace("period_mm = 28", "priod_mm = 28")
    files = [("panel.toml", text.encode(), "text/plain")]
    uploader(page, "files-").set_value(files)
    said = told(page.run())
    assert "priod_mm" in said
    assert "period_mm" in said  # the nearest known name
    page = open_page()
    uploader(page, "files-").set_value([("panel.toml", (FLAT / "panel.toml").read_bytes(), "text/plain")])
    assert "names a photo that is not there" in told(page.run())


def test_no_tags_asks_for_corners_and_reads_them(tmp_path: Path) -> None:
    """The corners of the flat fixture, as its camera saw them: from the tags' pose."""
    page = bring_job(open_page(), FLAT)
    sheet = surfscan.load_sheet(FLAT)
    looks = [
        look_at_photo(FLAT / row.file, row.file, sheet=sheet, row=k) for k, row in enumerate(sheet.photos)
    ]
    w, h = 310.0, 210.0
    corners = [look.to_photo(np.array([[-w, -h], [w, -h], [w, h], [-w, h]])) for look in looks]
    page.radio[0].set_value("No tags: I tap the panel's corners").run()
    assert page.button(key="check").disabled or "corners" in told(page)
    for k in range(2):
        typed = next(one for one in page.text_input if str(one.key).startswith(f"corners-typed-{k}"))
        typed.set_value("; ".join(f"{x:.1f}, {y:.1f}" for x, y in corners[k])).run()
    rows = page.session_state["job"]["photo"]
    assert np.allclose(rows[0]["corners_px"], corners[0], atol=0.06)
    check(page)
    result = page.session_state["work"].result
    assert result is not None, told(page)
    assert result.verdict == "rework"
    # 0.278 mm by the renderer; corners to a tenth of a pixel are worth a few um
    assert result.spots[0].peak_mm == pytest.approx(-0.278, abs=0.01)


def test_without_a_scale_there_is_a_picture_and_no_depth() -> None:
    page = bring_job(open_page(), SMALL)
    page.radio[0].set_value("No tags: I tap the panel's corners").run()
    said = told(check(page))
    assert "<h2>Not measured</h2>" in said
    assert "No scale" in said
    assert "of the deepest" in said
    assert "worst first" not in said
    go(page, "look-closer")
    assert "nothing to lay a ruler on" in told(page)
    go(page, "papers")
    assert not page.error


def test_a_sheets_other_files_come_along(tmp_path: Path) -> None:
    """A set-up photo and a lens file get our own names, in the sheet and in the folder that is saved."""
    from surfscan.ui import job_files

    data = (SMALL / "stripes-up.jpg").read_bytes()
    text = (SMALL / "panel.toml").read_text().replace("[camera]", '[camera]\nlens_file = "my lens.toml"')
    text = "\n".join(line for line in text.splitlines() if not line.startswith("focal_"))
    files = [
        ("panel.toml", text.encode(), ""),
        ("stripes-up.jpg", data, ""),
        ("stripes-across.jpg", data, ""),
    ]
    page = open_page()
    uploader(page, "files-").set_value(files)
    assert "lens_file names a file that is not there" in told(page.run())
    page = open_page()
    uploader(page, "files-").set_value([*files, ("my lens.toml", b"schema = 1", "")])
    page.run()
    assert page.session_state["job"]["camera"]["lens_file"] == "lens.toml"
    kept = [*page.session_state["photos"], *page.session_state["extras"]]
    with zipfile.ZipFile(io.BytesIO(job_files.pack_job(page.session_state["job"], kept))) as parts:
        assert sorted(parts.namelist()) == [
            "job/lens.toml",
            "job/panel.toml",
            "job/photo-1.jpg",
            "job/photo-2.jpg",
        ]
    # what is wrong with the lens file is told, as the command does
    assert "lens.toml" in told(page)


def test_a_part_is_left_out_by_numbers() -> None:
    page = bring_job(open_page(), SMALL)
    typed = next(one for one in page.text_input if str(one.key).startswith("region-typed"))
    typed.set_value("-50, -50; 50, -50; 50, 50").run()
    button(page, "Use these points").click().run()
    assert page.session_state["job"]["panel"]["leave_out_mm"] == [[[-50, -50], [50, -50], [50, 50]]]
    typed = next(one for one in page.text_input if str(one.key).startswith("region-typed"))
    typed.set_value("-50, -50; 50").run()
    button(page, "Use these points").click().run()
    assert "These are no points" in told(page)


def test_a_fault_of_ours_is_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("made for the test")

    page = bring_job(open_page(), SMALL)
    monkeypatch.setattr(Keeper, "call", broken)
    page.session_state["job"]["panel"]["name"] = "never checked before"
    check(page)
    said = told(page)
    assert "a fault of ours" in said
    assert "Traceback" not in said
    assert not page.exception


def test_two_people_do_not_mix(checked: AppTest) -> None:
    """Two sessions at once: each has its own photos and its own result; the same bytes share one computation."""
    one, other = open_page(), open_page()
    bring_job(one, FLAT)
    bring_job(other, SMALL)
    check(other)
    assert one.session_state["photos"][0].sha256 != other.session_state["photos"][0].sha256
    assert "work" not in one.session_state
    check(one)
    mine, theirs = one.session_state["work"], other.session_state["work"]
    assert mine.digest != theirs.digest
    assert mine.result.photos[0]["sha256"] == one.session_state["photos"][0].sha256
    assert theirs.result.photos[0]["sha256"] == other.session_state["photos"][0].sha256
    again = check(bring_job(open_page(), FLAT))
    assert again.session_state["work"].result is mine.result


def test_the_exercise_is_the_same_for_a_class_and_scores() -> None:
    one, other = (open_page("teach") for _ in range(2))
    tasks = []
    for page in (one, other):
        page.segmented_control(key="lesson").set_value("Find the low").run()
        tasks.append(find_the_low(1, 1))
    assert tasks[0] == tasks[1]
    low = tasks[0].low
    right = next(n for n in one.text_input if n.label.startswith("Right of the middle"))
    right.set_value(f"{low.x_mm:.0f}").run()
    up = next(n for n in one.text_input if n.label.startswith("Up from the middle"))
    up.set_value(f"{low.y_mm:.0f}").run()
    button(one, "There it is").click().run()
    assert "100 points." in told(one)
    button(one, "Next panel").click().run()
    assert "Panel 2" in told(one)
    assert "100 of 100 points so far" in told(one)


@pytest.fixture
def _address() -> Iterator[None]:
    """The page's address as it was, whatever a test says it is."""
    kept = config.get_option("server.address")
    yield
    config.set_option("server.address", kept)


@pytest.mark.usefixtures("_address")
def test_every_exercise_can_be_answered_and_progress_is_kept_by_choice(tmp_path: Path) -> None:
    """The right answers of all kinds, with their points kept in a record's file, and none before it was asked for."""
    page, shop = open_page("teach"), tmp_path / "shop.db"
    for k, (kind, title) in enumerate(KINDS.items()):
        page.segmented_control(key="lesson").set_value(title).run()
        if k == 1:
            assert "without --lan" in told(page)  # nobody said that only this computer can open it
            config.set_option("server.address", "127.0.0.1")
            page.run()
            page.text_input(key="apprentice").set_value("Kim").run()
            page.text_input(key="apprentice-record").set_value(str(shop)).run()
        exercise = make_exercise(kind, 1, 1)
        assert html.escape(exercise.asks(MM), quote=False) in told(page)
        assert exercise.tells(MM) not in told(page)
        if exercise.choices:
            button(page, exercise.right[0].upper() + exercise.right[1:]).click().run()
        else:
            guess = next(n for n in page.text_input if n.label.startswith("Your guess"))
            guess.set_value(f"{exercise.size_mm:.3f}").run()
            button(page, "That deep").click().run()
        assert "100 points." in told(page)
        assert exercise.tells(MM) in told(page)
    kept = [row.kind for row in list_progress(shop, "Kim")]
    assert sorted(kept) == sorted(list(KINDS)[1:])
    button(page, "Next").click().run()
    assert "Panel 2" in told(page)


def test_the_panels_material_and_film_go_into_the_sheet() -> None:
    page = bring_job(open_page(), SMALL)
    made_of = next(one for one in page.segmented_control if one.label == "Made of")
    made_of.set_value("aluminium").run()
    film = next(one for one in page.text_input if one.label.startswith("All the paint together"))
    film.set_value("0.12").run()
    panel = page.session_state["job"]["panel"]
    assert (panel["substrate"], panel["film_mm"]) == ("aluminium", 0.12)
    film = next(one for one in page.text_input if one.label.startswith("All the paint together"))
    film.set_value("120").run()  # micrometres typed: refused, and the value stays
    assert "out of range" in told(page)
    assert page.session_state["job"]["panel"]["film_mm"] == 0.12
    film.set_value("0").run()
    assert "film_mm" not in page.session_state["job"]["panel"]


def test_the_pages_report_with_its_photos_fits_its_seal(checked: AppTest, tmp_path: Path) -> None:
    from surfscan.ui.views.papers import _write_report

    result, photos = checked.session_state["work"].result, checked.session_state["photos"]
    files = {path.name: path.read_bytes() for path in surfscan.write_result(tmp_path / "result", result)}
    taken = {photo.file: photo.data for photo in photos}
    made = _write_report(files, taken, Particulars(date="2026-03-04"), "a4")
    assert {"report.pdf", "report.html", "seal.json", "gloss.png", "photos.jpg"} == set(made)
    for name, data in {**files, **made}.items():  # as the archive has them
        (tmp_path / name).write_bytes(data)
    assert verify_report(tmp_path).differences == ()
    assert "photos.jpg" not in _write_report(files, {}, Particulars(date="2026-03-04"), "a4")


def test_small_faults_are_asked_for_by_a_switch_and_shown_from_the_photo() -> None:
    page = open_page()
    bring_job(page, FLAT)
    go(page, "what")
    switch = next(one for one in page.toggle if one.label.startswith("Look for small faults"))
    switch.set_value(True).run()
    check(go(page, "photos"))
    result = page.session_state["work"].result
    assert result.limits["fault_mm"] == 0.0
    assert "Small faults looked for, and found nine times in ten" in told(page)
    # One laid in: whatever this panel has, a tapped mark tells what it is and shows it as both photos do.
    row = {
        "id": 1, "kind": "crack", "sure": 0.9, "likeliest": "crack", "x_mm": 10.0, "y_mm": -20.0, "length_mm": 4.0,
        "width_mm": 1.0, "direction_deg": 0.0, "sign": -1, "photos": ["a.jpg", "b.jpg"], "verdict": "rework",
        "action": "Grind it out.",
    }  # fmt: skip
    pieces = {f"f1 {name}": np.full((240, 240), 99, np.uint8) for name in row["photos"]}
    details = {**result.details, "faults": [row], "fault_work": {"crack": row["action"]}}
    page.session_state["work"].result = replace(result, details=details, pieces=pieces)
    page.session_state["spot"] = "f1"
    page.run()
    assert told(page).count("f1: crack, 4 mm, 10 mm right, 20 mm down from the middle") == 1
    box = next(one for one in page.selectbox if one.label == "Show one in the photos")
    box.select_index(0).run()
    assert told(page).count("f1: crack, 4 mm") == 2
    assert not page.exception
