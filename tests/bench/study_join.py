"""Four views of one panel joined, by both renderers.

    python tests/bench/study_join.py [--seeds N]

The panel of tests/whole/views_of_a_panel.py (720 x 540 mm, crown of 6 m radius, a low across all four views) by the
project's own ray caster with N noise seeds, and a larger one by the independent renderer (Mitsuba): 1240 x 900 mm,
crown of 20 m radius, in four views of 680 x 500 mm, smooth stripes. Printed: errors of the peaks, what neighbours still
differ by in their overlaps (aim 3 um), and the error of the joined map.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from truth.mitsuba_mirror import photograph, stripes_texture
from whole.views_of_a_panel import SPOTS, Part, plane_through, take_view

from surfscan.checking.pipeline import check_job
from surfscan.checking.whole import join_views
from surfscan.core.records import CheckResult
from surfscan.report.export import write_result
from surfscan.results.stored import StoredResult, load_result
from surfscan.synth.camera_noise import write_photo
from surfscan.synth.panels import Crown, Dish

VIEW, PIXELS, FAR = (680.0, 500.0), (1600, 1200), 1300.0
PLACES = ((-280.0, -200.0), (280.0, -200.0), (280.0, 200.0), (-280.0, 200.0))
GENTLE = Crown(20000.0)
"""Its surface leaves the flat tags' plane by under 1.2 mm, so that they can lie that high over it."""

LARGE = (
    Dish(0, 15, -0.3, 200),
    Dish(-420, 230, -0.12, 110),
    Dish(400, -250, 0.1, 110),
    Dish(-10, 260, -0.06, 100),
)


def report(name: str, result: CheckResult, spots: tuple[Dish, ...]) -> None:
    for made in spots:
        near = [s for s in result.spots if np.hypot(s.x_mm - made.x_mm, s.y_mm - made.y_mm) < 15]
        told = "not found"
        if near:
            told = f"{1e3 * (near[0].peak_mm - made.peak_mm):+.1f} um, u95 {1e3 * near[0].u95_mm:.1f} um"
        print(f"{name}: {made.peak_mm:+.2f} mm at {made.x_mm:g}, {made.y_mm:g}: {told}")
    pairs = result.details["joined"]["overlaps"]
    grid = result.height.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    off = result.height.height_mm - sum(s.height(x, y) for s in spots)
    step = max(float(np.nanmax(np.abs(np.diff(off, axis=axis)))) for axis in (0, 1))
    print(
        f"{name}: {len(result.spots)} spots; overlaps differ by {1e3 * max(p['left_mm'] for p in pairs):.2f} um rms,"
        f" {1e3 * max(p['left_99_mm'] for p in pairs):.2f} um (99 %); steepest step between cells {1e3 * step:.2f} um;"
        f" map error {1e3 * float(np.nanstd(off)):.2f} um rms; coverage {100 * result.coverage:.0f} %"
    )


def stored(job: Path) -> StoredResult:
    out = job.parent / f"{job.name}-out"
    out.mkdir()
    write_result(out, check_job(job))
    return load_result(out)


def mitsuba_view(k: int, folder: Path) -> Path:
    """View k of the large panel by the independent renderer."""
    folder.mkdir()
    side, inset = 40.0, 30.0
    x, y = VIEW[0] / 2 - inset, VIEW[1] / 2 - inset
    tags = {4 * k: (-x, -y), 4 * k + 1: (x, -y), 4 * k + 2: (x, y), 4 * k + 3: (-x, y)}
    whole = GENTLE
    for spot in LARGE:
        whole = whole + spot
    plane = plane_through(GENTLE, PLACES[k], tags)
    part = Part(whole, PLACES[k], plane)  # type: ignore[arg-type]
    e = np.radians(54)
    eye = np.array([15.0 * k - 20, -FAR * np.cos(e), FAR * np.sin(e)])
    board = {
        "centre": 1000 * np.array([0.0, np.cos(e), np.sin(e)]),
        "across": np.array([1.0, 0.0, 0.0]),
        "up": np.array([0.0, -np.sin(e), np.cos(e)]),
        "size": (2400.0, 2000.0),
        "sag": 0.0,
    }
    focal = 0.8 * PIXELS[0] * FAR / VIEW[0]
    lines = [
        "[panel]", 'stage = "primer"', f"size_mm = {list(VIEW)}", f"origin_mm = {list(PLACES[k])}",
        "[tags]", 'dictionary = "4x4_50"', f"side_mm = {side}", "[tags.centres_mm]",
        *(f"{tag} = {list(at)}" for tag, at in tags.items()),
        "[camera]", f"focal_px = {focal!r}",
        "[board]", "period_mm = 32", f"centre_mm = {board['centre'].tolist()}", f"across = {board['across'].tolist()}",
        f"up = {board['up'].tolist()}", f"size_mm = {list(board['size'])}",
    ]  # fmt: skip
    rng = np.random.default_rng(k)
    for varies in ("across", "up"):
        light = photograph(
            eye=eye, target=np.array([0.0, 5.0 * k, 0.0]), pixels=PIXELS, focal_px=focal, panel_mm=VIEW,
            height=part.surface, z_mm=-1.2, tags=tags, tag_side_mm=side, board=board,
            texture=stripes_texture(board["size"], 32.0, varies, texels_per_mm=1.0), tag_light=0.03, spp=16,
        )  # fmt: skip
        light = cv2.GaussianBlur(light, (0, 0), 0.5) * (0.6 / float(np.percentile(light, 99)))
        light = light + 0.05 + rng.normal(0, 0.003, light.shape)
        write_photo(folder / f"{varies}.jpg", np.clip(light, 0, 1))
        lines += ["[[photo]]", f'file = "{varies}.jpg"', f'varies = "{varies}"']
    lines += ["[limits]", "low_mm = 0.04", "high_mm = 0.04"]
    (folder / "panel.toml").write_text("\n".join(lines) + "\n")
    return folder


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--seeds", type=int, default=1)
    options.add_argument("--only", choices=("own", "independent"))
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        if given.only != "independent":
            for seed in range(given.seeds):
                jobs = [take_view(k, root / f"own-{seed}-{k}") for k in range(4)]
                report("own renderer", join_views([stored(job) for job in jobs]), SPOTS)
        if given.only != "own":
            jobs = [mitsuba_view(k, root / f"other-{k}") for k in range(4)]
            report("independent renderer", join_views([stored(job) for job in jobs]), LARGE)


if __name__ == "__main__":
    main()
