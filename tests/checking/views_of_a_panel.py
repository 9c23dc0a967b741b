"""A large panel photographed in parts by the project's own ray caster."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Dish, Flat, Panel
from surfscan.synth.scene import Scene, Tags, board_facing, look_at
from surfscan.synth.shape import Array, Shape, Three

VIEW = (420.0, 320.0)
PIXELS = (560, 420)
ORIGINS = ((-150.0, -110.0), (150.0, -110.0), (150.0, 110.0), (-150.0, 110.0))
SPOTS = (Dish(0, 20, -0.2, 150), Dish(-230, 130, -0.12, 90), Dish(220, -140, 0.1, 90))
"""One low across all four views, a low and a high in one view each."""

FORM = Crown(6000.0)


@dataclass(frozen=True)
class Part(Shape):
    """What a view sees of the whole: moved to its own middle, less the plane through its own tags."""

    whole: Shape
    origin_mm: tuple[float, float]
    plane: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def _surface(self, x: Array, y: Array) -> Three:
        z, p, q = self.whole.surface(x + self.origin_mm[0], y + self.origin_mm[1])
        c, a, b = self.plane
        return z - c - a * x - b * y, p - a, q - b

    def _curvatures(self, x: Array, y: Array) -> Three:
        return self.whole.curvatures(x + self.origin_mm[0], y + self.origin_mm[1])


def plane_through(
    form: Shape, origin: tuple[float, float], centres: dict[int, tuple[float, float]]
) -> tuple[float, ...]:
    at = np.array(list(centres.values()))
    z = form.height(at[:, 0] + origin[0], at[:, 1] + origin[1])
    design = np.column_stack([np.ones(len(at)), at])
    return tuple(float(v) for v in np.linalg.lstsq(design, z, rcond=None)[0])


def scene(k: int, *, form: Shape = FORM, spots: tuple[Dish, ...] = SPOTS) -> Scene:
    """View number k, hand-held: each photo pair from a place of its own."""
    x, y = VIEW[0] / 2 - 25, VIEW[1] / 2 - 25
    places = {4 * k: (-x, -y), 4 * k + 1: (x, -y), 4 * k + 2: (x, y), 4 * k + 3: (-x, y)}
    tags = Tags("4x4_50", 32.0, places, 32.0 / 6)
    own = Part(form, ORIGINS[k], plane_through(form, ORIGINS[k], places))  # type: ignore[arg-type]
    faults: Shape = Flat()
    for spot in spots:
        faults = faults + Part(spot, ORIGINS[k])
    e = np.radians(54 + k)
    pose = look_at((20 - 15 * k, -950 * np.cos(e), 950 * np.sin(e)), (0, 5 * k, 0), (0, 1, 0))
    return Scene(
        panel=Panel(VIEW, own, faults),
        camera=Camera(0.8 * PIXELS[0] * 950 / VIEW[0], ((PIXELS[0] - 1) / 2, (PIXELS[1] - 1) / 2)),
        board=board_facing(850.0, 54, size_mm=(2200, 1900), period_mm=26.0),
        tags=tags,
        poses=(pose,),
        image_size_px=PIXELS,
        supersampling=2,
    )


def take_view(k: int, folder: Path, **more: object) -> Path:
    """Photograph view k and write its job folder, with its place on the whole panel."""
    write_job(scene(k, **more), folder, rng=np.random.default_rng(k))  # type: ignore[arg-type]
    path = folder / "panel.toml"
    size = f"size_mm = {[float(v) for v in VIEW]}"
    text = path.read_text()
    assert size in text
    path.write_text(text.replace(size, f"{size}\norigin_mm = {list(ORIGINS[k])}", 1))
    return folder
