"""Small jobs photographed by the project's own ray caster, for what the rendered fixtures do not hold."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from surfscan.core.records import Board, Camera
from surfscan.optics.lens import project
from surfscan.synth.camera_noise import sheet_text, write_job
from surfscan.synth.panels import Dish, Flat, Panel, Shape
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at

SIZE = (500.0, 360.0)
PIXELS = (520, 390)  # a check costs a third of one of 1200 x 900 and finds the same peaks
FINE = (900, 675)
MIDDLE = ((PIXELS[0] - 1) / 2, (PIXELS[1] - 1) / 2)
FOCAL = 0.8 * PIXELS[0] * 1150 / 500
SPOTS = (Dish(-90, 30, -0.15, 90), Dish(100, -40, 0.1, 80))


def stripes_scene(
    *,
    shape: Shape | None = None,
    form: Shape | None = None,
    period_mm: float = 26.0,
    camera: Camera | None = None,
    fine: bool = False,
) -> Scene:
    """A panel with a low of 0.15 mm on the left and a high of 0.1 mm on the right, 520 x 390 pixels, or 900 x 675."""
    width, height = FINE if fine else PIXELS
    e = np.radians(54)
    pose = look_at((20, -1150 * np.cos(e), 1150 * np.sin(e)), (0, 0, 0), (0, 1, 0))
    return Scene(
        panel=Panel(SIZE, form or Flat(), SPOTS[0] + SPOTS[1] if shape is None else shape),
        camera=camera or Camera(FOCAL * width / PIXELS[0], ((width - 1) / 2, (height - 1) / 2)),
        board=board_facing(900.0, 54, size_mm=(2200, 1900), period_mm=period_mm),
        tags=corner_tags(SIZE),
        poses=(pose,),
        image_size_px=(width, height),
        supersampling=2,
    )


def turned_board(scene: Scene, degrees: float) -> Scene:
    """The board turned about its own normal: its stripes run askew over the panel."""
    board, t = scene.board, np.radians(degrees)
    assert board is not None
    across = np.cos(t) * board.across + np.sin(t) * board.up
    up = np.cos(t) * board.up - np.sin(t) * board.across
    return replace(scene, board=Board(board.centre_mm, across, up, board.size_mm, board.period_mm))


def take(scene: Scene, folder: Path, **more: object) -> Path:
    return write_job(scene, folder, rng=np.random.default_rng(1), **more)  # type: ignore[arg-type]


def edit(folder: Path, *pairs: tuple[str, str]) -> Path:
    sheet = folder / "panel.toml"
    text = sheet.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    sheet.write_text(text, encoding="utf-8")
    return folder


def take_with_turned_tags(scene: Scene, folder: Path, degrees: float) -> Path:
    """The same on a flat panel with its tags laid askew: drawn into linear photos by a homography."""
    tags = scene.tags
    assert tags is not None
    shots = tuple(replace(shot, file=shot.file.replace(".jpg", ".png")) for shot in scene.all_shots())
    take(replace(scene, tags=None, shots=shots), folder, bits=16, encoding="linear")
    (folder / "panel.toml").write_text(
        sheet_text(replace(scene, shots=shots), encoding="linear"), encoding="utf-8"
    )
    t, reach, fine = np.radians(degrees), tags.side_mm / 2 + tags.border_mm, 3
    square = reach * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    for shot in shots:
        picture = cv2.imread(str(folder / shot.file), cv2.IMREAD_UNCHANGED)
        height, width = picture.shape[:2]
        for tag, centre in tags.centres_mm.items():
            paper = np.pad(tags.bits(tag), 1, constant_values=1).astype(np.float32) * 0.8 + 0.05
            texture = np.kron(paper, np.ones((16, 16), np.float32))
            corners = square @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) + centre
            seen = np.stack(project(*corners.T, 0.0, camera=scene.camera, pose=shot.pose), -1)
            end = texture.shape[0] - 0.5
            edges = np.array([[-0.5, -0.5], [end, -0.5], [end, end], [-0.5, end]], np.float32)
            warp = cv2.getPerspectiveTransform(edges, ((seen + 0.5) * fine - 0.5).astype(np.float32))
            drawn, here = (
                cv2.resize(
                    cv2.warpPerspective(layer, warp, (width * fine, height * fine)),
                    (width, height),
                    interpolation=cv2.INTER_AREA,
                )[..., None]
                for layer in (texture, np.ones_like(texture))
            )
            light = scene.light.room * 65535.0
            picture = (picture * (1 - here) + light * drawn).clip(0, 65535).astype(np.uint16)
        cv2.imwrite(str(folder / shot.file), picture)
    return folder
