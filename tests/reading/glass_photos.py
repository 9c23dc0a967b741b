"""Reference photos of a flat glass between the tags, by the project's own renderer, and the sheet that names them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from surfscan.core.records import Camera, Pose
from surfscan.synth.camera_noise import add_noise, write_job, write_photo
from surfscan.synth.panels import Dish, Flat, Panel, Shape
from surfscan.synth.render import project, render
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags, look_at

SIZE = (500.0, 360.0)
E = np.radians(54)
SPOTS = Dish(-90, 30, -0.15, 90) + Dish(100, -40, 0.1, 80)


def eye(x: float, along: float, up: float) -> np.ndarray:
    return np.array([x, -along * np.cos(E), up * np.sin(E)])


POSES = (look_at(eye(20, 900, 900), (0, 0, 0)), look_at(eye(-30, 860, 940), (10, 5, 0)))
OTHER_POSES = (look_at(eye(70, 940, 860), (-15, 10, 0)), look_at(eye(10, 900, 950), (12, -8, 0)))
"""Where the glass's photos are taken from by hand: 50 to 80 mm away from the panel's."""


def bad_scene(*, k1: float = -0.1, sag_mm: float = 8.0, form: Shape | None = None) -> Scene:
    """A lens that distorts and a board whose edges bend back, neither of which the sheet will say."""
    return Scene(
        panel=Panel(SIZE, form or Flat(), SPOTS),
        camera=Camera(690.0, (299.5, 224.5), (k1, 0.0, 0.0, 0.0, 0.0)),
        board=board_facing(900.0, 54, size_mm=(1500, 1300), period_mm=26),
        tags=corner_tags(SIZE),
        poses=POSES,
        image_size_px=(600, 450),
        supersampling=2,
        board_sag_mm=sag_mm,
    )


def write_reference_job(
    scene: Scene,
    folder: Path,
    *,
    glass_mm: float = 4.0,
    seed: int = 1,
    poses: tuple[Pose, Pose] = OTHER_POSES,
) -> Path:
    """Panel photos, reference photos from other places, and a sheet that knows nothing of lens and bend."""
    rng = np.random.default_rng(seed)
    write_job(scene, folder, rng=rng)
    for varies, pose in zip(("across", "up"), poses, strict=True):
        picture = _glass(scene, pose, varies, glass_mm)
        write_photo(folder / f"glass-{varies}.jpg", add_noise(picture, rng=rng))
    sheet = folder / "panel.toml"
    lines = [
        line for line in sheet.read_text(encoding="utf-8").splitlines() if not line.startswith("distortion")
    ]
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def with_reference(folder: Path, *, thickness_mm: float = 4.0) -> str:
    """The sheet's text with the references named."""
    text = (folder / "panel.toml").read_text(encoding="utf-8")
    for varies in ("across", "up"):
        name = f'file = "stripes-{varies}.jpg"'
        text = text.replace(name, f'{name}\nreference = "glass-{varies}.jpg"')
    return text.replace("[limits]", f"[reference]\nthickness_mm = {thickness_mm}\n\n[limits]")


def _glass(scene: Scene, pose: Pose, varies: str, glass_mm: float) -> np.ndarray:
    """Mirror plane at `glass_mm`, with the tags on the panel beside it: two pictures put together."""
    low = replace(pose, shift_mm=pose.shift_mm + pose.rotation[:, 2] * glass_mm)
    board, tags = scene.board, scene.tags
    assert board is not None
    assert tags is not None
    flat = replace(scene, panel=Panel(SIZE))
    above = replace(
        flat, tags=None, board=replace(board, centre_mm=board.centre_mm - np.array([0, 0, glass_mm]))
    )
    mirror = render(above, Exposure("glass.jpg", low, varies=varies))
    paper = render(flat, Exposure("glass.jpg", pose, varies=varies))
    mask = np.zeros(mirror.shape, np.uint8)
    reach = tags.side_mm / 2 + tags.border_mm
    for x, y in tags.centres_mm.values():
        square = [
            [x + i * reach, y + j * reach, 0.0]
            for i, j in ((-1.0, 1.0), (1.0, 1.0), (1.0, -1.0), (-1.0, -1.0))
        ]
        outline = project(square, scene.camera, pose)
        cv2.fillConvexPoly(mask, np.rint(outline * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    return np.where(mask > 0, paper, mirror)
