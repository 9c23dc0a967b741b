"""The keys of a lamp job, from photos to result: lamp out, lamps that don't shine evenly, shiny balls."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.synth.camera_noise import write_job, write_photo
from surfscan.synth.panels import Dish, Flat, Panel
from surfscan.synth.rays import mirror_hits, pixel_rays, project
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Lighting, Scene, Stain, corner_tags, look_at

SIZE, PIXELS = (420.0, 300.0), (800, 600)
CAMERA, POSE = Camera(1500.0, (399.5, 299.5)), look_at((30, -120, 950), (0, 0, 0))
LOW = Dish(-40, 10, -1.2, 140)
BALLS = ((-215.0, 20.0, 18.0), (215.0, -30.0, 18.0))  # at the rim of the panel, lying on it
ALL = np.meshgrid(np.arange(PIXELS[0]), np.arange(PIXELS[1]))


def lamps(count: int = 4) -> np.ndarray:
    turn = 0.5 + 2 * np.pi * np.arange(count) / count
    return np.round(np.stack([600 * np.cos(turn), 600 * np.sin(turn), np.full(count, 320.0)], -1), 1)


def scene(room: float = 0.2, count: int = 4) -> Scene:
    shots = tuple(
        Exposure(f"lamp-{k}.png", POSE, "lamp", lamp_mm=tuple(at)) for k, at in enumerate(lamps(count))
    )
    return Scene(
        Panel(SIZE, Flat(), LOW + Dish(130, -70, 0.5, 90)),
        CAMERA,
        None,
        corner_tags(SIZE),
        shots=shots,
        image_size_px=PIXELS,
        light=Lighting(room=room, lamp_power_mm2=4e5, background=0.02),
        albedo=0.45,
        patches=(Stain(-40, 10, 200, 170, 0.75),),
        supersampling=2,
        stage="filler",
        limits_mm={"low_mm": 0.15, "high_mm": 0.15, "filler_depth_mm": 6.35},
    )


def linear_job(made: Scene, folder: Path) -> Path:
    return write_job(made, folder, rng=np.random.default_rng(4), bits=16, encoding="linear")


def repaint(folder: Path, change) -> None:  # type: ignore[no-untyped-def]
    """Change every lamp photo: change(linear light, lamp number)."""
    for k, path in enumerate(sorted(folder.glob("lamp-*.png"))):
        light = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., 0] / 65535.0
        write_photo(path, change(light, k), encoding="linear", bits=16)


def edit(folder: Path, more: str = "", *, drop_lamps: bool = False) -> Path:
    path = folder / "panel.toml"
    text = path.read_text()
    if drop_lamps:
        text = re.sub(r"(?m)^lamp_mm = .*\n", "", text)
    path.write_text(text.replace("[limits]", more + "\n[limits]"))
    return folder


def balls_text() -> str:
    return "\n".join(f"[[ball]]\ncentre_mm = {list(at)}\nradius_mm = {at[2]}" for at in BALLS)


def with_balls(light: np.ndarray, lamp: np.ndarray, count: int = 2, bright: float = 0.9) -> np.ndarray:
    """Draw the balls: every pixel's ray is mirrored at the sphere, and is bright where it then runs to the lamp."""
    out, eye, fine = light.copy(), POSE.centre_mm, 5
    for at in BALLS[:count]:
        middle, radius = np.array(at), at[2]
        where = project(middle[None], CAMERA, POSE)[0]
        left, top = (int(v) - 40 for v in where)
        sub = (np.arange(80 * fine) + 0.5) / fine - 0.5
        ray = pixel_rays(left + sub[None], top + sub[:, None], CAMERA, POSE)
        along = ray @ (middle - eye)
        gap = np.sum((middle - eye) ** 2) - along**2
        hit = gap < radius**2
        place = eye + (along - np.sqrt(np.maximum(radius**2 - gap, 0)))[..., None] * ray
        normal = (place - middle) / radius
        back = ray - 2 * np.sum(ray * normal, -1, keepdims=True) * normal
        to_lamp = lamp - place
        far = np.linalg.norm(to_lamp, axis=-1)
        beside = np.arccos(np.clip(np.sum(back * to_lamp, -1) / far, -1, 1))
        shine = np.where(beside < 40 / far, bright, 0.0)  # a lamp 80 mm across
        cells = (80, fine, 80, fine)
        share = hit.reshape(cells).mean((1, 3))
        own = np.where(hit, 0.02 + shine, 0.0).reshape(cells).mean((1, 3))
        box = np.s_[top : top + 80, left : left + 80]
        out[box] = out[box] * (1 - share) + own
    return cv2.GaussianBlur(out, (0, 0), 0.6)


def depths(result: CheckResult) -> list[float]:
    return [spot.peak_mm for spot in sorted(result.spots, key=lambda spot: spot.x_mm)]


def allowed(peak: float) -> float:
    return max(0.040, 0.06 * abs(peak))  # what a lamp reading must reach


def fair_peaks(result: CheckResult, more: float = 1.0) -> None:
    low, high = depths(result)
    assert low == pytest.approx(-1.2, abs=more * allowed(1.2))
    assert high == pytest.approx(0.5, abs=more * allowed(0.5))
    for spot, peak in zip(sorted(result.spots, key=lambda s: s.x_mm), (-1.2, 0.5), strict=True):
        assert abs(spot.peak_mm - peak) < 1.5 * spot.u95_mm


