"""Is a wrong set-up told, and is a right one left alone?

    python tests/bench/study_blunders.py --panels 24 --seed 0 --folder /tmp/blunders

Panels by the project's ray caster (flat, crowned, and each with a twist of third and fourth order of 0.01 to 0.6 mm),
three in ten with the board close by. Each is checked with its sheet drawn from the stated uncertainties, then with one
blunder on top. Printed per blunder: how often the first reason tells it, how often the true peak of every spot lies in
its interval all the same, and any "ready" with a spot over its limit. Photos are kept in the folder and used again.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from drawn_sheets import blunder, draw_sheet
from study_coverage import true_spots
from unseen_jobs import Twist

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import Camera
from surfscan.job.sheet import load_sheet
from surfscan.reading.budget import Inputs
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Dish, Flat, Panel
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at
from surfscan.synth.shape import Shape

BLUNDERS: tuple[tuple[str, float], ...] = (
    ("none", 0.0),
    ("none", 1.0),
    ("distance", 0.05),
    ("distance", -0.05),
    ("lean", 2.0),
    ("lean", 5.0),
    ("turn", 5.0),
    ("roll", 2.0),
    ("period", 0.05),
    ("period", -0.05),
    ("tags", 0.03),
    ("tag places", 0.03),
    ("focal", 0.05),
)


def make_panel(folder: Path, seed: int) -> None:
    """Photograph one random panel."""
    rng = np.random.default_rng(seed)
    size = (float(rng.integers(46, 66)) * 10, float(rng.integers(34, 46)) * 10)
    shape: Shape = Flat()
    places: list[tuple[float, float, float]] = []
    count = int(rng.integers(0, 4))
    while len(places) < count:
        width = rng.uniform(60, 110)
        x, y = (rng.uniform(-half + 0.7 * width, half - 0.7 * width) for half in (size[0] / 2, size[1] / 2))
        if all(np.hypot(x - a, y - b) > 0.65 * (width + c) for a, b, c in places):
            places.append((x, y, width))
            most = min(0.3, 0.5e-3 * width**2 / 16)
            shape = shape + Dish(x, y, float(rng.choice([-1, 1]) * rng.uniform(0.06, max(most, 0.08))), width)
    at = (size[0] / 2 - 27, size[1] / 2 - 27)
    form: Shape = Crown(rng.uniform(1800, 6000), zero_at_mm=at) if seed % 2 else Flat()
    if seed % 4 >= 2:
        tall = 10 ** rng.uniform(-2, -0.2)
        form = form + Twist(*at, tuple(rng.normal(0, tall, 7) * np.array([1, 1, 1, 1, 0.4, 0.4, 0.4])))
    near = rng.random() < 0.3
    distance, elevation = rng.uniform(350, 500) if near else rng.uniform(750, 1000), rng.uniform(48, 60)
    period = float(rng.integers(14, 20) if near else rng.integers(22, 34))
    back = rng.uniform(1050, 1300)
    away, up = back * np.cos(np.radians(elevation)), back * np.sin(np.radians(elevation))
    poses = tuple(
        look_at((rng.uniform(-40, 40), -away + rng.uniform(-20, 20), up), (0, 0, 0), (0, 1, 0))
        for _ in range(2)
    )
    scene = Scene(
        panel=Panel(size, form, shape),
        camera=Camera(0.82 * 1600 * back / size[0], (799.5, 599.5)),
        board=board_facing(distance, elevation, size_mm=(2200, 1900), period_mm=period),
        tags=corner_tags(size),
        poses=poses,
    )
    write_job(scene, folder, rng=rng)


def one(task: tuple[str, int]) -> list[tuple[str, bool, bool, bool]]:
    """All blunders of one panel; rows of (blunder, told, intervals hold, wrong ready)."""
    folder = Path(task[0])
    cv2.setNumThreads(1)
    if not (folder / "panel.toml").exists():
        make_panel(folder, task[1])
    sheet, rows = load_sheet(folder), []
    for k, (kind, by) in enumerate(BLUNDERS):
        drawn = draw_sheet(sheet, np.random.default_rng([task[1], k]), Inputs())
        name = f"{kind} {by:+g}" if kind != "none" else "none"
        try:
            result = check_job(blunder(drawn, kind, by))
        except SurfscanError:
            rows.append((name, True, True, False))
            continue
        first = result.findings[0].code if result.findings else ""
        told = first.startswith("setup-") and str(result.verdict) != "ready"
        holds, over = True, False
        for spot in true_spots(folder):
            near = [s for s in result.spots if np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"]) < 20]
            holds &= all(abs(s.peak_mm - spot["true"]) <= s.u95_mm for s in near)
            over |= abs(spot["true"]) > result.limits["low_mm"] + 0.002
        rows.append((name, told, holds, over and str(result.verdict) == "ready"))
    return rows


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--panels", type=int, default=24)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    tasks = [
        (str(options.folder / f"{k:04d}"), k) for k in range(options.seed, options.seed + options.panels)
    ]
    found: dict[str, list[tuple[bool, bool, bool]]] = defaultdict(list)
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        for n, rows in enumerate(pool.map(one, tasks), 1):
            for name, *row in rows:
                found[name].append(tuple(row))
            print(f"\r{n} of {len(tasks)} panels", end="", flush=True)
    print()
    for name, rows in found.items():
        told, holds, wrong = (sum(column) for column in zip(*rows, strict=True))
        either = sum(a or b for a, b, _ in rows)
        print(
            f"{name:18s} told {told}/{len(rows)}, intervals hold {holds}, told or holds {either}, wrong ready {wrong}"
        )


if __name__ == "__main__":
    main()
