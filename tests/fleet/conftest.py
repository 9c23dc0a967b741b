"""Small jobs that are checked in about a second."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Dish, Panel
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at


@pytest.fixture(scope="package")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A flat panel of 220 x 170 mm with a low of 0.15 mm, two photos of 260 x 200 pixels."""
    folder = tmp_path_factory.mktemp("tiny") / "job"
    size, pixels = (220.0, 170.0), (260, 200)
    scene = Scene(
        panel=Panel(size, deviation=Dish(10.0, -5.0, -0.15, 44.0, 44.0), edge_mm=30.0),
        camera=Camera(338.0, ((pixels[0] - 1) / 2, (pixels[1] - 1) / 2)),
        board=board_facing(500.0, 50.0, size_mm=(900.0, 800.0), period_mm=30.0),
        tags=corner_tags(size),
        poses=(look_at((10.0, -198.0, 264.0), (0, 0, 0)), look_at((-15.0, -209.0, 253.0), (2, -2, 0))),
        image_size_px=pixels,
        supersampling=2,
        lens_blur_px=0.7,
    )
    write_job(scene, folder, rng=np.random.default_rng(5))
    for name in ("truth.json", "truth.npz"):
        (folder / name).unlink(missing_ok=True)
    return folder
