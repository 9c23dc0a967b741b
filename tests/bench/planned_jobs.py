"""Planned shots photographed by the project's own renderer: what the plan said against what the check finds."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import drawn_sheets
import numpy as np

from surfscan.core.errors import SurfscanError
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.plan.contrast import work_out_contrast
from surfscan.plan.shot import SURFACES, Shot
from surfscan.plan.sight import build_stage, see
from surfscan.reading.budget import Inputs
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Dish, Panel
from surfscan.synth.scene import Lighting, Scene
from surfscan.synth.shape import Flat, Shape

PIXELS = (1600, 1200)


def random_shot(rng: np.random.Generator) -> Shot:
    """A set-up as someone might think of it: sizes, distances, stripes and surface at random."""
    w = float(rng.integers(30, 90)) * 10
    h = float(round(w * rng.uniform(0.55, 0.85), -1))
    focal_35mm = float(rng.uniform(24, 52))
    focal = focal_35mm * math.hypot(*PIXELS) / math.hypot(36, 24)
    camera = w * focal / PIXELS[0] / rng.uniform(0.6, 0.85) + 0.3 * h
    surface = SURFACES[str(rng.choice(["gloss", "gloss", "wet-primer", "satin"]))]
    if rng.random() < 0.2:
        surface = replace(surface, rough_um=float(rng.uniform(0.02, 0.045)))
    crown = math.inf if rng.random() < 0.4 else float(rng.uniform(4.0, 12.0) * w)
    return Shot(
        panel_mm=(w, h),
        crown_mm=crown,
        focal_35mm=focal_35mm,
        image_px=PIXELS,
        board_mm=(2400.0, 2000.0),
        period_mm=float(rng.integers(14, 60)),
        board_distance_mm=float(rng.uniform(500, 1600)),
        camera_distance_mm=float(camera),
        angle_deg=float(rng.uniform(25, 52)),
        surface=surface,
        square=bool(rng.random() < 0.7),
        tag_side_mm=36.0 if w > 350 else 24.0,
    )


def places_for(shot: Shot, width: float, rng: np.random.Generator) -> list[tuple[float, float]]:
    """Up to three places for lows of that width: clear of the tags and the rim, and of each other."""
    keep = 2 * shot.tag_side_mm
    half = [max(side / 2 - 0.6 * width, 0.0) for side in shot.panel_mm]
    found: list[tuple[float, float]] = []
    for _ in range(200):
        x, y = float(rng.uniform(-half[0], half[0])), float(rng.uniform(-half[1], half[1]))
        corner = np.hypot(abs(x) - shot.panel_mm[0] / 2, abs(y) - shot.panel_mm[1] / 2)
        if corner < keep + 0.6 * width and width < 0.5 * min(shot.panel_mm):
            continue
        if all(np.hypot(x - a, y - b) > 1.6 * width for a, b in found):
            found.append((x, y))
        if len(found) == 3:
            break
    return found or [(0.0, 0.0)]


def scene_of(shot: Shot, lows: list[tuple[float, float]], depth: float, width: float) -> Scene:
    """The planned shot as a scene, with the plan's own exposure and light."""
    stage = build_stage(shot)
    bright = work_out_contrast(shot, stage, see(shot, stage))
    row, column = np.array(bright.level.shape) // 2
    kept = float(bright.specular[row, column]) * bright.lens_factor
    light, white = shot.light, bright.exposure
    mean, half = (1 + light.dark) / 2, (1 - light.dark) / 2
    deviation: Shape = Flat()
    for x, y in lows:
        deviation = deviation + Dish(x, y, -depth, width)
    return Scene(
        panel=Panel(shot.panel_mm, stage.form, deviation),
        camera=stage.camera,
        board=stage.board,
        tags=stage.tags,
        poses=(stage.pose, stage.pose),
        image_size_px=shot.image_px,
        light=Lighting(
            room=bright.diffuse / white,
            room_seen=light.room_seen / white,
            board_bright=(mean + kept * half) / white,
            board_dark=(mean - kept * half) / white,
        ),
        albedo=bright.base / bright.diffuse,
        index=shot.surface.index,
        roughness_rad=1e-3 * shot.surface.texture_mrad,
        square=shot.square,
        limits_mm={"low_mm": depth, "high_mm": depth, "filler_depth_mm": 6.35},
    )


def write_planned(
    folder: Path, shot: Shot, lows: list[tuple[float, float]], depth: float, width: float, seed: int
) -> Sheet:
    """Photograph the planned shot with lows of one depth and width, and read its sheet back."""
    scene = scene_of(shot, lows, depth, width)
    write_job(scene, folder, rng=np.random.default_rng(seed))
    return load_sheet(folder)


def draw_sheet(sheet: Sheet, rng: np.random.Generator, inputs: Inputs, limit: float) -> Sheet:
    """The sheet as a user might have measured it, every input off by its uncertainty, with that limit for lows."""
    drawn = drawn_sheets.draw_sheet(sheet, rng, inputs)
    limits = sheet.limits.model_copy(update={"low_mm": limit, "high_mm": limit})
    return drawn.model_copy(update={"limits": limits})


def found_at(spots: tuple, x: float, y: float, width: float) -> float:
    """Depth of the low reported at a place, mm; 0 when none is."""
    near = [s for s in spots if s.kind == "low" and np.hypot(s.x_mm - x, s.y_mm - y) < max(0.35 * width, 8.0)]
    return max((-s.peak_mm for s in near), default=0.0)


def map_at(result, x: float, y: float) -> tuple[float, float]:
    """What the map reads at a place and its standard uncertainty there, mm."""
    grid = result.height.grid
    row, column = int(np.abs(grid.y_mm - y).argmin()), int(np.abs(grid.x_mm - x).argmin())
    return float(result.height.height_mm[row, column]), float(result.height.sigma_mm[row, column])


__all__ = [
    "SurfscanError",
    "draw_sheet",
    "found_at",
    "map_at",
    "places_for",
    "random_shot",
    "scene_of",
    "write_planned",
]
