"""A rendered walk past a panel with rolling shutter and motion blur, from the file to the peaks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
import pytest
from videos import write_video

from surfscan.checking.film_frames import LEFT_OUT
from surfscan.checking.pipeline import check_job
from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.papers.plain_photos import lay_photos
from surfscan.report.export import stored_of
from surfscan.report.table import format_result
from surfscan.synth.camera_noise import add_noise, sheet_text
from surfscan.synth.panels import Dish, Flat, Panel
from surfscan.synth.scene import Exposure, Scene, board_facing, corner_tags
from surfscan.synth.walk import frames, walk_past

SIZE = (300.0, 220.0)
LOW = (-20.0, 15.0, -0.11, 84.0)
READOUT_S = 0.02


def scene() -> Scene:
    return Scene(
        panel=Panel(SIZE, Flat(), Dish(*LOW)),
        camera=Camera(1000.0, (303.5, 171.5)),
        image_size_px=(608, 344),
        board=board_facing(620.0, 60.0, size_mm=(700, 600), period_mm=20),
        tags=corner_tags(SIZE),
        supersampling=2,
    )


def pictures() -> Iterator[np.ndarray]:
    made, rng = scene(), np.random.default_rng(4)
    walk = walk_past(made, seconds=1.2, rng=rng, passes=1, reach=0.12, distance_mm=700.0)
    for linear in frames(made, walk, readout_s=READOUT_S, exposure_s=0.006):
        yield add_noise(linear, rng=rng)


@cache
def job() -> Path:
    folder = Path(mkdtemp()) / "job"
    folder.mkdir()
    write_video(folder / "walk.mp4", pictures(), codec="h264", quality=18)
    made = scene()
    shot = Exposure(
        "walk.mp4", walk_past(made, seconds=1, rng=np.random.default_rng(4)).pose(0), pattern="crossed"
    )
    (folder / "panel.toml").write_text(sheet_text(replace(made, shots=(shot,))))
    return folder


@cache
def checked() -> tuple[CheckResult, list[str]]:
    told: list[str] = []
    result = check_job(job(), progress=lambda stage, share: told.append(stage))
    return result, told


def test_peak_and_interval() -> None:
    """Aim of the project for a video: within max(5 um, 5 %)."""
    result, told = checked()
    near = min(result.spots, key=lambda s: float(np.hypot(s.x_mm - LOW[0], s.y_mm - LOW[1])))
    truth = float(scene().panel.deviation.height(LOW[0], LOW[1]))
    assert abs(near.peak_mm - truth) < max(0.005, 0.05 * abs(truth))
    assert abs(near.peak_mm - truth) < 1.5 * near.u95_mm
    assert any(words.startswith("decoding walk.mp4") for words in told)


def test_the_result_tells_what_the_video_gave() -> None:
    result, _ = checked()
    (row,) = result.details["videos"]
    assert row["frames_used"] + sum(row["left_out"].values()) == row["frames"] == 36
    assert set(row["left_out"]) <= set(LEFT_OUT)
    assert abs(row["readout_ms"] - 1e3 * READOUT_S) < 1.5 * row["readout_u95_ms"] < 6.0
    assert next(photo["file"] for photo in result.photos).startswith("walk.mp4 at ")
    assert "walk.mp4: " in format_result(result)
    assert "rolling shutter" in {
        term["source"] for spot in result.details["uncertainty"]["spots"] for term in spot["terms"]
    }
    assert len(lay_photos(stored_of(result), job())) > 10_000


def bare(change: Any = None) -> Path:
    """A job whose video shows an even grey, or what `change` makes of it."""
    folder = Path(mkdtemp())
    grey = (np.full((270, 480), 0.2 + 0.001 * k) for k in range(40))
    write_video(folder / "walk.mp4", grey)
    text = (job() / "panel.toml").read_text()
    (folder / "panel.toml").write_text(change(text) if change else text)
    return folder


def test_a_video_without_tags_is_refused() -> None:
    with pytest.raises(RefusedError) as error:
        check_job(bare())
    assert "too few frames show where the camera was" in error.value.what
    assert error.value.found.startswith("tags in 0 of 40 frames")


def test_a_video_without_a_focal_length_is_refused() -> None:
    with pytest.raises(RefusedError, match="focal length"):
        check_job(bare(lambda text: text.replace("focal_px", "# focal_px")))


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ('pattern = "crossed"', 'pattern = "dots"', 'pattern "dots"'),
        ('file = "walk.mp4"', 'file = "walk.mp4"\nlamp_mm = [0, 0, 900]', "a lamp"),
    ],
)
def test_lights_that_no_video_gives_are_refused(old: str, new: str, found: str) -> None:
    def change(text: str) -> str:
        text = text.replace(old, new)
        return text if "lamp" not in new else text[: text.index("[board]")] + text[text.index("[[photo]]") :]

    with pytest.raises(RefusedError) as error:
        load_sheet(bare(change))
    assert "is a video" in error.value.what
    assert error.value.found == found


def test_a_video_needs_a_scale() -> None:
    def unplaced(text: str) -> str:
        lines = text.split("\n")
        return "\n".join(line for line in lines if not line.startswith(("centre_mm", "across", "up")))

    with pytest.raises(RefusedError, match="needs a job that has a scale"):
        check_job(bare(unplaced))
