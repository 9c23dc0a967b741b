"""Texture: bands of a made random surface, clean panels, and what its limit decides."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reading.own_photos import edit, stripes_scene, take

import surfscan
from surfscan.core.message import Verdict
from surfscan.faults.texture import OCTAVES_MM, _equations, _solve  # the estimator by itself, on exact tiles
from surfscan.faults.tiles import SIDE, Tile
from surfscan.judge.trade_table import words
from surfscan.report.words import gauge_lines
from surfscan.synth.panels import Texture

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
MADE = Texture(0.0004, (2.0, 32.0), seed=5, terms=60)


def made_mrad(short: float, long: float) -> float:
    """Root mean square slope of a sum of cosines: each has (amplitude x wave number)^2 / 2."""
    kx, ky, _ = MADE._waves
    number = np.hypot(kx, ky)
    inside = (2 * np.pi / number >= short) & (2 * np.pi / number < long)
    return float(1e3 * np.sqrt(np.sum((MADE._amplitude * number[inside]) ** 2 / 2)))


def test_the_estimator_gives_back_the_power_of_each_octave() -> None:
    """Gain that comes and goes with the stripes, noise of twice the signal's size: 10 % on the average of 16 tiles."""
    rng = np.random.default_rng(7)
    v, u = np.meshgrid(*[np.arange(SIDE) - SIDE / 2] * 2, indexing="ij")
    scale = np.array([[0.5, 0.05], [0.0, -0.6]])
    edges = [*OCTAVES_MM[1:], 64.0]
    fine = [edge * 2 ** (k / 3) for edge in edges[:-1] for k in range(3)] + edges[-1:]
    equations = []
    for n in range(16):
        x, y = (row[0] * u + row[1] * v + rng.uniform(-200, 200) for row in scale)
        slope = MADE.slopes(x, y)[n % 2]
        phase = 2 * np.pi * (x, y)[n % 2] / 16 + rng.uniform(0, 6)
        gain, bend = -np.sin(phase), -np.cos(phase)
        rest = gain * slope + 1e-3 * rng.normal(size=slope.shape)
        every = np.ones(slope.shape, bool)
        tile = Tile(rest, gain, bend, np.array([9.0, 0.0]), every, scale, np.eye(2)[n % 2])
        equations.append(_equations(tile, fine, 0.0))
    found = {band.from_mm: band for band in _solve(equations, edges)}
    for short in (4.0, 8.0):
        assert found[short].slope_rms_mrad == pytest.approx(made_mrad(short, 2 * short), rel=0.1)


def copied(job: Path, folder: Path) -> Path:
    folder.mkdir()
    for file in job.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())
    return folder


@pytest.fixture(scope="module")
def textured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scene = replace(stripes_scene(shape=MADE, fine=True), square=False, supersampling=1)
    return take(scene, tmp_path_factory.mktemp("textured"), quality=90)


def checked_with(job: Path, folder: Path, limit_mrad: float) -> surfscan.CheckResult:
    edit(copied(job, folder), ("low_mm = ", f"texture_mrad = {limit_mrad}\nlow_mm = "))
    return surfscan.check(folder)


def test_a_limit_in_the_sheet_decides_and_says_what_to_do(textured: Path, tmp_path: Path) -> None:
    result = checked_with(textured, tmp_path / "job", 0.02)  # and it is not refused as photos of two panels
    (first, *_) = result.details["texture"]["bands"]
    assert (first["from_mm"], first["to_mm"]) == (4.0, 8.0)
    assert first["slope_rms_mrad"] == pytest.approx(made_mrad(4, 8), rel=0.3)
    assert 0.25 < first["along_x"] < 0.75
    assert any(line.startswith("Texture, root mean square") for line in gauge_lines(result.details))
    assert result.verdict == Verdict.REWORK
    assert {"limit-texture-over", "limit-texture-work"} <= {one.code for one in result.findings}
    assert words("texture")[result.panel["stage"]] in result.reasons


def test_a_clean_panel_has_next_to_none(tmp_path: Path) -> None:
    """The independent renderer's panel is smooth; a fifth of the gloss limit of 0.29 mrad."""
    result = checked_with(JOBS / "clean-flat", tmp_path / "job", 0.29)
    bands = result.details["texture"]["bands"]
    assert bands
    assert all(band["slope_rms_mrad"] < 0.06 for band in bands)
    assert result.verdict == Verdict.READY


def test_a_light_that_tells_no_texture_says_so_where_the_sheet_asks(tmp_path: Path) -> None:
    result = checked_with(JOBS / "crossed", tmp_path / "job", 1.0)
    assert result.details["texture"]["bands"] == []
    assert "limit-texture-unknown" in [one.code for one in result.findings]
