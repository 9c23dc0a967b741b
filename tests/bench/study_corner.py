"""Corner panels swept by hand, by tests/renders/corner_photos.py: how well peaks are told, and whether intervals hold.

    python tests/bench/study_corner.py --family corner --scenes 4 --seed 11

Families: `corner` (300 mm radius over 50 degrees), `other` (radii of 250 to 600 mm over 20 to 60 degrees, curvature
that changes along the bend, a crown along the straight lines). With `--off` the sheet's board and focal length are
wrong by their default uncertainties, at random. Printed for each scene: share seen, each peak's error and standard
uncertainty; at the end the share within max(5 um, 5 %), and within the intervals.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "renders"))

from corner_photos import random_scene, write_job

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import CheckResult


def scene_of(family: str, seed: int, photos: int):  # type: ignore[no-untyped-def]
    """The scene of a family."""
    rng = np.random.default_rng(1000 + seed)
    columns = max(3, photos // 2)
    if family == "corner":
        return random_scene(seed, columns=columns, wave=("square", "cosine")[seed % 2])
    radius = float(rng.uniform(250, 600))
    degrees = float(rng.uniform(max(20, np.degrees(130 / radius)), min(60, np.degrees(380 / radius))))
    return random_scene(
        seed,
        radius_mm=radius,
        degrees=degrees,
        taper=float(rng.uniform(-0.15, 0.15)),
        crown_mm=float(rng.choice([np.inf, 2500.0, 4000.0])),
        columns=columns,
        wave=("square", "cosine")[seed % 2],
        focal_px=1700.0,
        side_mm=20.0,
    )


def peaks(result: CheckResult, folder: Path) -> list[tuple[float, float, float]]:
    """True peak, error and standard uncertainty of each made spot, um; NaN where it was not found."""
    rows = []
    for spot in json.loads((folder / "truth.json").read_text())["spots"]:
        near = [
            s
            for s in result.spots
            if s.peak_mm * spot["peak_mm"] > 0
            and np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"]) < spot["width_mm"] / 3
        ]
        if not near:
            rows.append((1e3 * spot["peak_mm"], np.nan, np.nan))
            continue
        found = min(near, key=lambda s: np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"]))
        rows.append(
            (1e3 * spot["peak_mm"], 1e3 * (found.peak_mm - spot["peak_mm"]), 1e3 * found.u95_mm / 1.96)
        )
    return rows


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--family", choices=("corner", "other"), default="corner")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scenes", type=int, default=1)
    parser.add_argument("--photos", type=int, default=10)
    parser.add_argument("--off", action="store_true")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    every = []
    for seed in range(options.seed, options.seed + options.scenes):
        scene = scene_of(options.family, seed, options.photos)
        rng = np.random.default_rng(2000 + seed)
        off = (rng.normal(0, 3.0, 3), rng.normal(0, 0.3, 3), rng.normal(0, 0.002)) if options.off else None
        with tempfile.TemporaryDirectory() as made:
            folder = (options.keep or Path(made)) / f"{options.family}-{seed}{'-off' * options.off}"
            if not folder.exists():
                write_job(scene, folder, seed=seed, off=off)
            began = time.perf_counter()
            what = f"{seed}: {scene.radius_mm:.0f} mm, {scene.degrees:.0f} degrees"
            try:
                result = check_job(folder)
            except SurfscanError as error:
                print(f"{what}: {error}", flush=True)
                every += [(1e3 * s.amp_mm, np.nan, np.nan) for s in scene.spots]
                continue
            took = time.perf_counter() - began
            rows = peaks(result, folder)
            every += rows
            extra = len(result.spots) - sum(np.isfinite(r[1]) for r in rows)
            seen = result.details["sweep"]
            print(
                f"{what}: seen {result.coverage:.3f}, {seen['photos_used']} photos, {extra} more spots, {took:.0f} s; "
                + "; ".join(f"{true:.0f} um: off {by:+.1f} (u {u:.1f})" for true, by, u in rows),
                flush=True,
            )
    true, by, u = np.array(every).T
    held, inside = np.abs(by) <= np.maximum(5.0, 0.05 * np.abs(true)), np.abs(by) <= 1.96 * u
    print(
        f"{len(true)} spots: within max(5 um, 5 %) {held.mean():.2f}; within 1.96 u {inside.mean():.2f};"
        f" rms of error over u {np.sqrt(np.nanmean((by / u) ** 2)):.2f}; worst {np.nanmax(np.abs(by)):.1f} um"
    )


if __name__ == "__main__":
    main()
