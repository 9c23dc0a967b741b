"""A panel, a board with tags of its own, and a set-up photo that shows both, by the project's own renderer."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from surfscan.core.records import Board, Camera
from surfscan.synth.camera_noise import add_noise, write_job, write_photo
from surfscan.synth.panels import Dish, Flat, Panel, Shape
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Scene, Tags, corner_tags, look_at

SIZE = (500.0, 360.0)
PIXELS = (1000, 750)
EYE = np.array([20.0, -560.0, 780.0])
CLEAR_OF_SPOTS = {10: (-150.0, 40.0), 11: (170.0, 60.0), 12: (160.0, -240.0), 13: (-170.0, -230.0)}
AT_CORNERS = {10: (-420.0, -370.0), 11: (420.0, -370.0), 12: (420.0, 370.0), 13: (-420.0, 370.0)}


def leaning_board(*, lean_deg: float = 7.0, period_mm: float = 26.0) -> Board:
    """Board beyond the panel's upper edge, turned a little about its own upward axis, off the middle."""
    e, t = np.radians(54), np.radians(lean_deg)
    across, up = np.array([1.0, 0, 0]), np.array([0, -np.sin(e), np.cos(e)])
    turned = np.cos(t) * across - np.sin(t) * np.cross(across, up)
    return Board(
        900 * np.array([0, np.cos(e), np.sin(e)]) + [40, 0, 0], turned, up, (1000.0, 900.0), period_mm
    )


def setup_scene(
    *,
    tags: dict[int, tuple[float, float]] = AT_CORNERS,
    side_mm: float = 90.0,
    form: Shape | None = None,
    camera: Camera | None = None,
    spots: Shape | None = None,
) -> Scene:
    return Scene(
        panel=Panel(SIZE, form or Flat(), spots or Dish(-100, 60, -0.15, 80) + Dish(110, 30, 0.1, 80)),
        camera=camera or Camera(960.0, (499.5, 374.5)),
        board=leaning_board(),
        tags=corner_tags(SIZE),
        poses=(look_at(EYE, (0, 0, 0)),),
        image_size_px=PIXELS,
        supersampling=2,
        board_tags=Tags("4x4_50", side_mm, tags, side_mm / 6),
    )


def write_setup_job(
    scene: Scene,
    folder: Path,
    *,
    eye: tuple[float, float, float] = (1000, -900, 1300),
    target: tuple[float, float, float] = (0, 300, 350),
    seed: int = 1,
) -> Path:
    """The job with setup_photo in place of the pose; the set-up photo is exposed for the board itself."""
    rng = np.random.default_rng(seed)
    write_job(scene, folder, rng=rng)
    dim = replace(scene.light, board_bright=0.75, board_dark=0.04, room_seen=0.2, background=0.2)
    shot = Exposure("setup.jpg", look_at(eye, target, (0, 0, 1)), shows_board=True)
    write_photo(folder / "setup.jpg", add_noise(render(replace(scene, light=dim), shot), rng=rng))
    text = (folder / "panel.toml").read_text(encoding="utf-8")
    start = text.index("centre_mm = [", text.index("[board]"))
    end = text.index("size_mm", start)
    text = text[:start] + 'setup_photo = "setup.jpg"\n' + text[end:]
    (folder / "panel.toml").write_text(add_board_tags(text, scene), encoding="utf-8")
    return folder


def add_board_tags(text: str, scene: Scene) -> str:
    tags = scene.board_tags
    assert tags is not None
    rows = "".join(f"{k} = [{x}, {y}]\n" for k, (x, y) in tags.centres_mm.items())
    table = f'[board.tags]\ndictionary = "{tags.dictionary}"\nside_mm = {tags.side_mm}\n'
    table += f"[board.tags.centres_mm]\n{rows}\n"
    return text.replace("[[photo]]", table + "[[photo]]", 1)
