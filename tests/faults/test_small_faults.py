"""Small faults: found where they were made, told from dust, named, judged; and the shape left as it was."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bench.fault_panels import PLATE, as_crossed, as_crossed_twice, made_scene
from bench.pod import a90, logit_fit
from reading.own_photos import edit

import surfscan
from surfscan.core.message import Verdict
from surfscan.core.records import CheckResult
from surfscan.core.units import MM
from surfscan.faults.names import KINDS
from surfscan.judge.trade_table import fault_words
from surfscan.judge.verdict import Evidence, FaultEvidence, weigh
from surfscan.papers.pictures import paper_pictures
from surfscan.report.words import gauge_lines, work_lines
from surfscan.synth.camera_noise import write_job
from surfscan.synth.marks import Groove, Mark, Speck
from surfscan.synth.panels import Dish

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"


def dimple(kind: str, x: float, y: float, size: float, peak: float) -> Mark:
    shape = Dish(x, y, peak, size, profile="gaussian")
    return Mark(kind, x, y, size, size, 0.0, 1.3 * size, shape)


LINE = ((-40.0, -60.0), (-20.0, -52.0))
MARKS = (
    dimple("pit", -60, 20, 6.0, -0.15),
    dimple("nib", 50, 40, 6.0, 0.2),
    dimple("pit", 10, 60, 2.0, -0.05),
    Mark("scratch", -30, -56, 21.5, 0.45, 21.8, 12.0, Groove(LINE, -0.04, 0.45)),
)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plate with four faults, and dust on the camera."""
    folder = tmp_path_factory.mktemp("faults")
    scene = made_scene(3, PLATE, MARKS)
    dust = (Speck(420.0, 300.0, 6.0, 0.2), Speck(250.0, 400.0, 4.0, 0.15))
    return write_job(replace(scene, specks=dust), folder, rng=np.random.default_rng(5), quality=85)


@pytest.fixture(scope="module")
def asked(job: Path) -> CheckResult:
    edit(job, ("low_mm = ", "fault_mm = 0\nlow_mm = "))
    return surfscan.check(job)


def test_what_was_made_is_found_and_dust_is_not(asked: CheckResult) -> None:
    found = asked.details["faults"]
    for mark in MARKS:
        near = [f for f in found if np.hypot(f["x_mm"] - mark.x_mm, f["y_mm"] - mark.y_mm) < 1.5]
        assert len(near) == 1, mark.kind
    assert len(found) == len(MARKS)
    assert asked.details["camera_dust"] == 2


def test_a_hollow_and_a_bump_are_told_apart_and_a_scratch_by_its_line(asked: CheckResult) -> None:
    pit, nib, _, scratch = (
        min(asked.details["faults"], key=lambda f: np.hypot(f["x_mm"] - m.x_mm, f["y_mm"] - m.y_mm))
        for m in MARKS
    )
    assert (pit["likeliest"], pit["sign"]) == ("pit", -1)
    assert (nib["likeliest"], nib["sign"]) == ("nib", 1)
    assert scratch["kind"] == "scratch"
    assert scratch["length_mm"] == pytest.approx(21.5, abs=2.5)  # two pixels of 0.5 mm at each end
    assert scratch["direction_deg"] == pytest.approx(21.8, abs=3)


def test_the_verdict_says_what_was_found_and_what_was_looked_for(asked: CheckResult) -> None:
    codes = {one.code for one in asked.findings}
    assert asked.verdict == Verdict.REWORK
    assert {"fault-found", "fault-looked"} <= codes
    # a90/95 of pits is under 4 photo pixels: here 0.5 mm
    assert asked.details["looked_for"]["pit"]["size_mm"] < 2.0
    listed = asked.details["not_looked_for"]
    assert "pinholes" not in listed
    assert "sand-through" in listed
    lines = gauge_lines(asked.details)
    assert any("scratch" in line and "sand" in line for line in lines)
    assert any(line.startswith("Dust on the camera") for line in lines)
    ordered = work_lines(asked.details)
    assert any("scratch" in line and "sand" in line for line in ordered)
    # none of the faults is without a step
    told = {number for row in asked.details["work_order"] for number in row["faults"]}
    assert told == {row["id"] for row in asked.details["faults"]}


def test_the_shape_is_the_same_whether_faults_are_looked_for_or_not(job: Path, asked: CheckResult) -> None:
    edit(job, ("fault_mm = 0\n", ""))
    plain = surfscan.check(job)
    edit(job, ("low_mm = ", "fault_mm = 0\nlow_mm = "))
    assert plain.spots == asked.spots
    np.testing.assert_array_equal(plain.height.height_mm, asked.height.height_mm)
    np.testing.assert_array_equal(plain.height.sigma_mm, asked.height.sigma_mm)
    assert "faults" not in plain.details
    assert "pinholes" in plain.details["not_looked_for"]


