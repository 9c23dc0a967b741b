"""The null test: a distorting lens and a bent board that the sheet does not know, by the project's own renderer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reading.glass_photos import bad_scene, with_reference, write_reference_job

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import RefusedError
from surfscan.core.flags import bit
from surfscan.core.reading import Reading
from surfscan.core.records import CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.optics.field import make_grid
from surfscan.optics.mirror import BEND_POWERS, hit_board
from surfscan.reading.reference import Null, take_off
from surfscan.synth.panels import Shape
from surfscan.synth.scene import board_facing


def form_error_um(result: CheckResult, surface: Shape) -> float:
    """Rms of the whole height against the truth, a plane taken off (the tags' plane is only good to the pose)."""
    x, y = np.meshgrid(result.height.grid.x_mm, result.height.grid.y_mm)
    off = result.height.height_mm + result.height.form_mm - surface.height(x, y)
    good = np.isfinite(off)
    plane = np.column_stack([np.ones(good.sum()), x[good], y[good]])
    rest = off[good] - plane @ np.linalg.lstsq(plane, off[good], rcond=None)[0]
    return float(1e3 * np.sqrt(np.mean(rest**2)))


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_reference_job(bad_scene(), tmp_path_factory.mktemp("glass"))


@pytest.fixture(scope="module")
def without(job: Path) -> CheckResult:
    return check_job(job)


@pytest.fixture(scope="module")
def result(job: Path, without: CheckResult, tmp_path_factory: pytest.TempPathFactory) -> CheckResult:
    return check_job(named(job, tmp_path_factory.mktemp("named"), with_reference(job)))


def named(job: Path, folder: Path, text: str) -> Path:
    for file in job.iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    (folder / "panel.toml").write_text(text, encoding="utf-8")
    return folder


def test_the_residual_form_shrinks_tenfold(without: CheckResult, result: CheckResult) -> None:
    surface = bad_scene().panel.total
    before, after = form_error_um(without, surface), form_error_um(result, surface)
    assert before > 8.0  # the scene is bad enough to be worth it
    assert after < before / 10  # the demand, hand-held
    # What was put in was found, as far as the two can be told apart: k1 -0.1, and edges 8 mm back.
    found = result.details["reference"]
    assert found["lens"]["k1_change"] == pytest.approx(-0.1, abs=0.01)
    assert found["board_bulge_mm"][0] == pytest.approx(-8.0, abs=1.5)
    assert found["map_after_mrad"] < 0.1 * found["map_before_mrad"]


def test_spots_are_not_harmed_and_the_budget_shrinks(without: CheckResult, result: CheckResult) -> None:
    peaks = {s.kind: s.peak_mm for s in result.spots}
    # As without reference (2 % is the fixtures' own spread)
    assert peaks == {"low": pytest.approx(-0.15, abs=0.003), "high": pytest.approx(0.10, abs=0.003)}

    def terms(r: CheckResult) -> dict[str, float]:
        rows = next(s for s in r.details["uncertainty"]["spots"] if s["spot"] == 1)["terms"]
        return {t["source"]: t["u_mm"] for t in rows}

    plain, null = terms(without), terms(result)
    # Without a reference the form holds what the board bends, and its uncertainty with it.
    parts = ("board place", "board angle", "fair form")
    board = [np.sqrt(sum(t[part] ** 2 for part in parts)) for t in (plain, null)]
    assert board[1] < board[0]
    assert null["noise of the reference photos"] > 0
    assert "tag corners in the reference photos" in null


def test_what_the_glass_does_not_cover_is_not_measured() -> None:
    """Closed form: a rest that is a parabola of slopes comes off as its integral; past the glass there is nothing."""
    grid = make_grid((200.0, 120.0), 2.0)
    x, _ = np.meshgrid(grid.x_mm, grid.y_mm)
    covered = x < 40
    rest_p = np.where(covered, 1e-5 * x, np.nan)  # of z = 0.5e-5 x^2
    null = Null(
        board=board_facing(900, 54, size_mm=(1300, 1100), period_mm=26),
        lens=(0.0,) * 5,
        tag_shift_mm={},
        thickness_mm=4.0,
        grid=grid,
        rest_p=rest_p,
        rest_q=0 * rest_p,
        noise_mm=1e-4,
        before_mrad=1.0,
        after_mrad=0.1,
        views=(None, None),  # type: ignore[arg-type]
        fits=(None, None),  # type: ignore[arg-type]
    )
    bent = 0.5e-5 * x**2
    reading = Reading(
        grid,
        bent,
        1e-5 * x,
        0 * x,
        0.0,
        0.0,
        np.zeros(x.shape, np.int32),
        0.0,
        np.ones(2),
        np.full(2, 12.0),
        1,
        (),
    )
    found = take_off(reading, null)
    assert not np.isfinite(found.height_mm[~covered]).any()
    assert (found.flags[~covered] == bit("no_reference")).all()
    assert (found.flags[covered] == 0).all()
    inner = x < 30  # at the glass's rim the slopes are carried on over the gap, a cell's width blurred
    left = found.height_mm[inner] - found.height_mm[inner].mean()
    assert np.abs(left).max() < 0.02 * np.ptp(bent[inner])
    np.testing.assert_allclose(found.p[covered], 0, atol=1e-9)


def test_refusals(job: Path, tmp_path: Path) -> None:
    text = with_reference(job)
    cases = [
        (text.replace('reference = "glass-up.jpg"\n', ""), r"photo\[2\].reference is missing"),
        (text.replace("[reference]\nthickness_mm = 4.0\n", ""), r"reference.thickness_mm is missing"),
        (
            text.replace('reference = "glass-up.jpg"', 'reference = "glass-across.jpg"'),
            r"photo\[2\].reference names a file twice",
        ),
        (
            text.replace('reference = "glass-up.jpg"\n', "").replace('reference = "glass-across.jpg"\n', ""),
            r"reference is given without photos of it",
        ),
        (text.replace("glass-up.jpg", "gone.jpg"), r"photo\[2\].reference names a photo that is not there"),
    ]
    for k, (sheet, message) in enumerate(cases):
        folder = tmp_path / str(k)
        folder.mkdir()
        with pytest.raises(RefusedError, match=message):
            load_sheet(named(job, folder, sheet))


def test_hits_on_a_bent_board_lie_on_their_rays_and_on_the_board() -> None:
    """Law of reflection written out: the hit's point is on the mirrored ray, at the height of the bulge."""
    rng = np.random.default_rng(0)
    flat = board_facing(900, 54, size_mm=(1300, 1100), period_mm=26)
    board = replace(flat, bend_mm=tuple(rng.normal(0, 5, len(BEND_POWERS))))
    eye = np.array([20.0, -600.0, 800.0])
    x, y = rng.uniform(-200, 200, (2, 20))
    p, q = rng.normal(0, 0.03, (2, 20))
    hit = hit_board(x, y, np.zeros(20), p, q, camera_mm=eye, board=board)
    u, v = 2 * hit.across_mm / 1300, 2 * hit.up_mm / 1100
    bulge = sum(c * u**i * v**j for (i, j), c in zip(BEND_POWERS, board.bend_mm, strict=True))
    for k in range(20):
        point = np.array([x[k], y[k], 0.0])
        normal = np.array([-p[k], -q[k], 1.0]) / np.sqrt(1 + p[k] ** 2 + q[k] ** 2)
        toward = (eye - point) / np.linalg.norm(eye - point)
        out = 2 * (toward @ normal) * normal - toward
        there = (
            board.centre_mm
            + hit.across_mm[k] * board.across
            + hit.up_mm[k] * board.up
            + bulge[k] * board.normal
        )
        assert np.linalg.norm(np.cross(out, there - point)) < 1e-5
    step = 1e-5
    more = hit_board(x, y, np.zeros(20), p + step, q, camera_mm=eye, board=board)
    # first order in the bulge's own slope: 2 % of it, squared
    np.testing.assert_allclose((more.up_mm - hit.up_mm) / step, hit.d_up[0], rtol=0.01, atol=2.0)
