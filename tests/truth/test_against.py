"""A crowned panel held against the car's other side, photographed by the project's own ray caster.

The panel is a sphere of 2 m with a styling swell that no low-order surface follows; the other side is its mirror image,
with its board, stripes and camera elsewhere, its tags laid a little off, and faint waves of its own.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from reading.own_photos import FOCAL, MIDDLE, PIXELS, SIZE, take

from surfscan.change.against import against_result
from surfscan.checking.pipeline import check_job
from surfscan.cli import main
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.records import Camera, CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.synth.panels import Crown, Dish, Panel, Ripple, Shape
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at

TAG = (SIZE[0] / 2 - 27, SIZE[1] / 2 - 27)
CROWN = Crown(2000.0, zero_at_mm=TAG)
SWELL = Dish(40, 20, 1.2, 320, 220, 25, order=3)
LOW = Dish(-60, -40, -0.1, 60)


def _scene(form: Shape, faults: Shape, *, eye_x: float, far: float, period: float) -> Scene:
    e = np.radians(56)
    pose = look_at((eye_x, -1150 * np.cos(e), 1150 * np.sin(e)), (0, 0, 0), (0, 1, 0))
    return Scene(
        panel=Panel(SIZE, form, faults),
        camera=Camera(FOCAL, MIDDLE),
        board=board_facing(far, 56, size_mm=(3200, 2600), period_mm=period),
        tags=corner_tags(SIZE),
        poses=(pose,),
        image_size_px=PIXELS,
        supersampling=2,
    )


@cache
def job(folder: Path, side: str) -> Path:
    if side == "this":
        return take(_scene(CROWN + SWELL, LOW, eye_x=30, far=900, period=38), folder / side)
    twin = Dish(-40, 20, 1.2, 320, 220, -25, order=3)
    return take(_scene(CROWN + twin, Ripple(0.0006, 170, 40), eye_x=-90, far=1050, period=44), folder / side)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("sides")


@cache
def checked(folder: Path, side: str) -> CheckResult:
    return check_job(job(folder, side))


@cache
def held(folder: Path) -> CheckResult:
    return check_job(job(folder, "this"), against=against_result(checked(folder, "other"), mirrored=True))


def test_a_low_is_found_within_five_per_cent(folder: Path) -> None:
    result = held(folder)
    (spot,) = result.spots
    assert spot.kind == "low"
    assert (spot.x_mm, spot.y_mm) == pytest.approx((-60, -40), abs=3)
    assert spot.peak_mm == pytest.approx(-0.1, rel=0.05)
    assert abs(spot.peak_mm + 0.1) < spot.u95_mm
    assert spot.u95_mm < 0.02
    assert result.verdict == "rework"


def test_the_swell_is_no_fault_and_without_the_other_side_it_is(folder: Path) -> None:
    grid = held(folder).height.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    off = held(folder).height.height_mm - LOW.height(x, y)
    assert np.nanstd(off) < 0.003
    assert np.nanmax(np.abs(off)) < 0.02
    # The swell stays in the form; the usual fair form takes a part of it for a high.
    form = held(folder).height.form_mm
    true = (CROWN + SWELL).height(x, y)
    assert np.nanstd(np.where(np.isfinite(off), form - true, np.nan)) < 0.02
    usual = checked(folder, "this")
    assert len(usual.spots) != 1 or abs(usual.spots[0].peak_mm + 0.1) > 0.005


def test_the_result_says_what_it_was_held_against(folder: Path) -> None:
    details = held(folder).details["against"]
    assert details["mirrored"]
    assert not details["own_faults"]
    assert details["agreeing"] > 0.8
    assert "other side, mirrored" in held(folder).height.form_name
    assert any("Held against" in reason for reason in held(folder).reasons)


def test_not_mirrored_it_is_another_panel(folder: Path) -> None:
    wrong = check_job(job(folder, "this"), against=against_result(checked(folder, "other")))
    # Where the swells are, on either side, nothing agrees.
    assert wrong.details["against"]["agreeing"] < held(folder).details["against"]["agreeing"] - 0.2
    assert len(wrong.spots) > 1


def test_faults_of_the_other_side_are_told(folder: Path) -> None:
    """Held against itself mirrored twice: its own low on its own low leaves nothing; a spot there is told of."""
    again = check_job(job(folder, "this"), against=against_result(held(folder), panel="known panel"))
    assert again.spots == ()
    assert again.verdict == "ready", again.reasons
    assert "an earlier pass" in again.height.form_name


def test_where_the_other_side_was_not_seen_nothing_is_said(folder: Path) -> None:
    from dataclasses import replace

    other = checked(folder, "other")
    part = other.height.height_mm.copy()
    part[:, other.height.grid.x_mm > 60] = np.nan  # this panel's x < -60
    height = replace(other.height, height_mm=part)
    result = check_job(
        job(folder, "this"), against=against_result(replace(other, height=height), mirrored=True)
    )
    grid = result.height.grid
    assert np.isnan(result.height.height_mm[:, grid.x_mm < -64]).all()
    assert np.isnan(result.height.sigma_mm[:, grid.x_mm < -64]).all()
    inside = grid.shape[0] // 2, int(np.argmin(np.abs(grid.x_mm + 150)))
    assert result.height.flags[inside] & bit("unmatched")
    assert result.coverage < 0.75
    nothing = replace(other.height, height_mm=np.full_like(part, np.nan))
    with pytest.raises(NotMeasuredError, match="held against"):
        check_job(job(folder, "this"), against=against_result(replace(other, height=nothing), mirrored=True))


def test_the_command_takes_a_folder(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from surfscan.report.export import write_result

    other = tmp_path / "other"
    other.mkdir()
    write_result(other, checked(folder, "other"))
    order = ["check", str(job(folder, "this")), "--out", str(tmp_path / "out"), "--quiet"]
    assert main([*order, "--against", str(other), "--mirrored"]) == 10
    assert "v low" in capsys.readouterr().out
    assert main([*order, "--mirrored"]) == 2
    assert "--against" in capsys.readouterr().err
    assert main([*order, "--against", str(tmp_path / "nothing")]) == 3


def test_a_job_without_a_scale_is_refused(folder: Path) -> None:
    sheet = load_sheet(job(folder, "this"))
    without = sheet.model_copy(update={"tags": None})
    with pytest.raises(RefusedError, match="it has no scale"):
        check_job(without, against=against_result(checked(folder, "other"), mirrored=True))


def test_the_swell_is_not_of_low_order() -> None:
    """Else the test above would show nothing: what a fourth-order surface leaves of it."""
    x, y = np.meshgrid(np.linspace(-220, 220, 89), np.linspace(-150, 150, 61))
    terms = np.stack([x**i * y**j / 200.0 ** (i + j) for i in range(5) for j in range(5 - i)], -1).reshape(
        -1, 15
    )
    z = SWELL.height(x, y).ravel()
    left = z - terms @ np.linalg.lstsq(terms, z, rcond=None)[0]
    assert np.ptp(left) > 0.2