def test_one_crossed_photo_shows_them_too_but_does_not_tell_dust(job: Path, tmp_path: Path) -> None:
    """Half of what two photos of stripes say: the larger ones are found, and a place that only dims is not named."""
    scene = as_crossed(made_scene(3, PLATE, MARKS))
    dust = (Speck(420.0, 300.0, 6.0, 0.3),)
    write_job(replace(scene, specks=dust), tmp_path, rng=np.random.default_rng(5), quality=85)
    edit(tmp_path, ("low_mm = ", "fault_mm = 0\nlow_mm = "))
    result = surfscan.check(tmp_path)
    found = result.details["faults"]
    for mark in MARKS[:2]:
        assert min(np.hypot(row["x_mm"] - mark.x_mm, row["y_mm"] - mark.y_mm) for row in found) < 2.0
    assert result.details["camera_dust"] is None
    (speck,) = result.details["maybe_dust"]
    column, row = result.project(np.array([[speck["x_mm"], speck["y_mm"], 0.0]]))[0]
    assert np.hypot(column - 420, row - 300) < 8
    assert any("dust on the camera, or a dull place" in line for line in gauge_lines(result.details))
    # Each is cut out of the one photo that there is.
    assert set(result.pieces) == {f"f{row['id']} crossed.jpg" for row in found}
    # It says of itself that it finds less than two photos do.
    assert result.details["looked_for"]["pit"]["size_mm"] > 1.0


def test_two_photos_from_one_place_do_not_tell_dust_either_and_keep_what_dims(tmp_path: Path) -> None:
    """A dull place of the panel and a speck on the lens look alike from a tripod: it is told as either."""
    scene = made_scene(3, PLATE, MARKS)
    fixed = replace(scene, poses=(scene.poses[0], scene.poses[0]), specks=(Speck(420.0, 300.0, 6.0, 0.3),))
    write_job(fixed, tmp_path, rng=np.random.default_rng(5), quality=85)
    edit(tmp_path, ("low_mm = ", "fault_mm = 0\nlow_mm = "))
    result = surfscan.check(tmp_path)
    assert result.details["camera_dust"] is None
    places = np.array([[one["x_mm"], one["y_mm"], 0.0] for one in result.details["maybe_dust"]])
    column, row = result.project(places).T
    assert (np.hypot(column - 420, row - 300) < 8).sum() == 1


