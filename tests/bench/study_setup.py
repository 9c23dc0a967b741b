"""How well a set-up photo finds the board, and how far a reference takes a bad set-up down.

python tests/bench/study_setup.py [--seeds 3]

Set-up photos by both renderers, from several places: error of the board's middle as a share of its distance, and
over its stated standard uncertainty. Null tests by the project's own renderer (lens k1 -0.1, edges of the board 8 mm
back, neither told): rms of the whole height against the truth, a plane taken off, without and with reference, flat and
crowned, reference from the same place and by hand. `tests/truth/test_reference_photos.py` does the last by the
independent renderer.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from reading import glass_photos
from reading.setup_photos import setup_scene, write_setup_job
from reading.test_reference import form_error_um
from truth import test_setup_photo as independent
from truth.mitsuba_mirror import photograph, stripes_texture

from surfscan.checking.pipeline import check_job
from surfscan.checking.setup import stand_board
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.reading.propagation import Inputs
from surfscan.synth.camera_noise import add_noise, write_photo
from surfscan.synth.panels import Crown, Flat

OWN_EYES = (
    ((1000, -900, 1300), (0, 300, 350)),
    ((1000, -1200, 1000), (0, 200, 450)),
    ((800, -1200, 1300), (0, 200, 450)),
)
OTHER_EYES = ((650, -1500, 1100), (-900, -1300, 900), (400, -1800, 1200))


def own_setups(seeds: int) -> list[tuple[float, float]]:
    rows = []
    scene = setup_scene()
    assert scene.board is not None
    far = float(np.linalg.norm(scene.board.centre_mm))
    for eye, target in OWN_EYES:
        for seed in range(seeds):
            with tempfile.TemporaryDirectory() as name:
                job = write_setup_job(scene, Path(name), eye=eye, target=target, seed=seed)
                photo = read_photo(job / "setup.jpg", "setup.jpg")
                fit, _ = stand_board(load_sheet(job), photo, inputs=Inputs())
            rows.append(_row(fit, scene.board.centre_mm, far))
    return rows


def _row(fit: object, truth: np.ndarray, far: float) -> tuple[float, float]:
    off = fit.centre_mm - truth  # type: ignore[attr-defined]
    spread = fit.covariance[3:, 3:]  # type: ignore[attr-defined]
    return 100 * float(np.linalg.norm(off)) / far, float(np.sqrt(off @ np.linalg.solve(spread, off) / 3))


def other_setups(seeds: int) -> list[tuple[float, float]]:
    rows = []
    for turn in (0.0, 12.0):
        place = independent.board(turn)
        for eye in OTHER_EYES:
            picture = photograph(
                eye=np.array(eye),
                target=np.array([0.0, 220.0, 330.0]),
                pixels=(1200, 900),
                focal_px=1000.0,
                panel_mm=(500.0, 360.0),
                height=None,
                z_mm=0.0,
                tags=independent.PANEL_TAGS,
                tag_side_mm=36.0,
                board={**place, "size": independent.SIZE},
                texture=stripes_texture(
                    independent.SIZE, 26, "across", tags=independent.BOARD_TAGS, tag_side_mm=90.0
                ),
                tag_light=0.8,
                spp=9,
            )
            for seed in range(seeds):
                with tempfile.TemporaryDirectory() as name:
                    folder = Path(name)
                    noisy = add_noise(picture, rng=np.random.default_rng(seed))
                    write_photo(folder / "setup.png", noisy)
                    photo = read_photo(folder / "setup.png", "setup.png")
                    fit, _ = stand_board(independent.sheet(folder), photo, inputs=Inputs())
                rows.append(_row(fit, place["centre"], float(np.linalg.norm(place["centre"]))))
    return rows


def nulls() -> None:
    print("panel, reference: rms um without, with, ratio")
    for name, form in (("flat", Flat()), ("crown 2.5 m", Crown(2500.0, zero_at_mm=(223.0, 153.0)))):
        scene = glass_photos.bad_scene(form=form)
        for kind, poses in (("same place", glass_photos.POSES), ("by hand", glass_photos.OTHER_POSES)):
            with tempfile.TemporaryDirectory() as folder:
                job = glass_photos.write_reference_job(scene, Path(folder), poses=poses)
                before = form_error_um(check_job(job), scene.panel.total)
                (job / "panel.toml").write_text(glass_photos.with_reference(job), encoding="utf-8")
                after = form_error_um(check_job(job), scene.panel.total)
            print(f"{name}, {kind}: {before:.1f} {after:.2f} {before / after:.0f}", flush=True)
        good = glass_photos.bad_scene(k1=0.0, sag_mm=0.0, form=form)
        with tempfile.TemporaryDirectory() as folder:
            job = glass_photos.write_reference_job(good, Path(folder))
            print(
                f"{name}, a good set-up without reference: {form_error_um(check_job(job), good.panel.total):.2f}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description="Set-up photos and null tests.")
    parser.add_argument("--seeds", type=int, default=3)
    seeds = parser.parse_args().seeds
    for name, rows in (("own renderer", own_setups(seeds)), ("independent renderer", other_setups(seeds))):
        share, ratio = np.array(rows).T
        print(
            f"set-up photo, {name}: {len(rows)} photos, error of the board's middle {np.median(share):.3f} % of the "
            f"distance, worst {share.max():.3f} %; over its standard uncertainty {np.sqrt(np.mean(ratio**2)):.2f}"
        )
    nulls()


if __name__ == "__main__":
    main()