def test_a_bright_room_is_taken_off_by_the_photo_with_the_lamp_out(tmp_path: Path) -> None:
    made = scene(room=4.0, count=3)
    folder = linear_job(made, tmp_path / "job")
    dark = replace(made, light=replace(made.light, lamp_power_mm2=1e-9))
    write_photo(folder / "out.png", render(dark, made.shots[0]), encoding="linear", bits=16)
    fair_peaks(check_job(edit(folder, '[lamp]\nambient_photo = "out.png"\n')))
    write_photo(folder / "out.png", np.zeros((300, 400)), encoding="linear", bits=16)
    with pytest.raises(RefusedError, match=r"out.png is not of the same size"):
        check_job(folder)


def test_a_lamp_that_shines_ahead_most(tmp_path: Path) -> None:
    """A flat panel of light aimed at the panel's middle: cos(angle off its axis), in closed form."""
    folder = linear_job(scene(room=0.0), tmp_path / "job")
    hits = mirror_hits(Panel(SIZE, Flat()), CAMERA, POSE, None, *ALL)

    def ahead(light: np.ndarray, k: int) -> np.ndarray:
        lamp = lamps()[k]
        away = np.stack([hits.x_mm, hits.y_mm, np.zeros(light.shape)], -1) - lamp
        cosine = away @ (-lamp) / np.linalg.norm(lamp) / np.linalg.norm(away, axis=-1)
        return np.clip(light * cosine**2, 0, 1)

    repaint(folder, ahead)
    fair_peaks(check_job(edit(folder, "[lamp]\nexponent = 2.0\n")))


def test_two_balls_give_the_lamps(tmp_path: Path) -> None:
    folder = linear_job(scene(), tmp_path / "job")
    repaint(folder, lambda light, k: with_balls(light, lamps()[k]))
    result = check_job(edit(folder, balls_text(), drop_lamps=True))
    for row, lamp in zip(result.details["light"]["lamps"], lamps(), strict=True):
        assert row["from"] == "2 balls"
        # A highlight found to 0.3 px on a ball of 57 px across turns the light by 0.02 rad: 14 mm over 680 mm.
        assert np.linalg.norm(np.array(row["lamp_mm"]) - lamp) < 12
    fair_peaks(result, 1.5)  # lamps a few degrees off scale the depths


def test_one_ball_needs_a_distance_and_checks_a_stated_place(tmp_path: Path) -> None:
    folder = linear_job(scene(), tmp_path / "job")
    repaint(folder, lambda light, k: with_balls(light, lamps()[k], 1))
    one = balls_text().split("[[ball]]")[1]
    edit(folder, f"[[ball]]{one}")
    fair_peaks(check_job(folder))  # a cross-check that agrees
    text = (folder / "panel.toml").read_text()
    x = lamps()[1][0]
    (folder / "panel.toml").write_text(text.replace(f"lamp_mm = [{x:g}", f"lamp_mm = [{x + 150:g}"))
    with pytest.raises(RefusedError, match=r"lamp-1.png: lamp_mm and the ball's highlight do not agree"):
        check_job(folder)
    (folder / "panel.toml").write_text(text)
    edit(folder, drop_lamps=True)
    with pytest.raises(RefusedError, match=r"lamp\.distance_mm"):
        load_sheet(folder)
    edit(folder, "[lamp]\ndistance_mm = 680\n")
    result = check_job(folder)
    rows = result.details["light"]["lamps"]
    assert (
        max(np.linalg.norm(np.array(r["lamp_mm"]) - lamp) for r, lamp in zip(rows, lamps(), strict=True)) < 30
    )
    fair_peaks(result)
    repaint(folder, lambda light, k: with_balls(light, lamps()[k], 1, bright=0.0))
    with pytest.raises(RefusedError, match=r"lamp-0.png: no highlight on the ball"):
        check_job(folder)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ("[lamp]\nexponent = -1\n", "lamp.exponent"),
        ("[lamp]\naxis = [0, 0, 0]\n", "lamp.axis"),
        ("[lamp]\naxis = [0, 0, 1]\naim_mm = [0, 0, 0]\n", "given twice"),
        ("[lamp]\nambient_photo = '../out.png'\n", "out of the job folder"),
        ("[lamp]\nambient_photo = 'none.png'\n", "not there"),
        ("[lamp]\nambiant_photo = 'out.png'\n", "ambient_photo"),
        ("[[ball]]\ncentre_mm = [0, 0, 20]\n", "radius_mm"),
    ],
)
def test_lamp_keys_are_checked(more: str, told: str, tmp_path: Path) -> None:
    (tmp_path / "panel.toml").write_text(
        '[panel]\nstage = "filler"\nsize_mm = [400, 300]\n' + more
        + '[[photo]]\nfile = "a.png"\nlamp_mm = [1, 2, 3]\n'
    )  # fmt: skip
    (tmp_path / "a.png").write_bytes(b"")
    with pytest.raises(RefusedError, match=re.escape(told)):
        load_sheet(tmp_path)
