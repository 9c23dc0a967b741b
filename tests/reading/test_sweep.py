"""One crossed photo, and sweeps of several, on panels of the project's own ray caster whose surface is known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from surfscan.checking.pipeline import check_job
from surfscan.core.records import Board, Camera, CheckResult
from surfscan.synth.camera_noise import add_noise, write_job, write_photo
from surfscan.synth.panels import Crown, Dish, Flat, Panel
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags, look_at

SIZE = (420.0, 300.0)
AIMS = ((-105, -70), (105, -75), (-110, 70), (100, 75), (0, 0))
LOWS = ((-90.0, -35.0, -0.11, 84.0), (95.0, 50.0, 0.10, 84.0))


def scene(aims: tuple[tuple[float, float], ...], board: Board, pattern: str = "crossed") -> Scene:
    """A crown of 2.5 m with a low and a high; each photo from where its place of the panel shows the board's middle."""
    shape: Any = Flat()
    for x, y, depth, width in LOWS:
        shape = shape + Dish(x, y, depth, width)
    form = Crown(2500.0, zero_at_mm=(SIZE[0] / 2 - 27, SIZE[1] / 2 - 27))
    shots = []
    for k, aim in enumerate(aims):
        p, q = (float(v) for v in form.slopes(*aim))
        normal = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
        place = np.array([*aim, 0.0])
        out = (board.centre_mm - place) / np.linalg.norm(board.centre_mm - place)
        eye = place + (2 * (out @ normal) * normal - out) * (940 + 10 * k)
        ways = ("across", "up") if pattern == "stripes" else ("across",)
        for way in ways:
            shots.append(
                Exposure(
                    f"photo-{k}-{way}.jpg", look_at(eye, (0, 0, 0), (0, 1, 0)), pattern=pattern, varies=way
                )
            )
    return Scene(
        panel=Panel(SIZE, form, shape),
        camera=Camera(1014.0, (259.5, 194.5)),
        image_size_px=(520, 390),
        board=board,
        tags=corner_tags(SIZE),
        shots=tuple(shots),
        supersampling=2,
    )


SMALL = board_facing(640.0, 60.0, size_mm=(600, 500), period_mm=20)
LARGE = board_facing(700.0, 57.0, size_mm=(1400, 1200), period_mm=26)


def job(made: Scene, seed: int) -> Path:
    folder = Path(mkdtemp()) / "job"
    return write_job(made, folder, rng=np.random.default_rng(seed))


def error_um(result: CheckResult, folder: Path) -> np.ndarray:
    """The map less the truth, um."""
    truth = np.load(folder / "truth.npz")
    field = RegularGridInterpolator((truth["y_mm"], truth["x_mm"]), truth["deviation_mm"].astype(float))
    grid = result.height.grid
    y, x = np.meshgrid(grid.y_mm, grid.x_mm, indexing="ij")
    return np.asarray(1e3 * (result.height.height_mm - field(np.stack([y, x], -1))))


def check_peaks(result: CheckResult, least_um: float, share: float) -> None:
    for x, y, depth, _ in LOWS:
        near = min(result.spots, key=lambda s: float(np.hypot(s.x_mm - x, s.y_mm - y)))
        off = abs(near.peak_mm - depth)
        assert off <= max(1e-3 * least_um, share * abs(depth))
        assert off <= 1.5 * near.u95_mm  # one in twenty may lie outside the interval itself


@cache
def swept() -> tuple[Path, CheckResult]:
    folder = job(scene(AIMS, SMALL), 5)
    return folder, check_job(folder)


def test_one_crossed_photo_gives_both_slopes() -> None:
    """Peaks as two photos of stripes give them: max(2 um, 2 %)."""
    folder = job(scene(((0.0, 0.0),), LARGE), 3)
    result = check_job(folder)
    assert result.coverage > 0.95
    check_peaks(result, 2.0, 0.02)
    assert np.nanstd(error_um(result, folder)) < 2.5


def test_a_small_board_sweeps_the_panel() -> None:
    """Aims of the project for a sweep: 97 % seen, peaks within max(3 um, 3 %), seam steps under 2 um."""
    folder, result = swept()
    assert result.coverage > 0.97
    check_peaks(result, 3.0, 0.03)
    off = error_um(result, folder)
    reach = round(5 / result.height.grid.step_mm)
    for step in (off[2 * reach :] - off[: -2 * reach], off[:, 2 * reach :] - off[:, : -2 * reach]):
        assert np.nanpercentile(np.abs(step), 99.9) < 2.0
    assert result.details["sweep"]["photos_used"] == len(AIMS)
    assert result.details["sweep"]["left_out"] == []


def test_part_of_the_panel_that_no_photo_lights_is_told() -> None:
    folder = swept()[0]
    few = Path(mkdtemp())
    for path in folder.iterdir():
        (few / path.name).write_bytes(path.read_bytes())
    head, *photos = (folder / "panel.toml").read_text().split("[[photo]]")
    photos[-1], limits = photos[-1].split("[limits]")
    kept = "".join("[[photo]]" + one for one in photos[:2])
    (few / "panel.toml").write_text(f"{head}{kept}\n[limits]{limits}")
    result = check_job(few)
    assert result.coverage < 0.8
    assert {one.code for one in result.findings} & {"seen-part", "seen-too-little"}


def test_photos_that_do_not_fit_are_named_and_left_out() -> None:
    """One without tags, one with the board 60 mm higher."""
    folder, good = swept()
    bad = Path(mkdtemp())
    for path in folder.iterdir():
        (bad / path.name).write_bytes(path.read_bytes())
    made = scene(AIMS, SMALL)
    turned = replace(SMALL, centre_mm=SMALL.centre_mm + np.array([0.0, 0.0, 60.0]))
    sheet = bad / "panel.toml"
    head, last = sheet.read_text().split("[limits]")
    sheet.write_text(f'{head}[[photo]]\nfile = "bare.jpg"\n\n[limits]{last}')
    middle = made.shots[4]
    for name, other in ((middle.file, replace(made, board=turned)), ("bare.jpg", replace(made, tags=None))):
        linear = add_noise(
            render(other, middle), rng=np.random.default_rng(1), full_well_e=5000.0, read_e=4.0
        )
        write_photo(bad / name, linear)
    result = check_job(bad)
    left = [one for one in result.findings if one.code == "photo-left-out"]
    assert {one.about for one in left} == {middle.file, "bare.jpg"}
    assert result.details["sweep"]["photos_used"] == len(AIMS) - 1
    assert result.coverage <= good.coverage + 0.005


def test_stripes_sweep_too() -> None:
    """Two stands, each with two photos; every place is lit by one of them at least."""
    folder = job(scene((AIMS[0], AIMS[3]), LARGE, "stripes"), 6)
    result = check_job(folder)
    assert result.coverage > 0.85
    assert np.nanstd(error_um(result, folder)) < 2.5
