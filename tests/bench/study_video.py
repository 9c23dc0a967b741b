"""A walk past a crowned panel as a video with rolling shutter and motion blur, by the project's ray caster.

    python tests/bench/study_video.py --folder DIR [--codec hevc] [--shift 10]

Panel, board and spots of `study_sweep.py`; 8 s at 1920 x 1080, 30 frames a second, read in 20 ms, exposed for 8 ms,
noise, a hand's tremor. Rendering takes about half an hour of two cores and is kept in DIR, so that other codecs go
fast. With --shift every frame is shifted by so many pixels, as stabilisation does. Printed: what the video gave, errors
of the peaks, map rms, share seen, time and memory.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from study_sweep import seams, sweep_scene, tell_spots

sys.path.insert(0, str(Path(__file__).parents[1]))
from videos import write_video

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera
from surfscan.synth.camera_noise import add_noise, sheet_text, write_truth
from surfscan.synth.scene import Exposure, Scene
from surfscan.synth.walk import Walk, frames, walk_past

READOUT_S, EXPOSURE_S = 0.02, 0.008


def scene_and_walk(width: int, seconds: float, seed: int) -> tuple[Scene, Walk]:
    """What is filmed, and from where."""
    height = width * 9 // 16
    camera = Camera(1900.0 * width / 1920, ((width - 1) / 2, (height - 1) / 2))
    made = replace(
        sweep_scene(seed, 12), camera=camera, image_size_px=(width, height), supersampling=2, shots=()
    )
    return made, walk_past(made, seconds=seconds, rng=np.random.default_rng(seed), reach=0.3)


def render_some(folder: Path, width: int, seconds: float, seed: int, part: int, parts: int) -> None:
    """Every so manieth frame into the folder, as the square root of its light, 16 bits."""
    cv2.setNumThreads(1)
    made, walk = scene_and_walk(width, seconds, seed)
    todo = frames(made, walk, readout_s=READOUT_S, exposure_s=EXPOSURE_S, part=part, parts=parts)
    for k, linear in enumerate(todo):
        path = folder / f"{part + k * parts:04d}.png"
        cv2.imwrite(str(path), np.round(65535 * np.sqrt(np.clip(linear / 2, 0, 1))).astype(np.uint16))


def filmed(folder: Path, seed: int, shift_px: float) -> Iterator[np.ndarray]:
    """The frames with the camera's noise."""
    rng = np.random.default_rng(seed + 6)
    for k, path in enumerate(sorted(folder.glob("*.png"))):
        stored = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        linear = add_noise(2 * (stored.astype(np.float32) / 65535) ** 2, rng=rng)
        if shift_px:
            t = k / 30
            to = shift_px * np.array([np.sin(8 * t + 1) + 0.7 * np.sin(19 * t), np.sin(11 * t)])
            turn = np.array([[1, 0, to[0]], [0, 1, to[1]]], np.float32)
            linear = cv2.warpAffine(linear, turn, linear.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        yield linear


def told(folder: Path) -> None:
    """Check the job and print what it gave."""
    began, cpu = time.perf_counter(), time.process_time()
    try:
        result: Any = check_job(folder)
    except RefusedError as error:
        print(f"refused: {error}")
        return
    took, cpu = time.perf_counter() - began, time.process_time() - cpu
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    rms, step = seams(result, np.load(folder / "truth.npz"))
    row = result.details["videos"][0]
    print(
        f"seen {100 * result.coverage:.1f} %, rms {rms:.2f} um, step {step:.2f} um, {took:.0f} s, "
        f"{cpu:.0f} s of processor, {most:.0f} MB; {row['frames_used']} of {row['frames']} frames, "
        f"left out {row['left_out']}; read-out {row['readout_ms']:.2f} +/- {row['readout_u95_ms']:.2f} ms"
    )
    tell_spots(result, folder)


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--codec", default="h264", choices=["h264", "hevc"])
    parser.add_argument("--width", type=int, default=1920)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quality", type=int, default=22)
    parser.add_argument("--shift", type=float, default=0.0)
    options = parser.parse_args()
    name = f"{options.width}-{options.seconds:g}-{options.seed}"
    pictures = options.folder / f"frames-{name}"
    made, walk = scene_and_walk(options.width, options.seconds, options.seed)
    if not pictures.exists():
        half = pictures.with_suffix(".part")
        half.mkdir(parents=True, exist_ok=True)
        with ProcessPoolExecutor(2) as pool:
            what = (half, options.width, options.seconds, options.seed)
            for done in [pool.submit(render_some, *what, part, 2) for part in range(2)]:
                done.result()
        half.rename(pictures)
    job = options.folder / f"job-{name}-{options.codec}-{options.quality}-{options.shift:g}"
    if not (job / "panel.toml").exists():
        job.mkdir(parents=True, exist_ok=True)
        film = "walk.mp4" if options.codec == "h264" else "walk.mov"
        shown = filmed(pictures, options.seed, options.shift)
        write_video(job / film, shown, codec=options.codec, quality=options.quality)
        write_truth(made, job)
        shot = Exposure(film, walk.pose(0.1), pattern="crossed")
        (job / "panel.toml").write_text(sheet_text(replace(made, shots=(shot,))))
    told(job)


if __name__ == "__main__":
    main()
