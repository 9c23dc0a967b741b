"""Two photos of stripes to a verdict, on photos of the project's own ray caster: what the fixtures do not hold.

The spots are closed forms (a compact dish is depth * (1 - rho^2)^2), so the true peaks are known exactly.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from reading.own_photos import (
    FOCAL,
    PIXELS,
    SIZE,
    SPOTS,
    edit,
    stripes_scene,
    take,
    take_with_turned_tags,
    turned_board,
)

from surfscan.checking.pipeline import check_job
from surfscan.core.flags import bit
from surfscan.core.records import Camera, CheckResult
from surfscan.optics.lens import project
from surfscan.synth.panels import Crown, Dish


def held_to_truth(result: CheckResult, *, share: float = 0.02) -> None:
    """Both spots found where they are, none invented, peaks within max(2 um, 2 %), and their intervals hold them."""
    assert result.verdict == "rework"
    assert [spot.kind for spot in result.spots] == ["low", "high"]
    for spot, made in zip(result.spots, SPOTS, strict=True):
        assert np.hypot(spot.x_mm - made.x_mm, spot.y_mm - made.y_mm) < 1.5  # the map's cells are 2 mm
        true = made.peak_mm
        assert abs(spot.peak_mm - true) <= max(0.002, share * abs(true))
        assert abs(spot.peak_mm - true) <= spot.u95_mm
    assert result.coverage >= 0.92


def test_a_lens_that_bends(tmp_path: Path) -> None:
    camera = Camera(FOCAL, (264.0, 190.0), (-0.15, 0.05, 1e-3, -5e-4, 0.0))
    held_to_truth(check_job(take(stripes_scene(camera=camera), tmp_path / "job")))


def test_a_board_turned_about_its_normal(tmp_path: Path) -> None:
    """By 90 degrees in the next test."""
    held_to_truth(check_job(take(turned_board(stripes_scene(), 30), tmp_path / "job")))


def test_a_deep_low_under_a_board_on_its_side(tmp_path: Path) -> None:
    """Hollow to 86 % of the fold-over: one stripe fills it, and the slope must come from the photo that tells it."""
    scene = turned_board(stripes_scene(shape=Dish(-60, 20, -0.35, 90), fine=True), 90)
    (spot,) = check_job(take(scene, tmp_path / "job")).spots
    assert abs(spot.peak_mm + 0.35) <= spot.u95_mm
    assert abs(spot.peak_mm + 0.35) <= max(0.010, 0.02 * 0.35)


@pytest.mark.parametrize("encoding", ["srgb", "linear"])
def test_sixteen_bit_photos(tmp_path: Path, encoding: str) -> None:
    scene = stripes_scene()
    shots = tuple(replace(shot, file=shot.file.replace(".jpg", ".png")) for shot in scene.all_shots())
    result = check_job(take(replace(scene, shots=shots), tmp_path / "job", bits=16, encoding=encoding))
    held_to_truth(result)


def test_panel_corners_instead_of_tags_on_a_crown(tmp_path: Path) -> None:
    form = Crown(2500.0, zero_at_mm=(SIZE[0] / 2, SIZE[1] / 2))  # its corners are in the plane z = 0
    scene = replace(stripes_scene(form=form), tags=None)
    corners = 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * SIZE
    seen = np.stack(project(*corners.T, 0.0, camera=scene.camera, pose=scene.poses[0]), -1)
    # clicked to half a pixel
    rows = f"corners_px = {(np.rint(seen * 2) / 2).tolist()}\nvaries = "
    folder = edit(take(scene, tmp_path / "job"), ("varies = ", rows))
    text = (folder / "panel.toml").read_text(encoding="utf-8")
    assert text.count("corners_px") == 1
    first, last = text.rsplit("varies = ", 1)
    (folder / "panel.toml").write_text(first + rows + last, encoding="utf-8")
    result = check_job(folder)
    held_to_truth(result)
    assert result.photos[0]["tags_seen"] == []


def test_focal_length_from_exif_is_trusted_less(tmp_path: Path) -> None:
    """CIPA DC-008 tag 41989, a 35 mm equivalent in whole millimetres: here 0.5 % off."""
    folder = take(stripes_scene(), tmp_path / "job")
    sure = check_job(folder)
    for path in folder.glob("*.jpg"):
        picture = Image.open(path)
        exif = Image.Exif()
        exif.get_ifd(0x8769)[41989] = round(FOCAL * np.hypot(36, 24) / np.hypot(*PIXELS))
        picture.save(path, quality=95, exif=exif)
    edit(folder, (f"focal_px = {FOCAL!r}\n", ""))
    unsure = check_job(folder)
    held_to_truth(unsure)

    # 3 % against 0.2 %. What that bends the map by is a part of the fair form, which widens with it.
    for wide, narrow in zip(unsure.spots, sure.spots, strict=True):
        assert wide.u95_mm > narrow.u95_mm


def test_polygon_and_left_out_places_are_kept_to(tmp_path: Path) -> None:
    folder = edit(
        take(stripes_scene(), tmp_path / "job"),
        (
            "[tags]",
            "region_mm = [[-200, -140], [230, -160], [200, 150], [-220, 120]]\n"
            "leave_out_mm = [[[50, -90], [150, -90], [150, 10], [50, 10]]]\n\n[tags]",
        ),
    )
    result = check_job(folder)
    assert [spot.kind for spot in result.spots] == ["low"]  # the high is left out
    assert result.spots[0].peak_mm == pytest.approx(-0.15, abs=0.003)
    grid, flags = result.height.grid, result.height.flags
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    inside = (abs(x - 100) < 48) & (abs(y + 40) < 48)
    assert (flags[inside] & bit("left_out")).all()
    assert (flags[(x > 235)] & bit("outside")).all()
    assert np.isnan(result.height.height_mm[flags & (bit("left_out") | bit("outside")) != 0]).all()


@pytest.mark.parametrize("turn", [30.0, -100.0])
def test_tags_laid_askew(tmp_path: Path, turn: float) -> None:
    folder = take_with_turned_tags(stripes_scene(), tmp_path / "job", turn)
    result = check_job(folder)
    held_to_truth(result)
    # Hidden: the turned paper of 36 mm and a sixth on each side, and 1.5 mm more; not the square around it.
    grid, hidden = result.height.grid, result.height.flags & bit("tag") != 0
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)

    def paper(half: float) -> np.ndarray:
        out, t = np.zeros(x.shape, bool), np.radians(turn)
        for cx, cy in ((-223, -153), (223, -153), (223, 153), (-223, 153)):
            u, v = np.cos(t) * (x - cx) + np.sin(t) * (y - cy), np.cos(t) * (y - cy) - np.sin(t) * (x - cx)
            out |= (np.abs(u) < half) & (np.abs(v) < half)
        return out

    half = 36 * (0.5 + 1 / 6) + 1.5
    assert hidden[paper(half - 0.1)].all()
    assert not hidden[~paper(half + 1.5 * grid.step_mm)].any()  # a cell is hidden when any part of it is
    # A corner of the panel that the paper cuts off has a height of its own: too small to say anything about.
    island = result.height.flags & bit("island") != 0
    assert island.any() == (turn == 30.0)
    assert np.isnan(result.height.height_mm[island]).all()
