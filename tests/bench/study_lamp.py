"""Lamp series of known panels: how well lows are read, by the number of photos.

    python tests/bench/study_lamp.py [--scenes N] [--lamps 3 4 6] [--fixture]

Panels of 620 x 440 mm by the project's own renderer, each with two lows of 80 to 260 mm width and 0.3 to 6 mm depth
(their slopes kept under 0.12, as a beaten panel's are), a patch of another albedo across one of them, an even room
light of up to 1.5 % of the lamp's, 8-bit photos with noise. Printed: error of every low's peak against the aim of 40 um
or 6 %, and whether the stated 95 % interval holds it. With --fixture, the independent renderer's series of six by three
and four of its photos instead.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
from pathlib import Path

import numpy as np

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Dish, Flat, Panel
from surfscan.synth.scene import Exposure, Lighting, Scene, Stain, corner_tags, look_at

SIZE, PIXELS = (620.0, 440.0), (1000, 720)
POSE = look_at((30, -140, 1300), (0, 0, 0))
CAMERA = Camera(1800.0, ((PIXELS[0] - 1) / 2, (PIXELS[1] - 1) / 2))


def make(seed: int, count: int) -> Scene:
    """One drawn panel under `count` lamps."""
    rng = np.random.default_rng(seed)
    lows = []
    for k, side in enumerate((-1, 1)):
        width = float(rng.uniform(80, 260 if k == 0 else 160))
        steepest = float(rng.uniform(0.02, 0.12))
        # (1 - rho^2)^2 of half-width w: steepest slope 1.54 depth / w.
        depth = float(np.clip(steepest * width / 2 / 1.54, 0.3, 6.0))
        x, y = side * float(rng.uniform(110, 150)), float(rng.uniform(-60, 60))
        lows.append(Dish(round(x), round(y), -depth, width))
    turn = float(rng.uniform(0, 6)) + 2 * np.pi * np.arange(count) / count
    height = float(rng.uniform(330, 450))
    places = np.round(np.stack([850 * np.cos(turn), 850 * np.sin(turn), np.full(count, height)], -1), 1)
    patch = Stain(
        lows[0].x_mm + float(rng.uniform(-40, 40)),
        lows[0].y_mm,
        float(rng.uniform(100, 260)),
        float(rng.uniform(100, 240)),
        float(rng.choice([0.3, 0.7])),
    )
    shots = tuple(Exposure(f"lamp-{k}.png", POSE, "lamp", lamp_mm=tuple(at)) for k, at in enumerate(places))
    return Scene(
        Panel(SIZE, Flat(), lows[0] + lows[1]),
        CAMERA,
        None,
        corner_tags(SIZE),
        shots=shots,
        image_size_px=PIXELS,
        light=Lighting(room=float(rng.uniform(0, 0.6)), lamp_power_mm2=7e5, background=0.05),
        albedo=0.45,
        patches=(patch,),
        supersampling=2,
        stage="filler",
        limits_mm={"low_mm": 0.15, "high_mm": 0.15, "filler_depth_mm": 6.35},
    )


def by_fewer() -> None:
    """The fixture of the independent renderer, by some of its photos."""
    source = Path(__file__).parents[2] / "fixtures" / "jobs" / "lamp"
    head, *photos = (source / "panel.toml").read_text().split("[[photo]]")
    photos[-1], tail = photos[-1].split("[limits]")
    for pick in ((0, 2, 4), (1, 3, 5), (0, 1, 3, 4), (0, 1, 2, 3), tuple(range(6))):
        with tempfile.TemporaryDirectory() as folder:
            job = Path(shutil.copytree(source, Path(folder) / "job"))
            text = head + "".join("[[photo]]" + photos[k] for k in pick) + "[limits]" + tail
            (job / "panel.toml").write_text(text)
            result = check_job(job)
        for made in json.loads((source / "truth.json").read_text())["spots"]:
            peak = (-1 if made["kind"] == "low" else 1) * made["depth_mm"]
            near = [s for s in result.spots if np.hypot(s.x_mm - made["x_mm"], s.y_mm - made["y_mm"]) < 30]
            for s in near:
                print(
                    pick,
                    f"{peak:+.2f} mm: {100 * (s.peak_mm / peak - 1):+.1f} %, u95 {1e3 * s.u95_mm:.0f} um",
                )


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--scenes", type=int, default=6)
    options.add_argument("--lamps", type=int, nargs="+", default=[3, 4, 6])
    options.add_argument("--fixture", action="store_true")
    given = options.parse_args()
    if given.fixture:
        by_fewer()
        return
    for count in given.lamps:
        worst, within, held, total, extra = [], 0, 0, 0, 0
        for seed in range(given.scenes):
            scene = make(seed, count)
            with tempfile.TemporaryDirectory() as folder:
                try:
                    result = check_job(write_job(scene, folder, rng=np.random.default_rng(seed)))
                except SurfscanError as error:
                    print(f"{count} lamps, scene {seed}: {error}")
                    continue
            lows = [s for s in scene.panel.spots() if s["kind"] == "low"]
            extra += max(len(result.spots) - len(lows), 0)
            for low in lows:
                peak = -abs(low["depth_mm"])
                near = [s for s in result.spots if np.hypot(s.x_mm - low["x_mm"], s.y_mm - low["y_mm"]) < 30]
                total += 1
                if not near:
                    print(f"{count} lamps, scene {seed}: low of {peak:.2f} mm not found")
                    continue
                spot = min(near, key=lambda s: s.peak_mm)
                off = spot.peak_mm - peak
                worst.append(off / peak)
                within += abs(off) <= max(0.040, 0.06 * abs(peak))
                held += abs(off) <= spot.u95_mm
                print(
                    f"{count} lamps, scene {seed}: {peak:+.2f} mm, {low['w']:.0f} mm wide: {1e3 * off:+.0f} um"
                    f" ({100 * off / peak:+.1f} %), u95 {1e3 * spot.u95_mm:.0f} um"
                )
        print(
            f"{count} lamps: {within}/{total} within 40 um or 6 %, {held}/{total} within u95, rms"
            f" {100 * float(np.sqrt(np.mean(np.square(worst)))):.1f} %, worst {100 * max(map(abs, worst)):.1f} %,"
            f" {extra} spots too many"
        )


if __name__ == "__main__":
    main()
