"""Faults that the page once had, each with what shows that it is gone. Those that need a browser: `test_steps.py`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from page_runs import JOBS, bring_job, button, check, go, open_page, told, uploader

from surfscan.ui.parts.lengths import parse_number  # isort: skip  (found by page_runs)
from surfscan.places.stations import new_station, stations
from surfscan.ui import looks

SMALL, FLAT = JOBS / "bad-photos", JOBS / "flat"

KIT = Path(__file__).parents[2] / "fixtures" / "kit" / "stripes"


def field(page: Any, start: str) -> Any:
    return next(one for one in page.text_input if one.label.startswith(start))


def test_the_set_ups_part_keeps_its_label_while_numbers_change() -> None:
    page = bring_job(open_page(), SMALL)
    before = [one.label for one in page.expander]
    field(page, "Board's middle: above").set_value("0.9 m").run()
    assert [one.label for one in page.expander] == before
    assert "Set-up" in before


@pytest.mark.parametrize(("typed", "value"), [("620,5", 620.5), ("620.5", 620.5), ("26", 26.0)])
def test_a_decimal_comma_is_one(typed: str, value: float) -> None:
    assert parse_number(typed) == value


@pytest.mark.parametrize("typed", ["6.205,5", "1 000", "", "wide", "nan", "1e3"])
def test_what_is_no_number_is_refused(typed: str) -> None:
    with pytest.raises(ValueError, match="is no number"):
        parse_number(typed)


def test_fields_take_a_comma_and_show_what_is_used() -> None:
    page = bring_job(open_page(), SMALL)
    field(page, "Width to judge").set_value("600,5").run()
    assert page.session_state["job"]["panel"]["size_mm"][0] == 600.5
    way = next(one for one in page.segmented_control if one.label == "Focal length")
    way.set_value("focal_35mm").run()
    focal = field(page, "Focal length as for 35 mm")
    focal.set_value("26,5").run()
    assert page.session_state["job"]["camera"]["focal_35mm"] == 26.5
    field(page, "Focal length as for 35 mm").set_value("2,6,5").run()
    assert "The value is still 26.5." in told(page)
    assert page.session_state["job"]["camera"]["focal_35mm"] == 26.5


def test_a_length_keeps_its_value_in_other_units_and_after_a_refusal() -> None:
    page = open_page("plan-a-shot")
    field(page, "Board, width").set_value("30 cm").run()
    page.segmented_control(key="units").set_value("inch").run()
    assert float(field(page, "Board, width").value) == pytest.approx(300 / 25.4, abs=1e-3)


def test_a_photo_shot_anew_takes_its_own_place_and_drops_no_other() -> None:
    page = bring_job(open_page(), SMALL)
    first, second = (photo.sha256 for photo in page.session_state["photos"])
    go(page, "papers")
    go(page, "photos")
    data = (FLAT / "stripes-up.jpg").read_bytes()
    again = uploader(page, "photos-again-1")
    again.set_value([("again.jpg", data, "image/jpeg")]).run()
    kept = [photo.sha256 for photo in page.session_state["photos"]]
    assert kept[0] == first
    assert kept[1] != second
    assert page.session_state["job"]["photo"][1]["varies"] == "up"
    go(page, "papers")
    go(page, "check")
    third = (FLAT / "stripes-across.jpg").read_bytes()
    uploader(page, "photos-more").set_value([("one-more.jpg", third, "image/jpeg")]).run()
    assert [photo.sha256 for photo in page.session_state["photos"]][:2] == kept
    assert len(page.session_state["photos"]) == 3
    button(page, "Remove it").click().run()
    assert next(photo.sha256 for photo in page.session_state["photos"]) == kept[1]


def test_a_fold_stands_in_the_sentence_and_on_the_picture() -> None:
    page = check(bring_job(open_page(), JOBS / "fold"))
    go(page, "result")
    strip = next(one.proto.body for one in page.get("html") if "verdict" in one.proto.body[:40])
    assert "folds over: too hollow to read from here" in strip
    from surfscan.ui.parts.maps import fold_outlines

    height = page.session_state["work"].result.height
    shapes = fold_outlines(height, lambda points: points)
    # the made low is too hollow about its middle, right of the panel's and above it
    middle = [sum(axis) / len(axis) for axis in zip(*shapes[0]["points"], strict=True)]
    assert len(shapes) >= 1
    assert middle[0] == pytest.approx(111, abs=25)
    assert middle[1] == pytest.approx(30, abs=25)


@pytest.mark.parametrize("photo", ["motion", "out-of-focus"])
def test_a_blurred_photo_is_not_called_sharp(photo: str) -> None:
    page = bring_job(open_page(), SMALL, stripes_up=SMALL / f"{photo}.jpg")
    tiles = [one.proto.body for one in page.get("html") if 'class="checks"' in one.proto.body]
    assert "the photo is sharp" in tiles[0]
    assert ">the photo is sharp" not in tiles[1]


def test_what_is_no_date_is_told_and_not_printed() -> None:
    page = check(bring_job(open_page(), SMALL))
    go(page, "papers")
    field(page, "Date").set_value("not a date").run()
    assert "is no date" in told(page)
    field(page, "Date").set_value("2026-02-30").run()
    assert "is no date" in told(page)
    field(page, "Date").set_value("2026-03-31").run()
    assert "is no date" not in told(page)


def test_plan_begins_with_the_open_job_and_hands_over() -> None:
    page = bring_job(open_page(), SMALL)
    go(page, "plan-a-shot")
    assert float(field(page, "Panel, width").value) == 620.0
    field(page, "Board from").set_value("800").run()
    next(one for one in page.slider if one.label.startswith("Degrees")).set_value(45).run()
    page.button(key="p-use").click().run()
    job = page.session_state["job"]
    # 800 mm at 45 degrees: 800 sin 45 beyond the middle and as much above the panel
    assert job["board"]["centre_mm"] == pytest.approx([0, 565.7, 565.7], abs=0.05)
    assert page.title[0].value == "Where do you check?"
    assert page.session_state["job-more"]["confirmed"] == ""  # a plan is no measured place


def test_widths_say_which_they_are() -> None:
    page = check(bring_job(open_page(), SMALL))
    assert "at half its depth" in told(page)
    assert any("from foot to foot" in one.label for one in open_page("teach").slider)


def test_a_wrong_name_costs_no_result_and_reaches_the_papers() -> None:
    page = check(bring_job(open_page(), SMALL))
    depth = page.session_state["work"].result.spots[0].peak_mm
    go(page, "result")
    field(page, "Name of the panel, to correct").set_value("right rear door").run()
    work = page.session_state["work"]
    assert work.result.panel["name"] == "right rear door"
    assert work.result.spots[0].peak_mm == depth
    assert "right rear door" in told(page)
    go(page, "check")
    assert "has changed since" not in told(page)
    field(page, "Name of the panel").set_value("hood").run()
    assert page.session_state["work"].result.panel["name"] == "hood"
    field(page, "Height to judge").set_value("400").run()  # that is another job
    assert "work" not in page.session_state


@pytest.mark.parametrize("cure", ["give camera.focal_35mm, which makers publish", "correct tags.dictionary"])
def test_no_key_of_a_sheet_reaches_a_tech(cure: str) -> None:
    said = looks.in_words(cure)
    assert "_" not in said
    assert "camera." not in said
    assert "tags." not in said


def test_photos_alone_give_no_millimetre() -> None:
    page = open_page("photos")
    files = [(n, (SMALL / n).read_bytes(), "image/jpeg") for n in ("stripes-across.jpg", "stripes-up.jpg")]
    uploader(page, "photos-more").set_value(files).run()
    assert "a look without a scale" in told(page)
    check(page)
    result = page.session_state["work"].result
    assert result is not None, told(page)
    assert result.verdict == "not_measured"
    assert result.spots == ()
    assert "relative" in result.details
    go(page, "photos")
    page.button(key="say-form").click().run()  # now somebody has said so
    assert "a look without a scale" not in told(page)
    assert "work" not in page.session_state


def test_the_steps_lead_from_a_station_to_the_verdict(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Five taps and the panel's name: check, station, next, photos, check; which photo is which is seen."""
    monkeypatch.setenv("SURFSCAN_HOME", str(tmp_path))
    photos = [KIT / name for name in ("setup.jpg", "one.jpg", "two.jpg")]
    new_station("Bay 1", photos, frame=True)
    page = open_page("")
    page.button(key="start-check").click().run()
    page.button(key="station-Bay 1").click().run()
    field(page, "Name of the panel").set_value("left front door").run()
    page.button(key="what-next").click().run()
    # The photo whose stripes run up comes first: the pair is turned unasked.
    uploader(page, "photos-more").set_value(
        [(p.name, p.read_bytes(), "image/jpeg") for p in photos[1:]]
    ).run()
    assert [row["varies"] for row in page.session_state["job"]["photo"]] == ["up", "across"]
    check(page)
    result = page.session_state["work"].result
    assert page.title == [] or page.title[0].value != "The photos"
    assert result.panel["name"] == "left front door"
    # the deepest dent that was rendered
    deepest = min(row[2] for row in json.loads((KIT / "truth.json").read_text())["dents"])
    assert result.spots[0].peak_mm == pytest.approx(deepest, abs=0.006)
    assert abs(result.spots[0].peak_mm - deepest) < result.spots[0].u95_mm
    # the survey's focal length, better than EXIF's, and what the station has to say
    assert page.session_state["job"]["camera"]["focal_px"] == stations()[0].focal_px
    assert result.details["station"]["sentence"].startswith("Station Bay 1: surveyed on")
    page.button(key="next-panel").click().run()
    assert any(one.label.startswith("As last time") for one in page.button)


