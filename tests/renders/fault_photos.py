"""Plates with small faults by the independent renderer: pits, nibs, rings, runs, scratches and drops as fine meshes.

    python tests/renders/fault_photos.py FOLDER SEED...

Written apart from `surfscan.synth`, on purpose: shapes are those of `scene_table.py` and of this file. `truth.json` of
each job lists the faults as that of the project's own renderer does. JPEG 85.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import mitsuba as mi
import numpy as np
from mitsuba_scenes import base_texture, develop, photo, sheet, shots
from PIL import Image
from scene_table import BASE, away, bell, board_at, bowl, ring, slow_waves, spot
from scipy.ndimage import binary_erosion, gaussian_filter

SIZE, PIXELS = (320, 240), (800, 640)
SPP = 24
KINDS = ("pit", "nib", "ring", "run", "scratch", "drop")
SIZES = {
    "pit": (0.3, 6.0),
    "nib": (0.3, 6.0),
    "ring": (1.5, 10.0),
    "run": (8.0, 22.0),
    "scratch": (2.0, 18.0),
    "drop": (0.6, 8.0),
}


def furrow(x, y, at, length, width, depth, angle):
    """A straight furrow with a cosine's profile; its ends run out as steeply as its sides."""
    c, s = np.cos(angle), np.sin(angle)
    u, v = c * (x - at[0]) + s * (y - at[1]), c * (y - at[1]) - s * (x - at[0])
    over = np.maximum(np.abs(u) - (length - width) / 2, 0) * np.sign(u)
    r = np.maximum(np.hypot(over, v), 1e-12)
    on = r < width / 2
    z = np.where(on, -depth * 0.5 * (1 + np.cos(2 * np.pi * r / width)), 0.0)
    d = np.where(on, depth * np.pi / width * np.sin(2 * np.pi * r / width), 0.0)
    zu, zv = d * over / r, d * v / r
    return z, c * zu - s * zv, s * zu + c * zv


def bead(x, y, at, width, foot):
    """A drop: part of a sphere that meets the panel at an angle."""
    dx, dy = x - at[0], y - at[1]
    radius = width / 2 / np.sin(foot)
    on = dx**2 + dy**2 < (width / 2) ** 2
    root = np.sqrt(np.where(on, radius**2 - dx**2 - dy**2, 1.0))
    z = np.where(on, root - radius * np.cos(foot), 0.0)
    return z, np.where(on, -dx / root, 0.0), np.where(on, -dy / root, 0.0)


def made(kind, x, y, rng):
    """One fault: its parts, reach, mesh step and row of the truth."""
    size = float(np.exp(rng.uniform(*np.log(SIZES[kind]))))
    angle, width = 0.0, size
    if kind in ("pit", "nib"):
        width = size * rng.uniform(0.75, 1.0)
        peak = width * np.exp(rng.uniform(np.log(0.01), np.log(0.1))) * (-1 if kind == "pit" else 1)
        parts, reach = [spot(bell, x, y, peak, size, width)], 1.25 * size
    elif kind == "ring":
        wall = size * rng.uniform(0.12, 0.25)
        kw = {"at": (x, y), "peak": wall * rng.uniform(0.006, 0.03), "radius": (size - wall) / 2, "w": wall}
        parts, reach = [(ring, kw)], size / 2 + wall
    elif kind == "run":
        angle, width = 90.0, float(np.clip(size * rng.uniform(0.15, 0.3), 1.5, 14))
        peak = width * np.exp(rng.uniform(np.log(0.004), np.log(0.02)))
        head = y - size / 2 + 0.65 * width
        parts = [
            spot(bowl, x, y, 0.6 * peak, width, size, order=3),
            spot(bowl, x, head, peak, 1.3 * width, 1.3 * width),
        ]
        reach = size / 2 + 1
    elif kind == "scratch":
        turn, width = rng.uniform(0, np.pi), rng.uniform(0.15, 0.5)
        angle, depth = float(np.degrees(turn)), width * np.exp(rng.uniform(np.log(0.02), np.log(0.12)))
        parts = [(furrow, {"at": (x, y), "length": size, "width": width, "depth": depth, "angle": turn})]
        reach = size / 2 + width
    else:
        parts, reach = (
            [(bead, {"at": (x, y), "width": size, "foot": np.radians(rng.uniform(20, 50))})],
            size / 2,
        )
    row = {"kind": kind, "x_mm": x, "y_mm": y, "length_mm": size, "width_mm": width, "angle_deg": angle}
    step = max(min(width, size) / 40, 0.02)
    return {"at": (x, y), "reach": reach + 0.5, "step": step, "parts": parts, "row": row}


