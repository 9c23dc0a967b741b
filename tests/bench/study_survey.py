"""Tags laid by hand and measured by nobody: what surveying them from the photos is worth.

python tests/bench/study_survey.py [--seeds 6] [--keep DIR]

Photos by the independent renderer (`tests/truth/hand_laid.py`): tags turned by 4 degrees and moved by up to 40 mm,
the board and three hand-held cameras elsewhere each time, panels flat and crowned. The sheet knows the tags' side, the
board and the lens (a second time: the lens to a maker's round figure), and no place on the panel. Told: error of each
peak over what is asked (the larger of 3 um and 3 %) and over its stated U95; of the board's distance, %; of its place
and of the tags' over their standard uncertainties.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth.hand_laid import HandLaid, make_scene, sheet_text, write_shots

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import CheckResult

LENSES = {"calibrated": "focal_px = 1700", "maker's figure": "focal_35mm = 31"}


def misses(scene: HandLaid, result: CheckResult) -> dict[str, float]:
    """How far a result is off."""
    ratio, inside, per_cent = [], [], []
    for x, y, depth in scene.truth_dents:
        near = min(result.spots, key=lambda s: np.hypot(s.x_mm - x, s.y_mm - y))
        off = abs(near.peak_mm - depth)
        ratio.append(off / max(0.003, 0.03 * abs(depth)))
        inside.append(off <= near.u95_mm)
        per_cent.append(100 * (near.peak_mm / depth - 1))
    true = scene.board_true
    setup, survey = result.details["setup"], result.details["survey"]
    found = np.array(setup["board_centre_mm"])
    far = float(np.linalg.norm(true["centre"]))
    z_board = (found - true["centre"]) / np.array(setup["u_centre_mm"])
    z_tags = []
    for tag, (x, y, *_) in scene.tags.items():
        z = float(scene.height(np.array(x), np.array(y))[0])
        at = scene.frame.T @ (np.array([x, y, z]) - scene.origin)
        z_tags.append((np.array(survey["tags_mm"][str(tag)]) - at) / np.array(survey["u_mm"][str(tag)]))
    return {
        "worst_of_asked": max(ratio),
        "inside": float(np.mean(inside)),
        "peaks_%": float(np.mean(per_cent)),
        "board_%": 100 * abs(float(np.linalg.norm(found)) / far - 1),
        "board_z": float(np.sqrt(np.mean(z_board**2))),
        "tags_z": float(np.sqrt(np.mean(np.square(z_tags)))),
        "focal_%": 100 * (survey["focal_stretch"] - 1),
        "doubts": float(
            sum(r.code.startswith("setup-s") or r.code == "setup-contradicted" for r in result.findings)
        ),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="Tags surveyed from the photos.")
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    rows: list[dict[str, float]] = []
    for seed in range(options.first, options.first + options.seeds):
        radius = (0.0, 2500.0, 5000.0)[seed % 3]
        scene = make_scene(seed, radius_mm=radius)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) if options.keep is None else options.keep / str(seed)
            folder.mkdir(parents=True, exist_ok=True)
            if not (folder / "setup.jpg").exists():
                write_shots(scene, folder, seed=seed)
            for lens, focal in LENSES.items():
                (folder / "panel.toml").write_text(sheet_text(scene, focal=focal), encoding="utf-8")
                try:
                    row = misses(scene, check_job(folder))
                except SurfscanError as error:
                    print(f"{seed} {radius:g} {lens}: {error}", flush=True)
                    continue
                rows.append(row)
                told = "  ".join(f"{key} {value:.2f}" for key, value in row.items())
                print(f"{seed} radius {radius:g} {lens}: {told}", flush=True)
    if rows:
        print(
            "worst of asked",
            max(r["worst_of_asked"] for r in rows),
            "board % worst",
            max(r["board_%"] for r in rows),
        )
        print("inside", np.mean([r["inside"] for r in rows]), "of", 3 * len(rows))
        for key in ("board_z", "tags_z"):
            print(key, np.sqrt(np.mean([r[key] ** 2 for r in rows])))


if __name__ == "__main__":
    main()
