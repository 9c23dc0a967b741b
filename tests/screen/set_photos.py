"""Photos of a panel before a television, by the project's own renderer: they show the set's very pixels."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image

from surfscan.core.records import Camera
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
