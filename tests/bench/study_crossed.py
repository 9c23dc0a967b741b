"""One crossed photo against two photos of stripes, on the same random panels by the project's ray caster.

    python tests/bench/study_crossed.py --panels 12 --seed 3

Each panel of `study_coverage.own_job` is photographed twice: two photos of stripes, and the same board with both
directions crossed in one photo. Printed: errors of the peaks against max(2 um, 2 %), intervals, and the noise of the
map (root mean square difference between two crossed, or two striped, jobs of the same scene with other noise).
"""

from __future__ import annotations

import argparse
import json
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from study_coverage import own_scene, true_spots

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.synth.camera_noise import write_job
from surfscan.synth.scene import Exposure


def less_quadric(values: Any) -> Any:
    """Finite values of a map less the second-order surface through them: the form would take that off."""
    good = np.isfinite(values)
    y, x = (a[good] / 200.0 for a in np.indices(values.shape))
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)
    return values[good] - terms @ np.linalg.lstsq(terms, values[good], rcond=None)[0]


def one(seed: int) -> dict[str, Any]:
    """Both kinds of photos of one panel, each twice with other noise."""
    import cv2

    cv2.setNumThreads(1)
    scene = own_scene(seed)
    crossed = replace(scene, shots=(Exposure("crossed.jpg", scene.poses[0], pattern="crossed"),))
    out: dict[str, Any] = {"seed": seed}
    with tempfile.TemporaryDirectory() as made:
        for kind, each in (("stripes", scene), ("crossed", crossed)):
            maps, rows = [], []
            for again in range(2):
                folder = Path(made) / f"{kind}-{again}"
                write_job(each, folder, rng=np.random.default_rng([seed, again]))
                try:
                    result = check_job(folder)
                except SurfscanError as error:
                    out[kind] = {"error": str(error), "rows": [], "noise_um": np.nan, "rms_um": np.nan}
                    break
                height = result.height
                maps.append(height.height_mm + height.form_mm)
                if again:
                    continue
                truth = np.load(folder / "truth.npz")
                for spot in true_spots(folder):
                    near = [
                        s
                        for s in result.spots
                        if s.kind == spot["kind"]
                        and np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"])
                        < max(15, 0.4 * max(spot["w"], spot["h"]))
                    ]
                    best = max(near, key=lambda s: abs(s.peak_mm), default=None)
                    rows.append(
                        (spot["true"], None, None)
                        if best is None
                        else (spot["true"], best.peak_mm, best.u95_mm)
                    )
            else:
                i = np.clip(np.searchsorted(truth["y_mm"], height.grid.y_mm), 0, truth["y_mm"].size - 1)
                j = np.clip(np.searchsorted(truth["x_mm"], height.grid.x_mm), 0, truth["x_mm"].size - 1)
                off = height.height_mm - truth["deviation_mm"][np.ix_(i, j)]
                noise = less_quadric(maps[1] - maps[0])
                out[kind] = {
                    "rows": rows,
                    "noise_um": 1e3 * float(np.sqrt(np.mean(noise**2) / 2)),
                    "rms_um": 1e3 * float(np.nanstd(off)),
                    "coverage": result.coverage,
                    "seconds": result.run["seconds"],
                }
    print(json.dumps(out), flush=True)
    return out


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--panels", type=int, default=12)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
        found = list(pool.map(one, [1000 * options.seed + k for k in range(options.panels)]))
    for kind in ("stripes", "crossed"):
        rows = [row for each in found for row in each[kind]["rows"]]
        seen = [(t, p, u) for t, p, u in rows if p is not None]
        near = sum(abs(p - t) <= max(0.002, 0.02 * abs(t)) for t, p, _ in seen)
        held = sum(abs(p - t) <= u for t, p, u in seen)
        print(
            f"{kind}: {len(rows)} spots, {len(seen)} found, {near} within max(2 um, 2 %), {held} intervals hold, "
            f"median u95 {1e3 * np.median([u for _, _, u in seen]):.2f} um, "
            f"noise {np.nanmedian([e[kind]['noise_um'] for e in found]):.3f} um, "
            f"rms {np.nanmedian([e[kind]['rms_um'] for e in found]):.2f} um"
        )
    ratio = [e["crossed"]["noise_um"] / e["stripes"]["noise_um"] for e in found]
    print(f"noise, crossed over stripes: median {np.nanmedian(ratio):.2f}")


if __name__ == "__main__":
    main()
