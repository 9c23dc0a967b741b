"""The board's place from its own tags in the panel's mirror, with no set-up photo: what that is worth.

python tests/bench/study_mirrored_board.py [--seeds 6] [--first 1] [--photos 6] [--keep DIR]

Photos of a kit by the independent renderer (`tests/truth/hand_laid.py`): tags laid by hand, a crossed board of
640 x 540 mm, six hand-held photos from several sides, panels flat and crowned to 2.5 and 5 m. Told: the board's
middle, % of its distance, over its stated standard uncertainty; each peak's error over what is asked (the larger of
3 um and 3 %) and whether it is inside its U95.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth.hand_laid import HandLaid, make_scene, sheet_text, write_shots

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import CheckResult

EYES = (
    (-260.0, -440.0, 640.0),
    (250.0, -420.0, 600.0),
    (0.0, -600.0, 800.0),
    (-150.0, -320.0, 520.0),
    (120.0, -520.0, 560.0),
    (20.0, -360.0, 700.0),
)
FILES = tuple(f"{name}.jpg" for name in "abcdef")


def scene_of(seed: int) -> HandLaid:
    """A kit's scene with the eyes of hand-held photos from several sides."""
    rng = np.random.default_rng(1000 + seed)
    scene = make_scene(
        seed,
        radius_mm=(0.0, 2500.0, 5000.0)[seed % 3],
        dictionary="5x5_1000",
        first_tags=(0, 8),
        sides_mm=(40.0, 63.0),
        size_mm=(640.0, 540.0),
        inset_mm=45.0,
        share=0.66,
    )
    eyes = {f[0]: np.array(at) + rng.normal(0, 40, 3) for f, at in zip(FILES, EYES, strict=True)}
    return replace(scene, eyes={**scene.eyes, **eyes})


def write(scene: HandLaid, folder: Path, *, seed: int) -> None:
    """All photos of a scene."""
    shots = tuple((file, file[0], "crossed") for file in FILES)
    write_shots(
        scene, folder, pixels=(1600, 1200), focal_px=1280.0, panel_mm=(520.0, 380.0), shots=shots, spp=9,
        seed=seed,
    )  # fmt: skip


def sheet(scene: HandLaid, files: tuple[str, ...]) -> str:
    """The sheet: no place of anything."""
    text = sheet_text(scene, focal="focal_px = 1280").replace('setup_photo = "setup.jpg"\n', "")
    head = text.split("[[photo]]")[0].replace("[board]\n", '[board]\npattern = "crossed"\n')
    return head + "".join(f'[[photo]]\nfile = "{file}"\n\n' for file in files)


def misses(scene: HandLaid, result: CheckResult) -> dict[str, float]:
    """How far a result is off."""
    ratio, inside = [], []
    for x, y, depth in scene.truth_dents:
        near = min(result.spots, key=lambda s: np.hypot(s.x_mm - x, s.y_mm - y))
        off = abs(near.peak_mm - depth)
        ratio.append(off / max(0.003, 0.03 * abs(depth)))
        inside.append(off <= near.u95_mm)
    setup = result.details["setup"]
    found, true = np.array(setup["board_centre_mm"]), scene.board_true["centre"]
    z = (found - true) / np.array(setup["u_centre_mm"])
    return {
        "worst_of_asked": max(ratio),
        "inside": float(np.mean(inside)),
        "board_%": 100 * float(np.linalg.norm(found - true) / np.linalg.norm(true)),
        "board_z": float(np.sqrt(np.mean(z**2))),
        "spots": float(len(result.spots)),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="The board by its mirrored tags.")
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--photos", type=int, default=6)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    rows: list[dict[str, float]] = []
    for seed in range(options.first, options.first + options.seeds):
        scene = scene_of(seed)
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) if options.keep is None else options.keep / str(seed)
            folder.mkdir(parents=True, exist_ok=True)
            if not (folder / FILES[-1]).exists():
                write(scene, folder, seed=seed)
            (folder / "panel.toml").write_text(sheet(scene, FILES[: options.photos]), encoding="utf-8")
            try:
                row = misses(scene, check_job(folder))
            except SurfscanError as error:
                print(f"{seed} {scene.radius_mm:g}: {error}", flush=True)
                continue
            rows.append(row)
            told = "  ".join(f"{key} {value:.2f}" for key, value in row.items())
            print(f"{seed} radius {scene.radius_mm:g}: {told}", flush=True)
    for key in rows[0] if rows else ():
        values = [row[key] for row in rows]
        print(f"{key}: median {np.median(values):.2f}, worst {max(values):.2f} of {len(rows)}")


if __name__ == "__main__":
    main()
