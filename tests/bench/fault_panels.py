"""Made panels with small faults, and clean ones, for what measures and trains the finding of faults.

A plate of 320 x 240 mm in photos of 800 x 640 pixels is seen as large as a panel of 640 x 440 mm in 1600 x 1200, holds
some 60 faults, and takes a quarter of its time. Hand-held pairs, JPEG 85, noise of 8,000 electrons, dust on the camera,
a dent and waves in the shape.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.marks import MARK_KINDS, Mark, Speck, made_mark
from surfscan.synth.panels import Dish, Panel, Ripple
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags, look_at

PLATE = (320.0, 240.0)
PANEL = (640.0, 440.0)

SIZES_MM = {
    "pit": (0.3, 6.0),
    "nib": (0.3, 6.0),
    "run": (8.0, 24.0),
    "scratch": (2.0, 20.0),
    "crack": (2.0, 20.0),
    "ring": (1.5, 10.0),
    "hair": (2.0, 18.0),
    "drop": (0.6, 8.0),
    "smear": (3.0, 20.0),
}
"""Smallest and largest length that is drawn, even over the logarithm."""


@dataclass(frozen=True)
class Kind:
    """A kind of made panel: its finish and its photos."""

    roughness_rad: float = 0.0
    square: bool = True
    full_well_e: float = 8000.0
    quality: int = 85


def made_scene(
    seed: int, size_mm: tuple[float, float], marks: Sequence[Mark] = (), *, how: Kind | None = None
) -> Scene:
    """A panel of that size before the board, as a seed has it."""
    how = how or Kind()
    rng = np.random.default_rng(seed)
    e, far = np.radians(rng.uniform(50, 58)), rng.uniform(1200, 1400)
    poses = []
    for _ in range(2):
        eye = np.array([0, -far * np.cos(e), far * np.sin(e)]) + rng.uniform(-30, 30, 3)
        poses.append(look_at(eye, (*rng.uniform(-10, 10, 2), 0), (rng.uniform(-0.05, 0.05), 1, 0)))
    waves = [Ripple(0.001, rng.uniform(70, 190), rng.uniform(0, 180), rng.uniform(0, 360)) for _ in range(3)]
    place, peak, width = rng.uniform(-0.25, 0.25, 2) * size_mm, rng.choice([-0.12, 0.08]), rng.uniform(60, 90)
    # Sheet metal's curvature does not jump; on plates it does, to make it harder for the faults there.
    dent = Dish(*place, peak, width, order=2 if size_mm == PLATE else 3)
    wide, tall = (1600, 1200) if size_mm == PANEL else (800, 640)
    return Scene(
        panel=Panel(size_mm, deviation=sum(waves, dent)),
        camera=Camera(2.05 * far, ((wide - 1) / 2, (tall - 1) / 2)),
        board=board_facing(
            rng.uniform(850, 1050), float(np.degrees(e)), size_mm=(2400, 2000), period_mm=rng.uniform(24, 32)
        ),
        tags=corner_tags(size_mm),
        poses=tuple(poses),
        image_size_px=(wide, tall),
        marks=tuple(marks),
        specks=tuple(
            Speck(
                rng.uniform(0.1, 0.9) * wide,
                rng.uniform(0.1, 0.9) * tall,
                rng.uniform(2, 9),
                rng.uniform(0.03, 0.25),
            )
            for _ in range(8 if size_mm == PANEL else 2)
        ),
        roughness_rad=how.roughness_rad,
        square=how.square,
        supersampling=2,
    )


def as_crossed(scene: Scene) -> Scene:
    """The same in one photo of crossed stripes."""
    return replace(scene, shots=(Exposure("crossed.jpg", scene.poses[0], pattern="crossed"),))


def as_crossed_twice(scene: Scene) -> Scene:
    """The same in two photos of crossed stripes, the second from 300 mm aside."""
    aside = scene.poses[1].centre_mm + np.array([300.0, 0, 0])
    poses = (scene.poses[0], look_at(aside, (0, 0, 0), (0, 1, 0)))
    shots = tuple(Exposure(f"crossed_{k}.jpg", pose, pattern="crossed") for k, pose in enumerate(poses))
    return replace(scene, poses=poses, shots=shots)


def drawn_marks(seed: int, kinds: Sequence[str] = MARK_KINDS, gap_mm: float = 27.0) -> list[Mark]:
    """Faults over a plate, each kind in turn, clear of the tags and of each other."""
    rng = np.random.default_rng(seed + 100_000)
    w, h = PLATE
    x, y = np.meshgrid(np.arange(-w / 2 + 16, w / 2 - 15, gap_mm), np.arange(-h / 2 + 16, h / 2 - 15, gap_mm))
    places = np.stack([x.ravel(), y.ravel()], -1)
    tags = [np.array([a * (w / 2 - 27), b * (h / 2 - 27)]) for a in (-1, 1) for b in (-1, 1)]
    free = [p for p in places if min(np.abs(p - tag).max() for tag in tags) > 40]
    marks = []
    for k, n in enumerate(rng.permutation(len(free))):
        kind = kinds[(k + seed) % len(kinds)]
        size = float(np.exp(rng.uniform(*np.log(SIZES_MM[kind]))))
        marks.append(made_mark(kind, *(free[n] + rng.uniform(-2, 2, 2)).tolist(), size, rng))
    return marks


def take_panel(folder: Path, scene: Scene, seed: int, *, how: Kind | None = None) -> Path:
    """Its job folder, made once."""
    how = how or Kind()
    if not (folder / "truth.json").exists():
        rng = np.random.default_rng(seed)
        write_job(scene, folder, rng=rng, quality=how.quality, full_well_e=how.full_well_e)
    return folder


def made_faults(folder: Path) -> list[dict[str, Any]]:
    """The faults that a folder's truth lists."""
    return list(json.loads((folder / "truth.json").read_text()).get("faults", []))


def nearest(x_mm: float, y_mm: float, made: Sequence[dict[str, Any]]) -> int:
    """Number of the made fault that a place belongs to; -1 for none."""
    far = [np.hypot(one["x_mm"] - x_mm, one["y_mm"] - y_mm) - one["length_mm"] / 2 for one in made]
    return int(np.argmin(far)) if far and min(far) < 2.0 else -1
