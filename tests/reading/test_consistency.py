"""A wrong set-up shows itself, a right one is left alone, and photos of two panels are no pair."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from finished import finished
from reading.own_photos import stripes_scene, take

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import NotMeasuredError
from surfscan.core.reading import Reading
from surfscan.core.records import Grid
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.reading.pair import compare_pair
from surfscan.synth.panels import Flat

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"


def changed(sheet: Sheet, **board: object) -> Sheet:
    return sheet.model_copy(update={"board": sheet.board.model_copy(update=board)})  # type: ignore[union-attr]


def turned(sheet: Sheet, name: str, degrees: float) -> Sheet:
    board = sheet.board
    assert board is not None
    across, up = np.array(board.across), np.array(board.up)
    axis = {"lean": across, "turn": up, "roll": np.cross(across, up)}[name]
    turn = cv2.Rodrigues(axis * np.radians(degrees))[0]
    return changed(sheet, across=tuple(turn @ across), up=tuple(turn @ up))


@pytest.mark.parametrize("job", ["flat", "clean-crown", "satin", "stepped"])
def test_a_right_set_up_is_left_alone(job: str) -> None:
    result = finished(job)
    row = result.details["setup_check"]
    # The figure is a logarithm of odds: under 2 is "not worth more than a bare mention" (Kass and Raftery 1995).
    assert row["suspect"]["log_bayes_factor"] < 2
    assert not row["pair"]["doubted"]
    codes = [one.code for one in result.findings]
    assert "setup-by-tape" in codes
    assert not any(code.startswith("setup-suspect") or code == "setup-pair" for code in codes)


@pytest.mark.parametrize(("name", "degrees"), [("lean", -3.0), ("turn", 4.0), ("roll", -2.0)])
def test_a_turned_board_is_named_with_its_angle(name: str, degrees: float) -> None:
    result = check_job(turned(load_sheet(JOBS / "clean-crown"), name, degrees))
    first = result.findings[0]
    assert first.code == "setup-suspect-angle"
    assert first.numbers["source"] == name
    # The sheet's turn is the true one and `degrees` more; the panel's own waves leave a few tenths open.
    assert result.details["setup_check"]["suspect"]["too_large_by"] == pytest.approx(degrees, abs=0.6)
    assert result.verdict != "ready"


def test_a_wrong_period_is_told_first_and_is_never_ready() -> None:
    share = -0.05
    sheet = load_sheet(JOBS / "clean-crown")
    assert sheet.board is not None
    result = check_job(changed(sheet, period_mm=sheet.board.period_mm * (1 + share)))
    first = result.findings[0]
    named = (first.numbers["source"], *result.details["setup_check"]["suspect"]["rivals"])
    assert first.code.startswith("setup-suspect")
    assert "period" in named or "z" in named  # at one distance these two look alike
    assert result.verdict != "ready"


def test_tags_whose_side_does_not_fit_their_places_are_told() -> None:
    sheet = load_sheet(JOBS / "clean-flat")
    assert sheet.tags is not None
    wide = {tag: (1.03 * x, 1.03 * y) for tag, (x, y) in sheet.tags.centres_mm.items()}
    result = check_job(sheet.model_copy(update={"tags": sheet.tags.model_copy(update={"centres_mm": wide})}))
    first = result.findings[0]
    assert first.code == "setup-tags-size"
    # Places 3 % too wide make a side of 36 mm look 3 % larger.
    assert first.numbers["seen_mm"] == pytest.approx(1.03 * 36, abs=0.15)
    assert result.verdict == "close"


def test_photos_of_two_panels_are_refused(tmp_path: Path) -> None:
    scene = stripes_scene()
    spotted = take(scene, tmp_path / "spotted")
    clean = take(replace(scene, panel=replace(scene.panel, deviation=Flat())), tmp_path / "clean")
    assert check_job(spotted).verdict == "rework"
    shutil.copy(clean / "stripes-up.jpg", spotted / "stripes-up.jpg")
    with pytest.raises(NotMeasuredError, match="do not show the same surface"):
        check_job(spotted)


def reading_of(p: np.ndarray, q: np.ndarray, step_mm: float) -> Reading:
    y, x = (step_mm * (np.arange(n) - (n - 1) / 2) for n in p.shape)
    return Reading(
        grid=Grid(x, y, step_mm),
        height_mm=np.zeros(p.shape),
        p=p,
        q=q,
        noise_mm=0.0,
        uneven_mm=0.0,
        flags=np.zeros(p.shape, np.int32),
        closure_mrad=0.0,
        gain_mm=np.ones(2),
        period_mm=np.full(2, 14.0),
        rounds=1,
        quality=(),
    )


def test_slopes_of_one_surface_agree_and_those_of_two_do_not() -> None:
    step = 2.0
    x, y = np.meshgrid(step * np.arange(-110, 111), step * np.arange(-80, 81))

    def slopes(x0: float, y0: float, depth: float, width: float) -> tuple[np.ndarray, np.ndarray]:
        z = depth * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * width**2))
        return -(x - x0) / width**2 * z, -(y - y0) / width**2 * z

    p, q = slopes(-40, 20, -0.2, 22)
    other = slopes(60, -30, -0.15, 18)[1]
    crown = -x / 2500, -y / 3000
    same = compare_pair(reading_of(p + crown[0], q + crown[1], step))
    assert same.share < 0.01  # what central differences on cells of 2 mm leave
    assert not same.doubted
    for wrong in (0 * q, other, -q):
        assert compare_pair(reading_of(p + crown[0], wrong + crown[1], step)).mixed
    # Half of the low filled between the photos: p and q/2 leave 1/4 over 1 + 1/4 of the common size, 0.2.
    half = compare_pair(reading_of(p, q / 2, step))
    assert half.share == pytest.approx(0.2, abs=0.02)
    assert half.doubted
    assert not half.mixed
    fair = compare_pair(reading_of(0 * p + crown[0], 0 * q + crown[1], step))
    assert not fair.doubted