def plate(seed):
    """A plate's scene, some fifty faults on it."""
    rng = np.random.default_rng(seed + 7000)
    e, far = rng.uniform(50, 58), rng.uniform(1200, 1400)
    w, h = SIZE
    tags = {0: (-w / 2 + 27, -h / 2 + 27), 1: (w / 2 - 27, -h / 2 + 27)}
    tags |= {2: (w / 2 - 27, h / 2 - 27), 3: (-w / 2 + 27, h / 2 - 27)}
    x, y = (
        v.ravel()
        for v in np.meshgrid(np.arange(-w / 2 + 16, w / 2 - 15, 27), np.arange(-h / 2 + 16, h / 2 - 15, 27))
    )
    free = [k for k in range(len(x)) if min(max(abs(x[k] - a), abs(y[k] - b)) for a, b in tags.values()) > 40]
    places = [(x[k] + rng.uniform(-2, 2), y[k] + rng.uniform(-2, 2)) for k in rng.permutation(free)]
    small = [made(KINDS[(n + seed) % len(KINDS)], *map(float, at), rng) for n, at in enumerate(places)]
    return {
        **BASE,
        "name": f"m{seed}",
        "title": f"plate {seed}",
        "size": SIZE,
        "pixels": PIXELS,
        "seed": seed,
        "focal": 2.05 * far,
        "eyes": [away(far, e, rng.uniform(-4, 4)), away(far + 20, e + 1, rng.uniform(-4, 4))],
        "ups": [(rng.uniform(-0.05, 0.05), 1, 0), (rng.uniform(-0.05, 0.05), 1, 0)],
        "board": board_at(float(rng.uniform(850, 1050)), e, (2400, 2000), round(float(rng.uniform(24, 32)))),
        "tags": tags,
        "border": 6.0,
        "side": 36.0,
        "sag": 0.0,
        "parts": slow_waves(seed, 0.001),
        "quality": 85,
        "well": 8000,
        "small": small,
    }


def evened(matt):
    """The base's light without the renderer's own grain, which a camera does not have; as it is at tags and rims."""
    usual = np.median(matt)
    even = binary_erosion(np.abs(matt / usual - 1) < 0.6, iterations=6)
    share = gaussian_filter(even.astype(float), 4)
    return np.where(even, gaussian_filter(np.where(even, matt, 0), 4) / np.maximum(share, 1e-3), matt)


def main():
    mi.set_variant("scalar_rgb")  # needs no compiler on the machine
    for seed in map(int, sys.argv[2:]):
        started, s = time.perf_counter(), plate(seed)
        folder = Path(sys.argv[1]) / s["name"]
        if (folder / "truth.json").exists():
            continue
        folder.mkdir(parents=True, exist_ok=True)
        s["texture"], s["cache"] = base_texture(s), {}
        rng, taken = np.random.default_rng(seed), shots(s)
        for shot in taken:
            linear = photo(s, shot, SPP)
            matt = list(s["cache"].values())[-1]  # of this eye: the base under the coat, rendered last
            grey = develop(linear + evened(matt) - matt, rng, s["well"])
            Image.fromarray(np.repeat(grey[..., None], 3, axis=2)).save(
                folder / shot["file"], quality=s["quality"]
            )
        (folder / "panel.toml").write_text(sheet(s, taken))
        (folder / "truth.json").write_text(
            json.dumps({"spots": [], "faults": [one["row"] for one in s["small"]]}, indent=1) + "\n"
        )
        print(f"{s['name']}: {len(s['small'])} faults, {time.perf_counter() - started:.0f} s", flush=True)


if __name__ == "__main__":
    main()
