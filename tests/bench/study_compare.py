"""Filler build of random pairs of passes, photographed by the project's own ray caster.

    python tests/bench/study_compare.py --pairs 24 --seed 1

Each pair: a flat or crowned panel (1.8 to 4 m) with a low of 0.5 to 1.8 mm, a high and a small low that stay, waves;
then the low filled to 60 to 115 %, with another camera place, board distance and stripe period. In every third pair the
tags are laid again up to 6 mm and 10 mrad off, and nothing says so. Printed: error of the greatest build in um and as a
share of what is asked (the greater of 15 um and 3 %), the worst false build or cut where nothing was done, how many of
the errors lie within u95, and the registration's error over its standard uncertainty.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from reading.own_photos import take

from surfscan.change.comparison import compare_results
from surfscan.checking.pipeline import check_job
from surfscan.core.records import Camera
from surfscan.synth.panels import Crown, Dish, Flat, Panel, Ripple, Shape
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at

SIZE = (500.0, 360.0)


def _scene(form: Shape, faults: Shape, rng: np.random.Generator, period: float) -> Scene:
    elevation = np.radians(rng.uniform(50, 62))
    far = rng.uniform(1050, 1250)
    eye = (rng.uniform(-90, 90), -far * np.cos(elevation), far * np.sin(elevation))
    return Scene(
        panel=Panel(SIZE, form, faults),
        camera=Camera(0.8 * 1200 * far / 500, (599.5, 449.5)),
        board=board_facing(
            rng.uniform(380, 560), np.degrees(elevation), size_mm=(2600, 2000), period_mm=period
        ),
        tags=corner_tags(SIZE),
        poses=(look_at(eye, (0, 0, 0), (0, 1, 0)),),
        image_size_px=(1200, 900),
        supersampling=2,
        stage="filler",
        limits_mm={"low_mm": 0.1, "high_mm": 0.1, "filler_depth_mm": 2.0},
    )


def _faults(rng_state: dict[str, float], fill: float, move: tuple[float, float, float]) -> tuple[Shape, Dish]:
    """Faults in the frame of a pass, whose place r is R r + (dx, dy) of the panel; and what was filled in."""
    s = rng_state
    dx, dy, turn = move

    def at(x: float, y: float) -> tuple[float, float]:
        u, v = x - dx, y - dy
        return float(np.cos(turn) * u + np.sin(turn) * v), float(-np.sin(turn) * u + np.cos(turn) * v)

    low = Dish(*at(s["x"], s["y"]), s["depth"], s["width"])
    filled = Dish(*at(s["x"], s["y"]), -s["depth"] * fill, s["width"])
    high = Dish(*at(-s["x"] * 1.4, s["hy"]), 0.18, 80)
    small = Dish(*at(-s["x"] * 1.2, -s["hy"]), -0.12, 70)
    faults = low + high + small + Ripple(0.001, 130, 20 + np.degrees(turn)) + Ripple(0.0008, 90, 100)
    return (faults if fill == 0 else faults + filled), filled


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=24)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    shares, elsewhere, inside, scores = [], [], 0, []
    tag = (SIZE[0] / 2 - 27, SIZE[1] / 2 - 27)
    for pair in range(options.pairs):
        form: Shape = Flat() if pair % 2 else Crown(rng.uniform(1800, 4000), zero_at_mm=tag)
        state = {
            "x": rng.choice([-1, 1]) * rng.uniform(40, 90),
            "y": rng.uniform(-40, 40),
            "hy": rng.uniform(50, 90),
            "depth": -rng.uniform(0.5, 1.8),
            "width": rng.uniform(150, 200),
        }
        fill = rng.uniform(0.6, 1.15)
        moved = pair % 3 == 2
        move = (
            (rng.uniform(-6, 6), rng.uniform(-6, 6), rng.uniform(-0.01, 0.01)) if moved else (0.0, 0.0, 0.0)
        )
        with tempfile.TemporaryDirectory() as scratch:
            results = []
            for name, amount, frame, period in (("b", 0.0, (0.0, 0.0, 0.0), 15.0), ("a", fill, move, 19.0)):
                faults, filled = _faults(state, amount, frame)
                results.append(check_job(take(_scene(form, faults, rng, period), Path(scratch) / name)))
            found = compare_results(*results)
        x, y = np.meshgrid(found.grid.x_mm, found.grid.y_mm)
        true = filled.height(x, y)
        most = -state["depth"] * fill
        error = found.build.max_mm - most
        share = error / max(0.015, 0.03 * most)
        off = found.difference_mm - true
        calm = np.abs(true) < 0.015
        worst = float(np.nanmax(np.abs(off[calm])))
        place = found.registration
        miss = np.array([place.x_mm - move[0], place.y_mm - move[1], 1e-3 * place.turn_mrad - move[2]])
        score = float(miss @ np.linalg.solve(place.covariance, miss) / 3)
        shares.append(abs(share))
        elsewhere.append(worst)
        inside += abs(error) < found.build.u95_mm
        scores.append(score)
        print(
            f"{pair:2} {'crown' if pair % 2 == 0 else 'flat ':5} {'moved' if moved else '     '}"
            f" build {most:.3f} error {1e3 * error:+6.1f} um ({share:+.2f} of what is asked),"
            f" u95 {1e3 * found.build.u95_mm:.0f}, false {1e3 * worst:5.1f} um,"
            f" all {1e3 * np.nanmax(np.abs(off)):5.1f} um,"
            f" tags moved {'yes' if place.moved else 'no '} chi2/3 {score:.2f},"
            f" {len(found.build.patches)}+{len(found.cut.patches)} patches, {found.verdict}",
            flush=True,
        )
    print(
        f"\n{options.pairs} pairs: worst {max(shares):.2f} of what is asked, median {np.median(shares):.2f};"
        f" worst false build {1e3 * max(elsewhere):.1f} um; {inside} within u95;"
        f" registration chi2/3 {np.mean(scores):.2f}"
    )


if __name__ == "__main__":
    main()