def test_a_clean_panel_of_the_independent_renderer_has_none(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    for file in (JOBS / "clean-flat").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    edit(folder, ("low_mm = ", "fault_mm = 0\nlow_mm = "))
    result = surfscan.check(folder)
    assert result.details["faults"] == []
    assert "fault-found" not in {one.code for one in result.findings}


def test_no_panel_is_ready_when_faults_are_asked_for_and_can_not_be_looked_for() -> None:
    def verdict(faults: FaultEvidence | None) -> Verdict:
        return weigh(Evidence(faults=faults)).verdict

    assert verdict(None) == Verdict.READY
    assert verdict(FaultEvidence(smallest_mm={"pit": 1.0}, share=0.9)) == Verdict.READY
    assert verdict(FaultEvidence(why_not="one photo")) == Verdict.CLOSE
    assert verdict(FaultEvidence()) == Verdict.CLOSE  # noisier than what was measured
    assert verdict(FaultEvidence(others={"unsure": 1}, smallest_mm={"pit": 1.0})) == Verdict.CLOSE
    assert verdict(FaultEvidence(kinds={"nib": 1}, smallest_mm={"pit": 1.0})) == Verdict.REWORK


def test_every_kind_has_words() -> None:
    for kind in (*KINDS, "unsure"):
        words = fault_words(kind)
        assert words["verdict"] in ("rework", "look")
        assert words["name"]
        assert words["many"]
        assert words["what"].endswith(".")


# Both from memory, as published: hours of study and passing an examination (the encyclopedia's article on logistic
# regression); the shuttle's O-rings by temperature (Dalal, Fowlkes and Hoadley 1989, J. Am. Stat. Assoc. 84, 945).
HOURS = "0.5 0.75 1 1.25 1.5 1.75 1.75 2 2.25 2.5 2.75 3 3.25 3.5 4 4.25 4.5 4.75 5 5.5"
PASSED = "0 0 0 0 0 0 1 0 1 0 1 0 1 0 1 1 1 1 1 1"
DEGREES = "66 70 69 68 67 72 73 70 57 63 70 78 67 53 67 75 70 81 76 79 75 76 58"
FAILED = "0 1 0 0 0 0 0 0 1 1 1 0 0 1 0 0 0 0 0 0 1 0 1"


@pytest.mark.parametrize(
    ("x", "y", "published"),
    [
        (HOURS, PASSED, (-4.0777, 1.5046, 1.7610, 0.6287)),
        (DEGREES, FAILED, (15.0429, -0.2322, 7.3786, 0.1082)),
    ],
)
def test_the_curve_of_hits_and_misses_is_the_published_one(
    x: str, y: str, published: tuple[float, ...]
) -> None:
    curve = logit_fit(np.array(x.split(), float), np.array(y.split(), float))
    found = (curve.start, curve.slope, curve.u_start, curve.u_slope)
    assert found == pytest.approx(published, abs=1e-4)


def test_a90_with_its_bound_covers_the_truth_nineteen_times_in_twenty() -> None:
    """logit p = 4 log(size / 2): a90 is 2 exp(ln 9 / 4). 60 trials: 0.95 less three standard deviations of 0.028."""
    rng, true, covered = np.random.default_rng(1), 2 * np.exp(np.log(9) / 4), 0
    for _ in range(60):
        size = np.exp(rng.uniform(np.log(0.5), np.log(12), 300))
        hit = rng.uniform(size=300) < 1 / (1 + (2 / size) ** 4)
        middle, bound = a90(size, hit)
        assert middle <= bound
        covered += bound >= true
    assert covered / 60 > 0.95 - 3 * 0.028


def test_the_faults_are_a_table_of_their_own_and_an_older_one_goes(
    asked: CheckResult, tmp_path: Path
) -> None:
    names = [path.name for path in surfscan.write_result(tmp_path, asked)]
    assert names[-2:] == ["faults.csv", "result.json"]
    with (tmp_path / "faults.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(int(row["id"]), row["kind"], float(row["x_mm"])) for row in rows] == [
        (fault["id"], fault["kind"], fault["x_mm"]) for fault in asked.details["faults"]
    ]
    assert set(rows[0]) == set(asked.details["faults"][0])  # no key of a fault is left out
    without = {key: value for key, value in asked.details.items() if key != "faults"}
    surfscan.write_result(tmp_path, replace(asked, details=without))
    assert not (tmp_path / "faults.csv").exists()


def test_papers_mark_them_as_the_checks_pictures_do(asked: CheckResult, tmp_path: Path) -> None:
    surfscan.write_result(tmp_path, asked)
    with_marks = paper_pictures(surfscan.load_result(tmp_path), tmp_path, MM)
    (tmp_path / "none").mkdir()
    details = {**asked.details, "faults": []}
    surfscan.write_result(tmp_path / "none", replace(asked, details=details))
    without = paper_pictures(surfscan.load_result(tmp_path / "none"), tmp_path / "none", MM)
    assert with_marks.overlay is not None
    assert without.overlay is not None
    assert "a diamond is a small fault" in with_marks.overlay.caption
    assert "diamond" not in without.overlay.caption
    assert with_marks.panel_map is not None
    assert without.panel_map is not None
    assert with_marks.panel_map.data != without.panel_map.data


def test_two_crossed_photos_tell_dust_and_find_all_but_a_fine_scratch(tmp_path: Path) -> None:
    """From two places each grey square of one photo is bright or dark in the other, and dust stays on the camera."""
    scene = as_crossed_twice(made_scene(3, PLATE, MARKS))
    dust = (Speck(420.0, 300.0, 6.0, 0.3),)
    write_job(replace(scene, specks=dust), tmp_path, rng=np.random.default_rng(5), quality=85)
    edit(tmp_path, ("low_mm = ", "fault_mm = 0\nlow_mm = "))
    result = surfscan.check(tmp_path)
    found = result.details["faults"]
    for mark in MARKS[:3]:
        near = [row for row in found if np.hypot(row["x_mm"] - mark.x_mm, row["y_mm"] - mark.y_mm) < 2.0]
        assert near, mark.kind
    assert "scratch" not in result.details["looked_for"]  # and it says so
    assert result.details["camera_dust"] == 1
    assert "maybe_dust" not in result.details
    assert {name.split()[1] for name in result.pieces} == {"crossed_0.jpg", "crossed_1.jpg"}
    # a90/95 of pits is under 4 photo pixels of 0.6 mm at most, where both photos look
    assert result.details["looked_for"]["pit"]["size_mm"] < 4 * 0.6
    assert result.details["looked_for"]["pit"]["share"] > 0.8
