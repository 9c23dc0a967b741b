"""Photos of the standard kits by the independent renderer, for `fixtures/kit`: no sheet, EXIF as a phone writes it.

    python tests/renders/kit_photos.py [NAME ...]

Kit 0 (crossed): panel.jpg, setup.jpg. Kit 1 (stripes): two photos and setup.jpg. Kit 0 once more (mirrored): three
hand-held photos in which the panel mirrors some of the board's tags, no set-up photo. The true focal length is
960 px, the 28 mm of EXIF say 971. `truth.json` beside them has what is true in the frame of the job sheet's contract.
"""

from __future__ import annotations

import io
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth.hand_laid import make_scene, write_shots

OUT = Path(__file__).parents[2] / "fixtures" / "kit"
FOCAL_35MM = 28
SHOTS = {
    "crossed": (3, 0, 8, (("panel.jpg", "a", "crossed"), ("setup.jpg", "setup", "crossed"))),
    "stripes": (
        5,
        16,
        24,
        (("one.jpg", "a", "up"), ("two.jpg", "b", "across"), ("setup.jpg", "setup", "up")),
    ),
    "mirrored": (
        7,
        0,
        8,
        (("left.jpg", "l", "crossed"), ("low.jpg", "m", "crossed"), ("right.jpg", "r", "crossed")),
    ),
}
HAND_HELD = {
    "l": np.array([-190.0, -330.0, 470.0]),
    "m": np.array([20.0, -480.0, 520.0]),
    "r": np.array([200.0, -300.0, 440.0]),
}
"""Closer than the board stands, so that the panel mirrors it whole."""


def main() -> None:
    for name in sys.argv[1:] or SHOTS:
        seed, first, board, shots = SHOTS[name]
        scene = make_scene(
            seed,
            radius_mm=3000.0,
            dictionary="5x5_1000",
            first_tags=(first, board),
            sides_mm=(40.0, 84.0),
            size_mm=(1080.0, 960.0),
            inset_mm=54.0,
            share=0.66,
        )
        if name == "mirrored":
            far = {**scene.board, "centre": 1.5 * scene.board["centre"]}
            scene = replace(scene, board=far, eyes={**scene.eyes, **HAND_HELD})
        folder = OUT / name
        folder.mkdir(parents=True, exist_ok=True)
        write_shots(
            scene, folder, pixels=(1200, 900), focal_px=960.0, panel_mm=(520.0, 380.0), shots=shots, spp=16
        )
        for file, _, _ in shots:
            _as_a_phone(folder / file)
        true = {key: [float(v) for v in value] for key, value in scene.board_true.items()}
        (folder / "truth.json").write_text(
            json.dumps({"board": true, "dents": scene.truth_dents}, indent=1) + "\n"
        )


def _as_a_phone(path: Path) -> None:
    """The same picture with a focal length in its EXIF (tags 0x8769, 0xA405 of Exif 2.32)."""
    picture = Image.open(io.BytesIO(path.read_bytes()))
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = FOCAL_35MM
    picture.save(path, quality=90, exif=exif)


if __name__ == "__main__":
    main()
