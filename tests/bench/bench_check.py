"""Time of the main job against its floor, on a pair of 12-megapixel photos.

    python tests/bench/bench_check.py [--runs 5] [--colour] [--profile] [--cache DIR]

Floor, measured in the same run: decode both JPEGs in colour (cv2.imdecode), one remap of each to the panel grid,
one real FFT of each grid. Printed: check_job over the floor (aim 4), the whole command with its files less the
interpreter's start over the floor (aim 8), peak memory of the command (aim 1.5 GB), time of `import surfscan`
(aim 0.5 s). Runs alternate and the best of each counts, so that a busy machine disturbs all alike; processor time,
which waiting for others does not touch, is printed beside.
"""

from __future__ import annotations

import argparse
import cProfile
import os
import pstats
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import scipy.fft

from surfscan.checking.pipeline import check_job
from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Dish, Panel
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at

ROOT = Path(__file__).resolve().parents[2]
SIZE_PX = 4000, 3000
TIMED = "floor", "job", "floor cpu", "job cpu", "command", "start", "import"


def make_pair(folder: Path, *, colour: bool) -> None:
    """A crowned panel with three faults, hand-held pair, square stripes, as a 12-megapixel phone takes it."""
    lows = Dish(-120, 60, -0.12, 110, 80) + Dish(90, -70, 0.08, 90) + Dish(180, 90, -0.06, 70)
    panel = Panel((640.0, 440.0), form=Crown(3000.0, zero_at_mm=(293.0, 193.0)), deviation=lows, edge_mm=60.0)
    scene = Scene(
        panel=panel,
        camera=Camera(5300.0, ((SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2)),
        board=board_facing(1000.0, 55.0, size_mm=(2000.0, 1800.0), period_mm=30.0),
        tags=corner_tags((640.0, 440.0)),
        poses=(look_at((20.0, -640.0, 910.0), (0, 0, 0)), look_at((-35.0, -660.0, 890.0), (4, -3, 0))),
        image_size_px=SIZE_PX,
        supersampling=2,
        lens_blur_px=0.9,
    )
    rng = np.random.default_rng(12)
    write_job(scene, folder, rng=rng)
    if not colour:
        return
    for path in sorted(folder.glob("*.jpg")):
        grey = cv2.imread(str(path)).astype(np.float32)
        # A sensor's colours have noise of their own, two cells wide after its mosaic is filled in.
        spread = [
            cv2.GaussianBlur(rng.standard_normal(grey.shape[:2], np.float32), (0, 0), 0.7) for _ in range(3)
        ]
        noisy = grey * np.array([0.93, 1.0, 0.97], np.float32) + 6 * np.stack(spread, -1)
        cv2.imwrite(
            str(path), np.clip(np.rint(noisy), 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95]
        )


def floor(folder: Path, shape: tuple[int, int]) -> None:
    """Do the work that no program could leave out."""
    files = [np.fromfile(path, np.uint8) for path in sorted(folder.glob("*.jpg"))]
    h, w = shape
    column = np.tile(np.linspace(300, SIZE_PX[0] - 300, w, dtype=np.float32), (h, 1))
    row = np.tile(np.linspace(300, SIZE_PX[1] - 300, h, dtype=np.float32)[:, None], (1, w))
    for data in files:
        photo = cv2.imdecode(data, cv2.IMREAD_COLOR)
        grid = cv2.remap(photo, column, row, cv2.INTER_LINEAR)[..., 1].astype(np.float32)
        scipy.fft.rfft2(grid)


def seconds(work: Callable[[], object], clock: Callable[[], float] = time.perf_counter) -> float:
    began = clock()
    work()
    return clock() - began


def run(*arguments: str) -> None:
    """Run the interpreter; a verdict's exit status is no failure."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, *arguments], env=environment, capture_output=True, text=True)
    if done.returncode in (1, 2, 3):
        raise SystemExit(done.stderr)


def profile(folder: Path) -> None:
    watch = cProfile.Profile()
    watch.runcall(check_job, folder)
    pstats.Stats(watch).sort_stats("tottime").print_stats(25)
    pstats.Stats(watch).sort_stats("cumtime").print_stats("surfscan", 45)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--profile", action="store_true", help="list where check_job's time goes")
    parser.add_argument("--colour", action="store_true", help="photos with colour noise, as from a sensor")
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "surfscan-bench-12mp")
    chosen = parser.parse_args()
    folder = chosen.cache / ("colour" if chosen.colour else "grey")
    if not (folder / "truth.json").is_file():  # the last file that is written
        print(f"making the photos in {folder} ...", file=sys.stderr)
        make_pair(folder, colour=chosen.colour)
    result = check_job(folder)  # warm: file cache, imports
    shape = result.height.height_mm.shape
    fine = 2 * shape[0], 2 * shape[1]
    print(
        f"panel grid {shape[1]} x {shape[0]}, photo cells {fine[1]} x {fine[0]}, verdict {result.verdict},",
        end=" ",
    )
    print(
        f"coverage {result.coverage:.3f}, {len(result.spots)} spots, cv2 threads {cv2.getNumThreads()},",
        end=" ",
    )
    print(
        f"load {os.getloadavg()[0]:.1f}, OPENBLAS_NUM_THREADS={os.environ.get('OPENBLAS_NUM_THREADS', 'not set')}"
    )
    if chosen.profile:
        profile(folder)
        return
    times: dict[str, list[float]] = {k: [] for k in TIMED}
    with tempfile.TemporaryDirectory() as scratch:
        for k in range(chosen.runs):
            for _ in range(2):
                times["floor"].append(seconds(lambda: floor(folder, fine)))
                times["job"].append(seconds(lambda: check_job(folder)))
            times["floor cpu"].append(seconds(lambda: floor(folder, fine), time.process_time))
            times["job cpu"].append(seconds(lambda: check_job(folder), time.process_time))
            out = str(Path(scratch) / f"out{k}")
            times["command"].append(
                seconds(lambda out=out: run("-m", "surfscan", "check", str(folder), "--out", out))
            )
            times["start"].append(seconds(lambda: run("-c", "pass")))
            times["import"].append(seconds(lambda: run("-c", "import surfscan")))
    best = {k: min(v) for k, v in times.items()}
    whole, loaded = best["command"] - best["start"], best["import"] - best["start"]
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024**2
    print(f"floor              {best['floor']:.3f} s   (decode, remap to the photo cells, real FFT)")
    print(f"check_job          {best['job']:.3f} s   {best['job'] / best['floor']:5.2f} x floor, aim 4")
    print(
        f"  processor time   {best['job cpu']:.3f} s   {best['job cpu'] / best['floor cpu']:5.2f} x floor's"
    )
    print(f"whole command      {whole:.3f} s   {whole / best['floor']:5.2f} x floor, aim 8")
    print(f"interpreter        {best['start']:.3f} s   taken off the command and the import")
    print(f"peak memory        {peak:.2f} GB, aim 1.5")
    print(f"import surfscan    {loaded:.3f} s, aim 0.5")


if __name__ == "__main__":
    main()
