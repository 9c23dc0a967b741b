"""A sweep of hand-held photos with a small crossed board over a crowned panel, by the project's ray caster.

    python tests/bench/study_sweep.py --photos 12 --seed 1

Panel 640 x 440 mm, crown 2.5 m, board 600 x 500 mm; the photos look at a grid of places of the panel in the board.
Printed: share seen, errors of the peaks, map rms, seam steps (largest difference from the truth across the rims of what
single photos light), time and memory.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import RegularGridInterpolator
from study_coverage import true_spots

from surfscan.checking.pipeline import check_job
from surfscan.core.records import Camera, CheckResult
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Dish, Flat, Panel
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags, look_at


def sweep_scene(seed: int, photos: int, *, pattern: str = "crossed", period_mm: float = 20.0) -> Scene:
    """The scene: each photo is taken from where its place of the panel reflects the board's middle."""
    rng = np.random.default_rng(seed)
    size = (640.0, 440.0)
    shape: Any = Flat()
    for x, y in ((-190, -90), (20, 100), (200, -60)):
        x, y = x + rng.uniform(-30, 30), y + rng.uniform(-30, 30)
        width = rng.uniform(60, 110)
        most = min(0.3, 0.4e-3 * width**2 / 16)
        shape = shape + Dish(x, y, float(rng.choice([-1, 1]) * rng.uniform(0.06, max(most, 0.08))), width)
    at = (size[0] / 2 - 27, size[1] / 2 - 27)
    form = Crown(2500.0, zero_at_mm=at)
    board = board_facing(700.0, 60.0, size_mm=(600, 500), period_mm=period_mm)
    columns = round(np.sqrt(photos * 4 / 3))
    rows = -(-photos // columns)
    shots = []
    for k in range(photos):
        i, j = divmod(k, columns)
        aim = np.array(
            [
                (j - (columns - 1) / 2) * 0.78 * size[0] / columns,
                (i - (rows - 1) / 2) * 0.78 * size[1] / rows,
            ]
        ) + rng.uniform(-15, 15, 2)
        z = float(form.height(*aim))
        p, q = (float(v) for v in form.slopes(*aim))
        normal = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
        place = np.array([*aim, z])
        out = (board.centre_mm - place) / np.linalg.norm(board.centre_mm - place)
        back = 2 * (out @ normal) * normal - out
        eye = place + back * rng.uniform(950, 1100) + rng.uniform(-20, 20, 3)
        shots.append(
            Exposure(
                f"photo-{k + 1:02d}.jpg",
                look_at(eye, (0, 0, 0), (0, 1, 0)),
                pattern=pattern,
                varies=("across", "up")[k % 2],
            )
        )
    camera = Camera(0.8 * 1600 * 1000 / 640, (799.5, 599.5))
    return Scene(
        panel=Panel(size, form, shape), camera=camera, board=board, tags=corner_tags(size), shots=tuple(shots)
    )


def seams(result: Any, truth: Any) -> tuple[float, float]:
    """Map rms and the largest step of its error across any photo's rim (5 mm to both sides), um."""
    grid = result.height.grid
    known = RegularGridInterpolator((truth["y_mm"], truth["x_mm"]), truth["deviation_mm"], method="linear")
    y, x = np.meshgrid(grid.y_mm, grid.x_mm, indexing="ij")
    off = 1e3 * (result.height.height_mm - known(np.stack([y, x], -1)))
    reach = max(1, round(5 / grid.step_mm))
    # A seam is a step within a few mm; spots' own errors are slower than that.
    steps = [np.abs(off[2 * reach :] - off[: -2 * reach]), np.abs(off[:, 2 * reach :] - off[:, : -2 * reach])]
    return float(np.nanstd(off)), max(float(np.nanpercentile(s, 99.9)) for s in steps)


def tell_spots(result: CheckResult, folder: Path) -> None:
    """Print by how much each made spot is missed."""
    for spot in true_spots(folder):
        near = min(
            (s for s in result.spots if s.kind == spot["kind"]),
            key=lambda s: np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"]),
            default=None,
        )
        if near is None:
            print(f"  {spot['true']:.4f}: not found")
            continue
        off = 1e3 * (near.peak_mm - spot["true"])
        print(f"  {spot['true']:.4f} mm: off {off:.2f} um, u95 {1e3 * near.u95_mm:.2f} um")


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--photos", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenes", type=int, default=1)
    parser.add_argument("--pattern", default="crossed")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    for seed in range(options.seed, options.seed + options.scenes):
        with tempfile.TemporaryDirectory() as made:
            folder = (options.keep or Path(made)) / f"sweep-{seed}"
            if not folder.exists():
                scene = sweep_scene(seed, options.photos, pattern=options.pattern)
                write_job(scene, folder, rng=np.random.default_rng(seed))
            began = time.perf_counter()
            result = check_job(folder)
            took = time.perf_counter() - began
            truth = np.load(folder / "truth.npz")
            rms, step = seams(result, truth)
            print(
                f"{seed}: coverage {result.coverage:.3f}, rms {rms:.2f} um, step {step:.2f} um, {took:.1f} s, "
                f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB, {result.details['sweep']}"
            )
            tell_spots(result, folder)


if __name__ == "__main__":
    main()
