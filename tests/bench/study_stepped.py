"""Noise of a stepped reading from photos to height, against the Cramer-Rao bound, and the decoder against another.

    python tests/bench/study_stepped.py [--site FOLDER]

White noise of 0.5 % of white on noiseless photos, read twice: the difference of both maps over sqrt 2. Bound of a
cell's phase: sqrt(2/N) sigma / B (Surrel 1997, Appl. Opt. 36, 271) over the photo pixels that make up a cell, frames
of both periods counted with their frequency; slopes integrate by Southwell's rule,
h sigma_slope sqrt(ln n / (2 pi) + 0.15).

With --site, a folder in which the general-purpose library `fringes` is installed (pip install --target FOLDER
fringes): phase and place of the same frames by it and by `fit_steps` and `find_place`.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth.test_stepped_fold import FOCAL, PIXELS, scene

from surfscan.checking.pipeline import check_job
from surfscan.phase.stepped import find_place, fit_steps
from surfscan.synth.camera_noise import write_job, write_photo
from surfscan.synth.panels import Flat
from surfscan.synth.render import render


def noise_against_bound(sigma: float = 0.005) -> tuple[float, float]:
    """Noise of the height and its bound, mm."""
    made, heights = scene(Flat(), steps=4), []
    clean = {shot.file: render(made, shot) for shot in made.shots}
    rng = np.random.default_rng(2)
    with tempfile.TemporaryDirectory() as folder:
        job = write_job(made, folder, rng=np.random.default_rng(1), bits=16, encoding="linear")
        for _ in range(2):
            for shot in made.shots:
                noisy = np.clip(clean[shot.file] + rng.normal(0, sigma, PIXELS[::-1]), 0, 1)
                write_photo(job / shot.file, noisy, encoding="linear", bits=16)
            heights.append(check_job(job).height)
    grid = heights[0].grid
    gap = (heights[0].height_mm + heights[0].form_mm) - (heights[1].height_mm + heights[1].form_mm)
    x, y = np.meshgrid(grid.x_mm / 150, grid.y_mm / 150)
    good = np.isfinite(gap)
    # Poses move a little with the noise at the tags; what that bends is no noise of the stripes.
    terms = np.stack([x**i * y**j for i in range(4) for j in range(4 - i)], -1)
    gap = gap - terms @ np.linalg.lstsq(terms[good], gap[good], rcond=None)[0]
    frames = np.stack([clean[shot.file] for shot in made.shots[:4]])
    amplitude = np.hypot(frames[0] - frames[2], frames[1] - frames[3]) / 2
    b = float(np.median(amplitude[150:220, 180:300]))
    told = sum(4 * (2 * np.pi / period) ** 2 * b**2 / 2 for period in (48.0, 40.0))
    pixels = grid.step_mm**2 * np.sin(np.radians(54)) / (950 / FOCAL) ** 2  # foreshortened up the panel
    place_mm = sigma / np.sqrt(told * pixels)
    slopes = [place_mm / (2 * 850.0 * np.cos(np.radians(36))), place_mm / (2 * 850.0)]
    n = np.sqrt(good.sum())
    bound = grid.step_mm * np.sqrt((slopes[0] ** 2 + slopes[1] ** 2) / 2 * (np.log(n) / (2 * np.pi) + 0.15))
    return float(np.nanstd(gap)) / np.sqrt(2), float(bound)


def against_another(site: str) -> None:
    """Phase and absolute place of the same noisy 8-bit frames by another decoder."""
    sys.path.insert(0, site)
    from fringes import Fringes

    wide, rng = 400, np.random.default_rng(1)
    other = Fringes(X=wide, Y=60)  # two axes, two periods of four steps each
    frames = np.clip(other.encode() * 0.7 + 20 + rng.normal(0, 3, other.encode().shape), 0, 255).astype(
        np.uint8
    )
    theirs = other.decode(frames, verbose=True)
    steps = -np.pi - np.pi / 2 * np.arange(4)
    periods = [wide / v for v in np.ravel(other.v)[:2]]
    stacks = [frames[4 * k : 4 * k + 4, ..., 0].astype(float) for k in (0, 1)]
    phases = [fit_steps(stack, steps).phase_rad for stack in stacks]
    for k, phase in enumerate(phases):
        gap = np.angle(np.exp(1j * (phase - theirs.p[k][..., 0])))
        print(f"period {periods[k]:.1f} px: phases differ by {np.abs(gap).max():.1e} rad at most")
    near = np.full(frames.shape[1:3], wide / 2)
    place, _ = find_place(phases, periods, near_mm=near, reach_mm=wide)
    off = place - theirs.x[0][..., 0]
    off = off - wide * np.round(off / wide)  # both periods together repeat after the picture's width
    print(
        f"places differ by {np.abs(off).max():.2f} px at most (that library averages both periods, noise 3 of 255)"
    )


if __name__ == "__main__":
    options = argparse.ArgumentParser()
    options.add_argument("--site")
    site = options.parse_args().site
    noise, bound = noise_against_bound()
    print(f"noise {1e3 * noise:.4f} um, bound {1e3 * bound:.4f} um, ratio {noise / bound:.2f} (aim 1.5)")
    if site:
        against_another(site)
