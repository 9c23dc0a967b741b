"""What the plan promises against what the check finds.

    python tests/bench/study_plan.py --setups 60 --draws 3 --seed 5

Random set-ups that the plan says will work are photographed by the project's own renderer with camera noise and
JPEG, once with lows of 1.5 times the smallest visible depth that the plan gives for their width, once with half of
it. Each sheet is drawn from the default uncertainties (board place and turn, period, focal length, tag places) and the
limit is set to the predicted depth itself. Printed: shares found and reported, and the errors of the depths read
against the plan's standard uncertainty (1 would be a plan that knows).

    python tests/bench/study_plan.py --narrow

measures what a low reads against its width in periods on the panel.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from planned_jobs import SurfscanError, draw_sheet, found_at, map_at, places_for, random_shot, write_planned

from surfscan.checking.pipeline import check_job
from surfscan.plan.forward import Plan, plan_shot, work_out
from surfscan.plan.shot import Shot
from surfscan.reading.budget import Inputs


def choose(seed: int) -> tuple[Plan, float]:
    """A set-up that works, and a width of its curve."""
    rng = np.random.default_rng([seed, 77])
    while True:
        shot = random_shot(rng)
        rough = work_out(shot, cells=130)
        if any(p.name != "board's lower edge" for p in rough.problems) or not math.isfinite(
            rough.known.total_mm()
        ):
            continue
        plan = plan_shot(shot, changes=False)
        good = np.isfinite(plan.curve.smallest_mm)
        if any(p.name != "board's lower edge" for p in plan.problems) or good.sum() < 3:
            continue
        low, high = np.log(plan.curve.width_mm[good][[0, -1]])
        width = float(np.exp(rng.uniform(low, high)))
        # A low of 1.5 times the depth must not come near the fold-over, and needs a place between the tags.
        if 1.5 * plan.smallest_at(width) < 0.7 * plan.deepest_at(width) and width < 0.62 * min(
            plan.shot.panel_mm
        ):
            return plan, width


def one(task: tuple[int, int]) -> list[tuple]:
    """All draws of one set-up: rows of (seed, factor, reported, read, true, sigma of plan, sigma of check)."""
    seed, draws = task
    cv2.setNumThreads(1)
    plan, width = choose(seed)
    depth = plan.smallest_at(width)
    sigma = plan.sigma_at(width)
    rng = np.random.default_rng([seed, 5])
    lows = places_for(plan.shot, width, rng)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for factor in (1.5, 0.5):
            sheet = write_planned(Path(folder) / f"{factor}", plan.shot, lows, factor * depth, width, seed)
            for _ in range(draws):
                try:
                    result = check_job(draw_sheet(sheet, rng, Inputs(), depth))
                except SurfscanError as error:
                    print(f"set-up {seed}: {error}", flush=True)
                    rows += [(seed, factor, False, math.nan, factor * depth, sigma, math.nan)] * len(lows)
                    continue
                for x, y in lows:
                    read, u = map_at(result, x, y)
                    rows.append(
                        (
                            seed,
                            factor,
                            found_at(result.spots, x, y, width) > 0,
                            -read,
                            factor * depth,
                            sigma,
                            u,
                        )
                    )
    s = plan.shot
    print(
        f"set-up {seed}: panel {s.panel_mm[0]:.0f} x {s.panel_mm[1]:.0f}, crown {s.crown_mm:.0f}, {s.surface.name}, "
        f"stripes {s.period_mm:.0f}, width {width:.0f}, predicted {1e3 * depth:.1f} um; 1.5: "
        f"{sum(r[2] for r in rows if r[1] == 1.5)}/{sum(r[1] == 1.5 for r in rows)}, half: "
        f"{sum(r[2] for r in rows if r[1] == 0.5)}/{sum(r[1] == 0.5 for r in rows)}; plan u {1e3 * sigma:.2f}, "
        f"check u {1e3 * np.nanmedian([r[6] for r in rows]):.2f}, rms error "
        f"{1e3 * np.sqrt(np.nanmean([(r[3] - r[4]) ** 2 for r in rows])):.2f} um",
        flush=True,
    )
    return rows


def narrow(seed: int) -> list[tuple[float, float]]:
    """Read share of lows of 0.8 to 4 periods, true sheet, no noise to speak of."""
    rng = np.random.default_rng([seed, 3])
    shot = random_shot(rng)
    shot = Shot(
        panel_mm=(400.0, 300.0), focal_35mm=30.0, image_px=(1600, 1200), board_mm=(2000.0, 1700.0),
        period_mm=shot.period_mm + 16, board_distance_mm=800.0, camera_distance_mm=620.0, angle_deg=35.0,
        square=shot.square,
    )  # fmt: skip
    plan = plan_shot(shot, changes=False)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for times in (0.8, 1.0, 1.3, 1.7, 2.2, 3.0, 4.0):
            width = times * plan.figures.stripe_mm
            depth = min(0.4 * plan.deepest_at(width), 0.04)
            lows = places_for(shot, max(width, 40.0), rng)
            sheet = write_planned(Path(folder) / f"{times}", shot, lows, depth, width, seed)
            result = check_job(sheet)
            for x, y in lows:
                grid = result.height.grid
                near = np.hypot(*np.meshgrid(grid.x_mm - x, grid.y_mm - y)) < 0.3 * width
                rows.append(
                    (times, float(-np.nanmin(np.where(near, result.height.height_mm, np.nan))) / depth)
                )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--setups", type=int, default=60)
    parser.add_argument("--draws", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--narrow", action="store_true")
    options = parser.parse_args()
    started = time.time()
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        if options.narrow:
            rows = [r for part in pool.map(narrow, range(options.seed, options.seed + 6)) for r in part]
            for times in sorted({r[0] for r in rows}):
                shares = [r[1] for r in rows if r[0] == times]
                print(
                    f"{times:.1f} periods: reads {np.mean(shares):.3f} ({min(shares):.3f} to {max(shares):.3f})"
                )
            return
        tasks = [(1000 * options.seed + k, options.draws) for k in range(options.setups)]
        rows = [r for part in pool.map(one, tasks) for r in part]
    high = [r[2] for r in rows if r[1] == 1.5]
    half = [r[2] for r in rows if r[1] == 0.5]
    error = np.array([(r[3] - r[4]) / r[5] for r in rows])
    print(f"{options.setups} set-ups, {time.time() - started:.0f} s")
    print(
        f"1.5 times the predicted depth: {sum(high)}/{len(high)} found, {np.mean(high):.3f} (aim 0.95 and more)"
    )
    print(f"half of it: {sum(half)}/{len(half)} reported, {np.mean(half):.3f} (aim 0.05 and less)")
    for factor in (1.5, 0.5):
        these = error[np.array([r[1] == factor for r in rows])]
        print(
            f"error over the plan's u at {factor}: mean {np.nanmean(these):.2f}, "
            f"rms {np.sqrt(np.nanmean(these**2)):.2f}, "
            f"95 % within {np.nanquantile(np.abs(these), 0.95):.2f}"
        )
    told = np.array([r[6] / r[5] for r in rows])
    print(f"the check's u over the plan's: median {np.nanmedian(told):.2f}")


if __name__ == "__main__":
    main()