def test_photos_of_a_printed_kit_need_no_sheet_and_no_station() -> None:
    page = open_page("")
    page.button(key="start-check").click().run()
    photos = [(KIT / name) for name in ("setup.jpg", "one.jpg", "two.jpg")]
    uploader(page, "kit--").set_value([(p.name, p.read_bytes(), "image/jpeg") for p in photos[1:]]).run()
    assert "set-up photo" in told(page)  # told at once, and the step stays
    assert any(one.label.startswith("A printed kit") for one in page.expander)
    uploader(page, "kit--").set_value([(p.name, p.read_bytes(), "image/jpeg") for p in photos]).run()
    field(page, "Name of the panel").set_value("left front door").run()
    page.button(key="what-next").click().run()
    assert len(page.session_state["photos"]) == 2
    check(page)
    result = page.session_state["work"].result
    deepest = min(row[2] for row in json.loads((KIT / "truth.json").read_text())["dents"])
    assert abs(result.spots[0].peak_mm - deepest) < result.spots[0].u95_mm
    assert result.panel["name"] == "left front door"


def test_a_station_is_made_on_the_page_and_one_without_a_frame_takes_its_set_up_photo(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("SURFSCAN_HOME", str(tmp_path))
    photos = [
        (p.name, p.read_bytes(), "image/jpeg") for p in (KIT / "setup.jpg", KIT / "one.jpg", KIT / "two.jpg")
    ]
    page = open_page("where")
    page.button(key="keep-station").click().run()
    assert "A station needs" in told(page) or "name" in told(page)
    for name, frame in (("Bay 2", False), ("Bay 1", True)):
        field(page, "Its name").set_value(name)
        next(one for one in page.toggle if one.label.startswith("The panel's tags stay")).set_value(frame)
        uploader(page, "new-station-").set_value(photos).run()
        page.button(key="keep-station").click().run()
    assert [place.frame for place in stations()] == [True, False]
    assert page.button(key="station-Bay 1").label.startswith("Bay 1")
    assert field(page, "Its name").value == ""  # ready for the next
    uploader(page, "kit-Bay 2-").set_value(photos).run()
    field(page, "Name of the panel").set_value("roof").run()
    assert len(page.session_state["photos"]) == 2
    assert not page.exception
