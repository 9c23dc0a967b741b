"""Lamp series to height: the independently rendered fixture, and photos of known panels."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from surfscan.checking.stations import level_places, stand
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.reading import Context, View
from surfscan.core.records import Camera, Grid, Photo, Pose
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.optics.field import make_grid
from surfscan.reading import lamp
from surfscan.reading.fixed_camera import common_pose
from surfscan.reading.lamp import read_lamp
from surfscan.reading.lamp_thin import thicken, thin
from surfscan.shading.lamp import Lamps
from surfscan.synth.camera_noise import add_noise, encode_srgb, quantise
from surfscan.synth.panels import Dish, Flat, Panel, Ridge, Sum
from surfscan.synth.render import render, render_shots
from surfscan.synth.scene import Exposure, Lighting, Scene, Stain, corner_tags, look_at

JOB = Path(__file__).parents[2] / "fixtures" / "jobs" / "lamp"
SIZE = (420.0, 300.0)
LEVEL = np.array([[-183.0, -123], [183, -123], [183, 123], [-183, 123]])
POSE = look_at((30, -120, 950), (0, 0, 0))
PIXELS = (560, 420)
CAMERA = Camera(1050.0, (279.5, 209.5))


def tag_region(grid: Grid, centres: np.ndarray, half: float) -> np.ndarray:
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    under = np.zeros(x.shape, bool)
    for cx, cy in centres:
        under |= (np.abs(x - cx) < half) & (np.abs(y - cy) < half)
    return np.where(under, bit("tag"), 0).astype(np.int32)


def level(height: np.ndarray, grid: Grid, order: int = 2) -> np.ndarray:
    """Take off what belongs to the form: the best quadratic over cells away from all that was made."""
    x, y = np.meshgrid(grid.x_mm / 300, grid.y_mm / 300)
    terms = np.stack([x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)], -1)
    good = np.isfinite(height)
    fit = terms[good]
    weight = np.ones(len(fit))
    for _ in range(12):
        c = np.linalg.lstsq(fit * weight[:, None], height[good] * weight, rcond=None)[0]
        miss = height[good] - fit @ c
        weight = 1 / np.hypot(1, miss / (2 * 1.4826 * np.median(np.abs(miss)) + 1e-9))
    return height - terms @ c


def known(
    dishes,
    lamps,
    *,
    gains=None,
    room=0.4,
    patches=(),
    seed=1,
    ambient=False,
    tags=True,
    haze=0.0,
    haze_exposed=False,
):  # type: ignore[no-untyped-def]
    """Photos of a known panel, in memory: (views, lamps, deviation function, ambient view)."""
    shots = tuple(Exposure(f"lamp-{k}.jpg", POSE, "lamp", lamp_mm=tuple(at)) for k, at in enumerate(lamps))
    panel = Panel(SIZE, Flat(), Sum(tuple(dishes)))
    scene = Scene(
        panel, CAMERA, None, corner_tags(SIZE) if tags else None, shots=shots, image_size_px=PIXELS,
        light=Lighting(room=room, lamp_power_mm2=4e5), albedo=0.45, patches=tuple(patches), supersampling=2,
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    gains = np.ones(len(shots)) if gains is None else np.asarray(gains)

    def take(file: str, linear: np.ndarray) -> View:
        code = quantise(encode_srgb(add_noise(linear, rng=rng, full_well_e=5000.0, read_e=4.0)), 8) / 255.0
        light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
        photo = Photo(file, "", light.astype(np.float32), code >= 1)
        return View(photo, CAMERA, POSE, "")

    views = [
        take(s.file, g * seen + haze * (g if haze_exposed else 1.0))
        for g, s, seen in zip(gains, shots, render_shots(scene, shots), strict=True)
    ]
    out = None
    if ambient:
        dim = replace(scene, light=replace(scene.light, lamp_power_mm2=1e-9))
        out = take("lamp-out.jpg", render(dim, shots[0]))
    return views, Lamps(np.array(lamps, float)), panel.deviation.height, out


def ring(count: int, radius: float = 620.0, height: float = 300.0, start: float = 0.3) -> np.ndarray:
    turn = start + 2 * np.pi * np.arange(count) / count
    return np.round(np.stack([radius * np.cos(turn), radius * np.sin(turn), np.full(count, height)], -1), 1)


def cropped(photo: Photo) -> Photo:
    return replace(photo, image=photo.image[:350], saturated=photo.saturated[:350])


def read(views, lamps, step=3.0, **kw):  # type: ignore[no-untyped-def]
    grid = make_grid(SIZE, step)
    return read_lamp(Context(tuple(views), grid, tag_region(grid, LEVEL, 25.5), LEVEL), lamps, **kw)


def allowed(peak: float) -> float:
    """What a lamp reading must reach, mm."""
    return max(0.040, 0.06 * abs(peak))


def test_the_rendered_fixture_is_read() -> None:
    """Photos by an independent renderer, shapes in closed form: peaks within 40 um or 6 %, and no others."""
    sheet = load_sheet(JOB)
    photos = [read_photo(JOB / row.file, row.file, encoding=row.encoding) for row in sheet.photos]
    stations = [stand(sheet, photo, row) for photo, row in zip(photos, sheet.photos, strict=True)]
    grid = make_grid(sheet.panel.extent_mm, 3.0)
    assert sheet.tags is not None
    region = tag_region(grid, np.array(list(sheet.tags.centres_mm.values())), 25.5)
    views = tuple(View(s.photo, s.camera, s.fit.pose, "") for s in stations)
    lamps = Lamps(np.array([row.lamp_mm for row in sheet.photos], float))
    got = read_lamp(Context(views, grid, region, level_places(sheet)), lamps)
    truth = np.load(JOB / "truth.npz")
    field = RegularGridInterpolator((truth["y_mm"], truth["x_mm"]), truth["deviation_mm"].astype(float))
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    want = field((y, x))
    have = level(got.reading.height_mm, grid)
    made = json.loads((JOB / "truth.json").read_text())["spots"]
    assert len(made) == 3
    for spot in made:
        near = np.hypot(x - spot["x_mm"], y - spot["y_mm"]) < 12
        sign = -1 if spot["kind"] == "low" else 1
        peak = sign * np.max(sign * want[near])
        assert sign * np.nanmax(sign * have[near]) == pytest.approx(peak, abs=allowed(peak))
    good = np.isfinite(have)
    # Nothing invented, the patch's edge and the tags included: the limit for a spot is 150 um.
    assert np.abs((have - want)[good]).max() < 0.04
    assert good.mean() > 0.9
    # Mitsuba's patches are 0.42 and 0.60; the ratio is what a camera of unknown exposure can tell.
    patch, base = np.nanmedian(got.albedo[np.hypot(x + 110, y - 30) < 90]), np.nanmedian(got.albedo[x > 200])
    assert patch / base == pytest.approx(0.60 / 0.42, rel=0.01)
    # The renderer's even light: radiance 0.008 on all sides lights a white paper like 0.008, the lamp like 0.9.
    assert got.setting.room == pytest.approx(0.008 / 0.9, rel=0.15)
    np.testing.assert_allclose(got.setting.brightness, 1, atol=0.005)


def test_unequal_exposures_and_a_patch_cost_no_depth() -> None:
    gains = (0.9, 1.2, 1.1, 0.8, 1.15, 0.7)
    dishes = [Dish(-40, 10, -1.2, 140), Dish(120, -60, 0.4, 90)]
    views, lamps, height, _ = known(
        dishes, ring(6), gains=gains, patches=[Stain(-40, 10, 200, 170, 0.75)], seed=2
    )
    got = read(views, lamps)
    x, y = np.meshgrid(got.reading.grid.x_mm, got.reading.grid.y_mm)
    have = level(got.reading.height_mm, got.reading.grid)
    for dish in dishes:
        near = np.hypot(x - dish.x_mm, y - dish.y_mm) < 8
        assert np.nanmean(have[near]) == pytest.approx(np.mean(height(x, y)[near]), abs=allowed(dish.peak_mm))
    np.testing.assert_allclose(got.setting.brightness, np.array(gains) / np.mean(gains), atol=0.01)
    assert got.setting.exposed
    assert got.setting.room == pytest.approx(0.4 * 0.02 / 0.4, abs=0.004)
    assert 0 < got.reading.noise_mm < 0.02
    assert got.reading.gain_mm.size == 0
    assert len(got.reading.quality) == 6
    assert got.reading.quality[0].lit.any()


@pytest.mark.parametrize("veiled", [True, False], ids=["veil", "black level"])
def test_stray_light_is_told_from_room_light(veiled: bool) -> None:
    """An even haze over the picture, in the lens (the exposure scales it) or added by the camera (it does not)."""
    gains = (0.9, 1.2, 1.1, 0.8, 1.15, 0.7)
    views, lamps, height, _ = known(
        [Dish(-40, 10, -1.2, 140)], ring(6), gains=gains, room=0.0, seed=12,
        patches=[Stain(-40, 10, 200, 170, 0.75)], haze=0.004, haze_exposed=veiled,
    )  # fmt: skip
    got = read(views, lamps)
    x, y = np.meshgrid(got.reading.grid.x_mm, got.reading.grid.y_mm)
    near = np.hypot(x + 40, y - 10) < 8
    have = level(got.reading.height_mm, got.reading.grid)
    assert np.nanmean(have[near]) == pytest.approx(np.mean(height(x, y)[near]), abs=allowed(1.2))
    assert got.setting.veiled == veiled
    assert got.setting.room < 0.001
    assert got.setting.black == pytest.approx(0.004, abs=0.001)


def test_a_photo_with_the_lamp_out_does_the_same_for_bright_rooms() -> None:
    views, lamps, height, out = known(
        [Dish(0, 0, -2.0, 150)], ring(4, start=0.7), room=6.0, ambient=True, seed=3
    )
    assert out is not None
    got = read(views, lamps, ambient=out)
    grid = got.reading.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    have = level(got.reading.height_mm, grid)
    near = np.hypot(x, y) < 8
    assert np.nanmean(have[near]) == pytest.approx(np.mean(height(x, y)[near]), abs=allowed(2.0))
    assert got.setting.room == 0


def test_three_photos_are_enough_and_say_how_unsure() -> None:
    views, lamps, height, _ = known([Dish(0, 0, -1.0, 150)], ring(3, start=0.5), room=0.1, seed=4)
    got = read(views, lamps)
    grid = got.reading.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    have = level(got.reading.height_mm, grid)
    near = np.hypot(x, y) < 8
    # Room light can't be told from three photos: twice the stated share.
    assert got.scale_rel >= 0.05
    assert np.nanmean(have[near]) == pytest.approx(np.mean(height(x, y)[near]), rel=2 * got.scale_rel)


def test_a_shadow_over_one_photo_makes_no_spot() -> None:
    views, lamps, _, _ = known([], ring(6), seed=5)
    image = views[2].photo.image.copy()
    image[196:231, 252:301] *= 0.15  # someone's arm
    spoiled = replace(views[2], photo=replace(views[2].photo, image=image))
    got = read([*views[:2], spoiled, *views[3:]], lamps)
    have = level(got.reading.height_mm, got.reading.grid)
    assert np.nanmax(np.abs(have)) < 0.04  # the arm's edge alone would be a step of 20 mrad
    assert not got.reading.quality[2].lit[47:53, 63:70].all()


def test_own_shadow_of_a_steep_ridge_is_flagged_when_too_few_lamps_are_left() -> None:
    """Four lamps, low, and a steep ridge: its flanks see fewer than three."""
    views, lamps, _, _ = known([Ridge(0, 0, 14.0, 40.0, 90.0)], ring(4, 600, 150, 0.1), seed=6)
    got = read(views, lamps)
    flags = got.reading.flags
    hidden = (flags & (bit("shadow") | bit("inconsistent"))) != 0
    assert hidden.any()
    assert np.isnan(got.reading.height_mm[hidden]).all()


def test_turning_the_lamps_with_the_photos_changes_nothing() -> None:
    views, lamps, _, _ = known([Dish(20, -10, -0.8, 120)], ring(5), seed=7)
    got = read(views, lamps).reading.height_mm
    order = [3, 0, 4, 1, 2]
    other = read([views[k] for k in order], Lamps(lamps.places_mm[order])).reading.height_mm
    np.testing.assert_allclose(other, got, atol=2e-5, equal_nan=True)  # what the solver's tolerance leaves


def test_a_low_is_low_and_on_its_own_side() -> None:
    views, lamps, _, _ = known([Dish(90, 50, -0.8, 100)], ring(6), seed=8)
    grid = make_grid(SIZE, 3.0)
    have = level(read(views, lamps).reading.height_mm, grid)
    row, column = np.unravel_index(np.nanargmin(have), have.shape)
    assert grid.x_mm[column] == pytest.approx(90, abs=6)
    assert grid.y_mm[row] == pytest.approx(50, abs=6)
    assert have[row, column] == pytest.approx(-0.8, abs=0.05)


def moved(pose: Pose, shift: tuple[float, float, float]) -> Pose:
    return replace(pose, shift_mm=pose.shift_mm + np.array(shift))


def test_a_moved_camera_is_named() -> None:
    views, lamps, _, _ = known([], ring(4), seed=9)
    views[2] = replace(views[2], pose=moved(POSE, (3.0, 0.0, 0.0)))  # 3.3 px
    with pytest.raises(RefusedError, match=r"lamp-2\.jpg: the camera or the panel moved"):
        read(views, lamps)
    # A tenth of that is what tags leave, and the poses are averaged.
    views[2] = replace(views[2], pose=moved(POSE, (0.4, 0.0, 0.0)))
    pose = common_pose(views, size_mm=SIZE)
    np.testing.assert_allclose(pose.shift_mm - POSE.shift_mm, [0.1, 0, 0], atol=1e-9)
    np.testing.assert_allclose(pose.rotation, POSE.rotation, atol=1e-12)


def test_refusals_say_why() -> None:
    views, lamps, _, _ = known([], ring(3), seed=10, tags=False)
    with pytest.raises(RefusedError, match="too few lamp photos"):
        read(views[:2], Lamps(lamps.places_mm[:2]))
    line = np.array([[-500.0, 0, 300], [500, 0, 300], [100, 0, 600]])
    with pytest.raises(RefusedError, match="one plane"):
        read(views, Lamps(line))
    with pytest.raises(ValueError, match="its lamp place"):
        read(views, Lamps(lamps.places_mm[:2]))
    smaller = replace(views[1], photo=cropped(views[1].photo))
    with pytest.raises(RefusedError, match="not of the same size"):
        read([views[0], smaller, views[2]], lamps)
    grid = make_grid(SIZE, 2.0)
    with pytest.raises(NotMeasuredError, match="too small"):
        read_lamp(Context(tuple(views), grid, np.ones(grid.shape, np.int32), LEVEL), lamps)


@pytest.mark.parametrize("step", [3.0, 3.3], ids=["even", "a row and a column over"])
def test_a_thinned_grid_lies_where_the_whole_one_does(step: float) -> None:
    grid = make_grid(SIZE, step)
    photo = Photo("a.jpg", "", np.zeros((4, 4), np.float32), np.zeros((4, 4), bool))
    view = View(photo, Camera(900.0, (1.5, 1.5)), look_at((0, 0, 900), (0, 0, 0)), "")
    region = tag_region(grid, LEVEL, 25.5)
    few = thin(Context((view,), grid, region, LEVEL))
    x, y = np.meshgrid(few.grid.x_mm, few.grid.y_mm)
    want = 1e-3 * grid.x_mm - 2e-3 * grid.y_mm[:, None] + 1e-5 * grid.x_mm * grid.y_mm[:, None]
    got = thicken(1e-3 * x - 2e-3 * y + 1e-5 * x * y, grid.shape)
    even = tuple(slice(0, n // 2 * 2) for n in grid.shape)
    np.testing.assert_allclose(got[even], want[even], atol=1e-12)  # rounding alone
    assert got.shape == grid.shape
    under = (region != 0)[even].reshape(*few.inside.shape[:1], 2, few.inside.shape[1], 2).any((1, 3))
    np.testing.assert_array_equal(few.inside, ~under)


def test_thinned_turns_lead_to_the_same_height(monkeypatch: pytest.MonkeyPatch) -> None:
    """On far fewer cells than it is done on, so that the light is told worse: within the noise even here."""
    views, lamps, _, _ = known([Dish(-40, 10, -1.2, 140)], ring(6), gains=(0.9, 1.2, 1.1, 0.8, 1.15, 0.7))
    whole = read(views, lamps)
    monkeypatch.setattr(lamp, "MANY_NUMBERS", 0)
    few = read(views, lamps)
    off = few.reading.height_mm - whole.reading.height_mm
    np.testing.assert_array_equal(np.isnan(off), np.isnan(whole.reading.height_mm))
    assert np.nanmax(np.abs(off)) < 1.5 * whole.reading.noise_mm
