"""Encoding, noise, files and job folders."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import cv2
import numpy as np
import pytest

from surfscan.core.records import Camera
from surfscan.synth.camera_noise import (
    add_noise,
    blur_by_motion,
    decode_srgb,
    encode_srgb,
    quantise,
    write_job,
    write_photo,
)
from surfscan.synth.panels import Crown, Dish, Panel
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags, look_at


def small_scene(**kw: object) -> Scene:
    size = (400.0, 300.0)
    settings: dict[str, object] = {
        "board": board_facing(800, 52, size_mm=(1500, 1200), period_mm=40),
        "tags": corner_tags(size),
        "poses": (look_at((0, -560, 720), (0, 0, 0)), look_at((60, -540, 740), (0, 0, 0))),
        "image_size_px": (800, 600),
        "supersampling": 2,
    }
    panel = Panel(
        size, Crown(2500.0, zero_at_mm=(173, 123)), Dish(30, 20, -0.2, 80) + Dish(-90, 0, 0.1, 60, 50)
    )
    return Scene(panel, Camera(1100.0, (399.5, 299.5)), **{**settings, **kw})  # type: ignore[arg-type]


def test_srgb_values_and_round_trip() -> None:
    """IEC 61966-2-1: linear 0.0031308 is 0.04045, mid grey 0.5 in code is 0.21404 in light."""
    assert encode_srgb(0.0031308) == pytest.approx(0.04045, abs=1e-6)  # as many digits as the standard gives
    assert decode_srgb(0.5) == pytest.approx(0.21404, abs=5e-6)
    light = np.linspace(0, 1, 1001)
    # the standard's two branches meet only to 3e-8
    assert np.allclose(decode_srgb(encode_srgb(light)), light, rtol=0, atol=1e-7)
    assert encode_srgb([-0.5, 1.7]).tolist() == [0.0, pytest.approx(1.0)]


def test_noise_has_the_size_of_its_photons() -> None:
    """Poisson: the variance in electrons is the mean; read noise adds its square."""
    rng = np.random.default_rng(8)
    for level in (0.05, 0.3, 0.8):
        seen = add_noise(np.full((400, 400), level, np.float32), rng=rng, full_well_e=4000, read_e=6)
        # 160,000 pixels: the standard deviation is known to 1/sqrt(320,000) = 0.2 %, its mean to 0.003 sigma
        assert seen.std() * 4000 == pytest.approx(np.sqrt(4000 * level + 36), rel=0.01)
        assert seen.mean() == pytest.approx(level, rel=0.001)


def test_noise_saturates_and_repeats() -> None:
    bright = np.full((20, 20), 1.6, np.float32)
    assert (add_noise(bright, rng=np.random.default_rng(1)) == 1).all()
    grey = bright * 0.25
    first, again = (add_noise(grey, rng=np.random.default_rng(1)) for _ in range(2))
    assert np.array_equal(first, again)
    assert (bright == np.float32(1.6)).all()


@pytest.mark.parametrize(("angle", "axis"), [(0.0, 1), (90.0, 0)])
def test_motion_smears_along_its_direction(angle: float, axis: int) -> None:
    point = np.zeros((41, 41), np.float32)
    point[20, 20] = 1
    smear = blur_by_motion(point, 12.0, angle)
    assert smear.sum() == pytest.approx(1.0, rel=1e-5)
    places = np.arange(41) - 20
    spread = (smear.sum(1 - axis) * places**2).sum()
    # a line of length L has the variance L^2/12 = 12, and linear interpolation adds up to 1/4
    assert spread == pytest.approx(12.0, abs=0.5)
    assert (smear.sum(axis) * places**2).sum() < 0.3


def test_grey_levels() -> None:
    assert quantise([0, 0.5, 1, 2]).tolist() == [0, 128, 255, 255]
    assert quantise(0.5, 16).dtype == np.uint16
    with pytest.raises(ValueError, match="8 or 16"):
        quantise(0.5, 12)


def test_photo_files(tmp_path: Path) -> None:
    ramp = np.tile(np.linspace(0, 1, 256, dtype=np.float32), (64, 1))
    write_photo(tmp_path / "a.png", ramp, bits=16)
    deep = cv2.imread(str(tmp_path / "a.png"), cv2.IMREAD_UNCHANGED)
    assert deep.dtype == np.uint16
    # 16 bits: half a step, where sRGB is steepest against light (a factor 2.3 at white)
    assert np.abs(decode_srgb(deep[..., 0] / 65535) - ramp).max() < 1.2 / 65535
    write_photo(tmp_path / "a.tif", ramp, encoding="linear", bits=16)
    assert np.array_equal(
        cv2.imread(str(tmp_path / "a.tif"), cv2.IMREAD_UNCHANGED)[..., 1], quantise(ramp, 16)
    )
    write_photo(tmp_path / "a.jpg", ramp)
    # a smooth ramp: JPEG at quality 95 stays within 2 of 255 levels
    seen = cv2.imread(str(tmp_path / "a.jpg"), cv2.IMREAD_GRAYSCALE).astype(float)
    assert np.abs(seen - 255 * encode_srgb(ramp)).max() < 2.5
    with pytest.raises(ValueError, match="8 bits"):
        write_photo(tmp_path / "a.jpg", ramp, bits=16)
    with pytest.raises(ValueError, match="encoding"):
        write_photo(tmp_path / "a.png", ramp, encoding="gamma")


def test_job_folder_is_whole(tmp_path: Path) -> None:
    scene = small_scene(name="test panel", stage="filler")
    write_job(scene, tmp_path / "job", rng=np.random.default_rng(3))
    sheet = tomllib.loads((tmp_path / "job" / "panel.toml").read_text())
    assert sheet["panel"] == {"name": "test panel", "stage": "filler", "size_mm": [400.0, 300.0]}
    assert sheet["tags"]["centres_mm"]["2"] == [173.0, 123.0]
    assert sheet["board"]["period_mm"] == 40
    assert sheet["camera"] == {"focal_px": 1100.0}
    assert [(p["file"], p["varies"]) for p in sheet["photo"]] == [
        ("stripes-across.jpg", "across"),
        ("stripes-up.jpg", "up"),
    ]
    across, up = np.array(sheet["board"]["across"]), np.array(sheet["board"]["up"])
    assert across @ up == pytest.approx(0, abs=1e-7)
    for photo in sheet["photo"]:
        assert cv2.imread(str(tmp_path / "job" / photo["file"])).shape == (600, 800, 3)
    truth = np.load(tmp_path / "job" / "truth.npz")
    assert truth["deviation_mm"].shape == (truth["y_mm"].size, truth["x_mm"].size) == (151, 201)
    row, column = int(np.argmin(abs(truth["y_mm"] - 20))), int(np.argmin(abs(truth["x_mm"] - 30)))
    assert truth["deviation_mm"][row, column] == pytest.approx(-0.2)
    assert truth["form_mm"].max() > 0 > truth["form_mm"].min()
    spots = json.loads((tmp_path / "job" / "truth.json").read_text())["spots"]
    assert spots[1] == {"kind": "high", "x_mm": -90, "y_mm": 0, "depth_mm": 0.1, "w": 60, "h": 50}


def test_sheet_of_a_stepped_series_and_of_lamps(tmp_path: Path) -> None:
    pose = look_at((0, -560, 720), (0, 0, 0))
    steps = tuple(Exposure(f"{k}.png", pose, "stepped", "up", 36.0, 90.0 * k) for k in range(2))
    write_job(
        small_scene(shots=steps), tmp_path / "steps", rng=np.random.default_rng(3), encoding="linear", bits=16
    )
    sheet = tomllib.loads((tmp_path / "steps" / "panel.toml").read_text())
    assert sheet["board"]["pattern"] == "stepped"
    assert sheet["photo"][1] == {
        "file": "1.png",
        "varies": "up",
        "period_mm": 36,
        "phase_deg": 90.0,
        "encoding": "linear",
    }
    lamps = (Exposure("lamp.jpg", pose, "lamp", lamp_mm=(300.0, 0.0, 400.0)),)
    camera = Camera(1100.0, (401.0, 298.0), (0.1, -0.2, 0.0, 0.0, 0.0))
    lit = small_scene(shots=lamps, board=None)
    lit = Scene(lit.panel, camera, None, lit.tags, shots=lamps, image_size_px=(800, 600))
    write_job(lit, tmp_path / "lamp", rng=np.random.default_rng(3))
    sheet = tomllib.loads((tmp_path / "lamp" / "panel.toml").read_text())
    assert "board" not in sheet
    assert sheet["photo"] == [{"file": "lamp.jpg", "lamp_mm": [300.0, 0.0, 400.0]}]
    assert sheet["camera"]["centre_px"] == [401.0, 298.0]
    assert sheet["camera"]["distortion"][:2] == [0.1, -0.2]
