"""Make a job whose photos have gone wrong, one fault each, from a good job.

    python tests/renders/bad_photos.py fixtures/jobs/flat fixtures/jobs/bad-photos

The photos are made at 800 x 600 (half size) so that the folder stays small; `panel.toml` has the focal length
of that size and names the two good ones. The other files are to be put in their place by a test.
"""

import argparse
import re
from pathlib import Path

import numpy as np
from PIL import Image
from scipy.ndimage import convolve, gaussian_filter


def half(path: Path) -> np.ndarray:
    """The photo at half size, grey, 0 to 255."""
    grey = np.asarray(Image.open(path).convert("L"), dtype=float)
    h, w = grey.shape
    return grey.reshape(h // 2, 2, w // 2, 2).mean((1, 3))


def save(grey: np.ndarray, path: Path) -> None:
    """Write a grey picture as a JPEG of quality 88."""
    Image.fromarray(np.clip(np.round(grey), 0, 255).astype(np.uint8)).convert("RGB").save(path, quality=88)


def smear(grey: np.ndarray, length: int) -> np.ndarray:
    """Motion along the diagonal."""
    return convolve(grey, np.eye(length) / length, mode="nearest")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("good", type=Path)
    parser.add_argument("out", type=Path)
    options = parser.parse_args()
    good, out = options.good, options.out
    out.mkdir(parents=True, exist_ok=True)
    across, up = half(good / "stripes-across.jpg"), half(good / "stripes-up.jpg")
    h, w = across.shape
    save(across, out / "stripes-across.jpg")
    save(up, out / "stripes-up.jpg")
    save(np.zeros((h, w)), out / "black.jpg")
    save(np.full((h, w), 255.0), out / "white.jpg")
    save(across * 0.06, out / "too-dark.jpg")
    save(np.where(across > 105, 255.0, 1.6 * across), out / "blown-out.jpg")
    save(smear(across, 23), out / "motion.jpg")
    save(gaussian_filter(across, 7), out / "out-of-focus.jpg")
    # every tag hidden behind a grey card
    hidden = across.copy()
    for box in (
        (0.0, 0.33, 0.0, 0.20),
        (0.0, 0.33, 0.78, 1.0),
        (0.72, 1.0, 0.0, 0.16),
        (0.72, 1.0, 0.84, 1.0),
    ):
        r0, r1, c0, c1 = (round(v * n) for v, n in zip(box, (h, h, w, w), strict=True))
        hidden[r0:r1, c0:c1] = 140
    save(hidden, out / "no-tags.jpg")
    # only one tag left, the lower right
    one = hidden.copy()
    one[round(0.72 * h) :, round(0.84 * w) :] = across[round(0.72 * h) :, round(0.84 * w) :]
    save(one, out / "one-tag.jpg")
    save(across[:, ::-1], out / "mirrored.jpg")
    rng = np.random.default_rng(40)
    save(across * 0.25 + 120 + 6 * rng.standard_normal((h, w)), out / "faint.jpg")
    data = (out / "stripes-across.jpg").read_bytes()
    (out / "truncated.jpg").write_bytes(data[: len(data) // 2])
    (out / "not-a-photo.jpg").write_text("This is a text file with the wrong name.\n")
    (out / "empty.jpg").write_bytes(b"")
    sheet = (good / "panel.toml").read_text()
    focal = float(re.search(r"focal_px = ([\d.]+)", sheet).group(1))
    (out / "panel.toml").write_text(sheet.replace(f"focal_px = {focal}", f"focal_px = {focal / 2}"))


if __name__ == "__main__":
    main()
