"""Photos of the standard kits by the independent renderer, for `fixtures/kit`: no sheet, EXIF as a phone writes it.

    python tests/renders/kit_photos.py

Kit 0 (crossed): panel.jpg, setup.jpg. Kit 1 (stripes): two photos and setup.jpg. The true focal length is 960 px, the
28 mm of EXIF say 971. `truth.json` beside them has what is true in the frame of the job sheet's contract.
"""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

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
}


def main() -> None:
    for name, (seed, first, board, shots) in SHOTS.items():
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
