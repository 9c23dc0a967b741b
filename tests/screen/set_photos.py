"""Photos of a panel before a television, by the project's own renderer: they show the set's very pixels."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from surfscan.core.records import Camera
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.job.sheet_writing import write_sheet
from surfscan.screen.judging import judge_setup, kit_seen, set_tables
from surfscan.screen.set_board import SetBoard
from surfscan.synth.camera_noise import add_noise, decode_srgb, encode_srgb, quantise
from surfscan.synth.panels import Crown, Dish, Panel
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Lighting, Scene, Tags, board_facing, look_at

PIXELS = (800, 600)
FOCAL_35MM = 28
FOCAL_PX = 645.0  # 28 mm of EXIF say 647 on these pixels
SIZE = (440.0, 320.0)
LOW = (-50.0, 30.0, -0.12, 90.0)
HIGH = (70.0, -20.0, 0.08, 80.0)


@dataclass(frozen=True)
class SetScene:
    """A door with a low and a high, a kit's tags on it, and a set of this size beyond."""

    width_mm: float
    height_mm: float

    @property
    def scene(self) -> Scene:
        x, y = SIZE[0] / 2 - 30, SIZE[1] / 2 - 30
        tags = {0: (-x, -y), 1: (x, -y), 2: (x, y), 3: (-x, y)}
        return Scene(
            panel=Panel(SIZE, Crown(6000.0, zero_at_mm=(x, y)), Dish(*LOW) + Dish(*HIGH)),
            camera=Camera(FOCAL_PX, ((PIXELS[0] - 1) / 2, (PIXELS[1] - 1) / 2)),
            board=board_facing(600.0, 50.0, size_mm=(self.width_mm, self.height_mm), period_mm=30.0),
            tags=Tags("5x5_1000", 40.0, tags, 40 / 7),
            image_size_px=PIXELS,
            supersampling=2,
        )

    def photo(self, shown: np.ndarray, *, setup: bool = False, eye: int = 0, seed: int = 1) -> bytes:
        """A JPEG with EXIF, of the panel in front of a set that shows this picture (sRGB values, 0 to 255)."""
        scene = self.scene
        light = decode_srgb(shown / 255.0)
        if setup:
            pose = look_at((420, -1000, 900), (0, 190, 230), (0, 0, 1))
            scene = replace(
                scene, light=Lighting(board_bright=0.8, board_dark=0.02, room_seen=0.2, background=0.2)
            )
            shot = Exposure("s.jpg", pose, "crossed", shows_board=True, picture=light)
        else:
            pose = look_at((15.0 + 25 * eye, -400.0 - 12 * eye, 510.0), (0, 0, 0))
            shot = Exposure("p.jpg", pose, "crossed", picture=light)
        seen = add_noise(render(scene, shot), rng=np.random.default_rng(seed))
        picture = Image.fromarray(quantise(encode_srgb(seen)).astype(np.uint8)).convert("RGB")
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA405] = FOCAL_35MM  # as a phone writes it (Exif 2.32)
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=92, exif=exif)
        return out.getvalue()


def write_set_job(board: SetBoard, folder: Path) -> None:
    """The job of a shot before this set: its photos, and the sheet that nobody typed."""
    made, names = SetScene(*board.screen.size_mm), [f"photo-{k}.jpg" for k in range(1, board.count)]
    for k, name in enumerate(["set-up.jpg", *names]):
        still = board.pattern == "stepped" or k == 0
        (folder / name).write_bytes(made.photo(board.draw(k), setup=k == 0, eye=0 if still else k, seed=k))
    setup = read_photo(folder / "set-up.jpg", "set-up.jpg")
    far_mm = None
    for _ in range(2):  # what the set-up photo tells goes into the sheet
        table = {**board.tables(), "setup_photo": setup.file}
        told = set_tables(kit_seen(setup), table, u_rel=board.scale.u_rel, far_mm=far_mm)
        sheet = {"panel": {"name": "a door", "stage": "primer"}, **told, "photo": board.rows(names)}
        (folder / "panel.toml").write_text(write_sheet(sheet))
        if far_mm is None:
            far_mm = judge_setup(setup, load_sheet(folder)).far_mm
