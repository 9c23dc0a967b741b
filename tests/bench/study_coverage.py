"""How often the true peak of a spot lies inside the stated 95 % interval.

    python tests/bench/study_coverage.py fixtures/jobs/flat fixtures/jobs/crown ... --draws 40 --seed 1

Each job (photos with known truth) is checked again and again with its sheet drawn from the stated uncertainties:
board place and turn, stripe period, focal length and tag places, each normal with the default standard
uncertainty. `--own N` adds N panels photographed by the project's own ray caster, with random spots, crown, board
and camera. Printed: the share of spots inside, with its 95 % binomial interval, overall and by renderer, and the
standard deviation of error over stated uncertainty.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from drawn_sheets import draw_sheet
from scipy.stats import binomtest

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import Camera
from surfscan.job.sheet import load_sheet
from surfscan.reading.budget import Inputs
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Dish, Panel
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at
from surfscan.synth.shape import Flat


def true_spots(folder: Path) -> list[dict[str, Any]]:
    """Made spots with their true peaks, read off the known deviation."""
    truth = np.load(folder / "truth.npz")
    x, y = np.meshgrid(truth["x_mm"], truth["y_mm"])
    rows = []
    for spot in json.loads((folder / "truth.json").read_text())["spots"]:
        if spot.get("ring"):
            continue
        near = np.hypot(x - spot["x_mm"], y - spot["y_mm"]) < 0.35 * max(spot["w"], spot["h"])
        sign = -1 if spot["kind"] == "low" else 1
        rows.append({**spot, "true": sign * float(np.nanmax(sign * truth["deviation_mm"][near]))})
    return rows


def one(task: tuple[str, int]) -> list[tuple[str, float, float, float]]:
    """Check one drawn sheet; rows of (job, error, u95, true peak)."""
    folder, seed = Path(task[0]), task[1]
    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, *folder.name.encode()])
    try:
        result = check_job(draw_sheet(load_sheet(folder), rng, Inputs()))
    except SurfscanError as error:
        print(f"{folder.name} {seed}: {error}", flush=True)
        return []
    rows = []
    for spot in true_spots(folder):
        near = [
            s
            for s in result.spots
            if s.kind == spot["kind"]
            and np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"])
            < max(15, 0.4 * max(spot["w"], spot["h"]))
        ]
        if near:
            best = min(near, key=lambda s: np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"]))
            rows.append((folder.name, best.peak_mm - spot["true"], best.u95_mm, spot["true"]))
    return rows


def own_job(folder: Path, seed: int) -> None:
    """A random panel by the project's own ray caster."""
    rng = np.random.default_rng(seed)
    write_job(own_scene(rng), folder, rng=rng)


def own_scene(source: int | np.random.Generator) -> Scene:
    """That panel, its board and cameras, from a seed."""
    rng = np.random.default_rng(source)
    size = (float(rng.integers(46, 66)) * 10, float(rng.integers(34, 46)) * 10)
    shape = Flat()
    places: list[tuple[float, float, float]] = []
    while len(places) < 3:
        width = rng.uniform(60, 110)
        x, y = (rng.uniform(-half + 0.7 * width, half - 0.7 * width) for half in (size[0] / 2, size[1] / 2))
        if all(np.hypot(x - a, y - b) > 0.65 * (width + c) for a, b, c in places):
            places.append((x, y, width))
            # Well short of the fold-over: a compact low's middle bends by 16 depth / width^2.
            most = min(0.3, 0.5 * 1e-3 * width**2 / 16)
            shape = shape + Dish(x, y, float(rng.choice([-1, 1]) * rng.uniform(0.06, max(most, 0.08))), width)
    tags = corner_tags(size)
    at = (size[0] / 2 - 27, size[1] / 2 - 27)
    form = Crown(rng.uniform(2200, 6000), zero_at_mm=at) if rng.random() < 0.5 else Flat()
    distance = rng.uniform(750, 1000)
    elevation = rng.uniform(48, 60)
    board = board_facing(distance, elevation, size_mm=(2200, 1900), period_mm=float(rng.integers(22, 34)))
    back = rng.uniform(1050, 1300)
    poses = tuple(
        look_at(
            (
                rng.uniform(-40, 40),
                -back * np.cos(np.radians(elevation)) + rng.uniform(-20, 20),
                back * np.sin(np.radians(elevation)),
            ),
            (0, 0, 0),
            (0, 1, 0),
        )
        for _ in range(2)
    )
    focal = 0.82 * 1600 * back / size[0]
    camera = Camera(focal, (799.5, 599.5))
    return Scene(panel=Panel(size, form, shape), camera=camera, board=board, tags=tags, poses=poses)


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("jobs", nargs="*", type=Path)
    parser.add_argument("--draws", type=int, default=30)
    parser.add_argument("--own", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as made,
        ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool,
    ):
        folders = [(job, "independent") for job in options.jobs]
        for k in range(options.own):
            folder = Path(made) / f"own-{k}"
            own_job(folder, 1000 * options.seed + k)
            folders.append((folder, "own"))
        tasks = [(str(f), options.seed * 100000 + d) for f, _ in folders for d in range(options.draws)]
        rows = [row for part in pool.map(one, tasks) for row in part]
    print(f"{len(tasks)} jobs, {len(rows)} spots")
    kinds = {f.name: kind for f, kind in folders}
    for name in [*sorted({r[0] for r in rows}), "own", "independent", "all"]:
        part = [r for r in rows if name == "all" or name in (r[0], kinds[r[0]])]
        if not part:
            continue
        inside = sum(abs(e) <= u for _, e, u, _ in part)
        low, high = binomtest(inside, len(part)).proportion_ci()
        spread = np.std([1.96 * e / u for _, e, u, _ in part])
        sizes = np.median([1e3 * u for _, _, u, _ in part])
        print(
            f"{name:14s} {inside}/{len(part)} = {inside / len(part):.3f} ({low:.3f} to {high:.3f}), "
            f"error/u {spread:.2f}, median u95 {sizes:.1f} um"
        )


if __name__ == "__main__":
    main()
