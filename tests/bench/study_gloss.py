"""Stripe edges of the gloss preview against an independent renderer's, and what the preview takes.

python tests/bench/study_gloss.py
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from gloss.test_gloss_mitsuba import CAMERA, CASES, EYE, PERIOD, PIXELS, TARGET, by_mitsuba, map_of, shifts

from surfscan.gloss.mirrored import make_mirror, mirror_pixels, picture_of
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.viewing import walk_round
from surfscan.synth.scene import board_facing, look_at

wall = board_facing(620, 43, size_mm=(960, 960), period_mm=PERIOD)
inside = np.s_[50:-50, 60:-60]
for form, deviation, light in CASES:
    theirs = by_mitsuba(form + deviation, wall, light)[inside]
    for smooth in (0.0, 2.0, 4.0, 8.0):
        mirrors = make_mirror(map_of(form, deviation, noise_mm=0.0003), smooth_mm=smooth)
        pair = [
            picture_of(
                mirror_pixels(m, camera=CAMERA, pose=look_at(EYE, TARGET), size_px=PIXELS, wall=wall), light
            )[inside]
            for m in mirrors
        ]
        rms = [np.sqrt(np.mean(shifts(p, theirs) ** 2)) for p in pair]
        print(f"{light.kind:8} smoothed {smooth:g} mm: {rms[0]:.3f} px rms; the panel made fair {rms[1]:.2f}")
panel = map_of(CASES[1][0], CASES[1][1])
for views, lights in ((1, ("stripes",)), (8, ("stripes", "strip", "grid"))):
    start = time.perf_counter()
    preview_gloss(panel, views=walk_round(views=views), lights=lights)
    print(f"{views} views, {len(lights)} lights: {time.perf_counter() - start:.2f} s")
