"""Texture of made surfaces, as measured: by finish, blur and JPEG quality, octave by octave.

    PYTHONPATH=tests python tests/bench/study_texture.py FOLDER

Panels of `tests/reading/own_photos.py` with a sum of cosines on them (waves of 2 to 32 mm, random directions); photos
are kept in FOLDER and used again. Printed for each octave: made and measured slope, mrad, and the standard uncertainty.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from reading.own_photos import edit, stripes_scene, take

from surfscan.checking.pipeline import check_job
from surfscan.synth.panels import Flat, Texture

CASES = (
    ("smooth", None, {}, {}),
    ("square stripes", (0.0005, 3), {}, {}),
    ("square, JPEG 85", (0.0005, 3), {"quality": 85}, {}),
    ("weak, JPEG 85", (0.0001, 4), {"quality": 85}, {}),
    ("cosine stripes", (0.0005, 5), {}, {"square": False}),
    ("blurred lens", (0.0005, 5), {}, {"lens_blur_px": 1.5}),
    ("satin", (0.0005, 6), {}, {"roughness_rad": 0.003}),
)


def made_mrad(texture: Texture | None, short: float, long: float) -> float:
    """Root mean square slope of the cosines of an octave: each has (amplitude x wave number)^2 / 2."""
    if texture is None:
        return 0.0
    kx, ky, _ = texture._waves
    number = np.hypot(kx, ky)
    inside = (2 * np.pi / number >= short) & (2 * np.pi / number < long)
    return float(1e3 * np.sqrt(np.sum((texture._amplitude * number[inside]) ** 2 / 2)))


def main() -> None:
    for name, made, camera, scene in CASES:
        texture = None if made is None else Texture(made[0], (2.0, 32.0), seed=made[1], terms=160)
        folder = Path(sys.argv[1]) / name.replace(" ", "-")
        if not (folder / "panel.toml").exists():
            take(replace(stripes_scene(shape=texture or Flat()), **scene), folder, **camera)
            edit(folder, ("low_mm = ", "texture_mrad = 5.0\nlow_mm = "))
        for band in check_job(folder).details["texture"]["bands"]:
            short, long = band["from_mm"], band["to_mm"]
            print(
                f"{name:16} {short:4g} to {long:4g} mm: made {made_mrad(texture, short, long):.3f},"
                f" measured {band['slope_rms_mrad']:.3f}, u {band['u_mrad']:.3f}"
            )


if __name__ == "__main__":
    main()
