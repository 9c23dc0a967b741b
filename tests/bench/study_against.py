"""A crowned panel held against the car's other side, photographed by the independent renderer.

    python tests/bench/study_against.py [--spp 48] [--variant llvm_ad_mono]

A sphere of 2 m with a styling swell of 1.2 mm (320 x 220 mm) that no low-order surface follows, and a low of 0.1 mm,
60 mm wide. The other side is its mirror image with waves of its own, shot with other board, stripes and camera place.
Printed: the low against its true depth (asked: within 5 %) with and without the other side, and the map's error.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "renders"))

import mitsuba
import scene_table
from scene_table import away, ball, board_at, bowl, spot

from surfscan.change.against import against_result
from surfscan.checking.pipeline import check_job

SCENES = {
    "this-side": {
        "size": (500, 380),
        "seed": 71,
        "focal": 2810.2,
        "form": [(ball, {"r": 2000.0}), spot(bowl, 40, 20, 1.2, 320, 220, order=3)],
        "eyes": [away(1240, 52, 9)],
        "board": board_at(880, 51, (2200, 1800), 24),
        "faults": [spot(bowl, -60, -40, -0.1, 60)],
        "waves": 0.0008,
    },
    "other-side": {
        "size": (500, 380),
        "seed": 72,
        "focal": 2710.0,
        "form": [(ball, {"r": 2000.0}), spot(bowl, -40, 20, 1.2, 320, 220, order=3)],
        "eyes": [away(1190, 55, -12)],
        "board": board_at(1000, 54, (2500, 2000), 28),
        "faults": [],
        "waves": 0.0008,
    },
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--spp", type=int, default=48)
    parser.add_argument("--variant", default="llvm_ad_mono")
    options = parser.parse_args()
    mitsuba.set_variant(options.variant)
    from mitsuba_scenes import make

    scene_table.SCENES.update(SCENES)
    with tempfile.TemporaryDirectory() as scratch:
        for name in SCENES:
            make(name, Path(scratch), options.spp)
        this, other = (Path(scratch) / name for name in SCENES)
        with np.load(this / "truth.npz") as known:
            tx, ty, deviation = known["x_mm"], known["y_mm"], known["deviation_mm"].astype(float)
        true = float(deviation.min())
        usual = check_job(this)
        print(
            "by its own fair form:",
            [(s.kind, round(s.peak_mm, 4), round(s.x_mm), round(s.y_mm)) for s in usual.spots],
        )
        result = check_job(this, against=against_result(check_job(other), mirrored=True))
        for s in result.spots:
            print(
                f"against the other side: {s.kind} {s.peak_mm:.4f} (true {true:.4f},"
                f" {100 * (s.peak_mm / true - 1):+.1f} %), u95 {s.u95_mm:.4f}, at ({s.x_mm:.0f}, {s.y_mm:.0f})"
            )
        grid = result.height.grid
        column = np.clip(np.searchsorted(tx, grid.x_mm), 0, tx.size - 1)
        row = np.clip(np.searchsorted(ty, grid.y_mm), 0, ty.size - 1)
        off = 1e3 * (result.height.height_mm - deviation[np.ix_(row, column)])
        details = result.details["against"]
        print(
            f"map: {np.nanstd(off):.2f} um rms, {np.nanmax(np.abs(off)):.1f} um at worst, both sides' waves in it;"
            f" laid under at ({details['x_mm']:.2f}, {details['y_mm']:.2f}) mm within {details['u_x_mm']:.2f},"
            f" {details['u_y_mm']:.2f}; bend {1e3 * details['bend_mm']:.0f} um"
        )


if __name__ == "__main__":
    main()
