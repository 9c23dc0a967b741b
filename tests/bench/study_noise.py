"""Noise part of the height error against the Cramer-Rao bound, on noise-only scenes.

    python tests/bench/study_noise.py [--seeds 8] [--sigma 0.01]

A panel is photographed without noise; white noise of known sigma is added many times over; every pair is read to
a height map with the true poses. The noise part is the map less the map of the noiseless pair, mean taken off.

Bound: the phase of one cell seen by N photo pixels has at least the variance 2 sigma^2 / (N B^2) (B: amplitude of
the fundamental), the slope that variance times (period / (2 pi gain))^2 (gain: board millimetres per unit slope),
the height eta h^2 times the slope variance (Southwell's integration on n x n cells of side h, eta by the exact sum).
N counts photo pixels: the panel's area in the photo over the panel's area, times the cell's. h^2 / N is one
pixel's area on the panel whatever the cell, so h enters through eta alone; the stricter of two choices is used:
cells as wide as the reflected stripe, which is what a stripe photo resolves. `fine` gives the grid's own cells.
Square stripes tell more than their fundamental: `edges` is the bound with the whole waveform's information,
2 sigma^2 / N over twice the mean square of d(brightness)/d(phase).
"""

from __future__ import annotations

import argparse

import numpy as np

from surfscan.core.reading import Context, Reading, View
from surfscan.core.records import Camera, Photo
from surfscan.optics.field import FINE, make_grid, pixel_pitch
from surfscan.optics.lens import project
from surfscan.reading.stripes import read_stripes
from surfscan.synth.panels import Crown, Flat, Panel
from surfscan.synth.rays import mirror_hits
from surfscan.synth.render import render
from surfscan.synth.scene import Lighting, Scene, board_facing, look_at

Array = np.ndarray


def southwell_eta(n: int) -> float:
    """Noise coefficient of Southwell's integration on n x n nodes: mean var(z) = eta h^2 var(slope)."""
    k = np.arange(n)
    s, c = 2 * np.sin(np.pi * k / (2 * n)), np.cos(np.pi * k / (2 * n))
    power = s[:, None] ** 2 + s[None, :] ** 2
    power[0, 0] = np.inf
    return float(np.sum(((s * c)[:, None] ** 2 + (s * c)[None, :] ** 2) / power**2) / n**2)


def make_scene(*, square: bool, crowned: bool) -> Scene:
    size = (480.0, 360.0)
    return Scene(
        panel=Panel(
            size, form=Crown(2200.0, zero_at_mm=(230.0, 170.0)) if crowned else Flat(), edge_mm=100.0
        ),
        camera=Camera(1700.0, (639.5, 479.5)),
        board=board_facing(1000.0, 55.0, size_mm=(1700.0, 1500.0), period_mm=30.0),
        poses=(look_at((20.0, -560.0, 800.0), (0, 0, 0)), look_at((-30.0, -580.0, 790.0), (0, 0, 0))),
        image_size_px=(1280, 960),
        light=Lighting(room=0.3, board_bright=5.0),
        square=square,
        lens_blur_px=0.7,
    )


def read(scene: Scene, pictures: list[Array], rounds: int = 6) -> Reading:
    views = [
        View(
            Photo(shot.file, "", picture.astype(np.float32), np.zeros(picture.shape, bool)),
            scene.camera,
            shot.pose,
            shot.varies,
        )
        for shot, picture in zip(scene.all_shots(), pictures, strict=True)
    ]
    pitch = pixel_pitch(scene.panel.size_mm, camera=scene.camera, pose=views[0].pose)
    grid = make_grid(scene.panel.size_mm, FINE * pitch)
    x, y = scene.panel.size_mm[0] / 2 - 10, scene.panel.size_mm[1] / 2 - 10
    corners = np.array([[-x, -y], [x, -y], [x, y], [-x, y]])
    region = np.zeros(grid.shape, np.int32)
    return read_stripes(Context(tuple(views), grid, region, corners, scene.board), rounds=rounds)


def pixels_per_mm2(scene: Scene, pose: object) -> float:
    """Photo pixels on one square millimetre of panel, mean over the panel (outline's area in the photo)."""
    w, h = scene.panel.size_mm
    x, y = np.array([-w, w, w, -w]) / 2, np.array([-h, -h, h, h]) / 2
    column, row = project(x, y, 0.0, camera=scene.camera, pose=pose)
    area = 0.5 * abs(np.dot(column, np.roll(row, -1)) - np.dot(row, np.roll(column, -1)))
    return float(area / (w * h))


def stripe_information(scene: Scene, picture: Array, varies: str, pose: object) -> tuple[float, float]:
    """Amplitude of the fundamental, and twice the mean square of d(brightness)/d(phase), read off the picture."""
    w, h = scene.panel.size_mm
    r, c = np.mgrid[: picture.shape[0], : picture.shape[1]]
    hits = mirror_hits(scene.panel, scene.camera, pose, scene.board, c, r)
    on = (np.abs(hits.x_mm) < w / 2) & (np.abs(hits.y_mm) < h / 2)
    place = (
        (hits.a_mm + scene.board.size_mm[0] / 2)
        if varies == "across"
        else (hits.b_mm + scene.board.size_mm[1] / 2)
    )
    phase, value = 2 * np.pi * place[on] / scene.board.period_mm, picture[on].astype(float)
    harmonics = [2 * np.mean((value - value.mean()) * np.exp(-1j * k * phase)) for k in range(1, 24)]
    power = np.abs(harmonics) ** 2
    power[power < 0.02**2 * power[0]] = 0  # uneven light over the panel, not the waveform
    return float(np.sqrt(power[0])), float(np.sum(np.arange(1, 24) ** 2 * power))


def bound_um(scene: Scene, clean: list[Array], reading: Reading, sigma: float) -> tuple[float, float, float]:
    """Height bound in um: stripe-wide cells; the grid's cells; stripe-wide cells with all the waveform tells."""
    slopes, told = [], []
    for k, (shot, picture) in enumerate(zip(scene.all_shots(), clean, strict=True)):
        amplitude, information = stripe_information(scene, picture, shot.varies, shot.pose)
        density = pixels_per_mm2(scene, shot.pose)
        lever = (scene.board.period_mm / (2 * np.pi) / reading.gain_mm[k]) ** 2
        slopes.append(2 * sigma**2 / density / amplitude**2 * lever)  # h^2 times the slope variance, mm^2
        told.append(2 * sigma**2 / density / information * lever)
    side = np.sqrt(np.prod(scene.panel.size_mm))
    wide = southwell_eta(max(4, round(side / float(np.mean(reading.period_mm)))))
    fine = southwell_eta(round(side / reading.grid.step_mm))
    plain, full = np.mean(slopes), np.mean(told)
    return 1e3 * np.sqrt(wide * plain), 1e3 * np.sqrt(fine * plain), 1e3 * np.sqrt(wide * full)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--sigma", type=float, default=0.01, help="noise, in units of the camera's white")
    chosen = parser.parse_args()
    print("scene            noise_um  tilt_off  stated_um  bound_um  ratio   fine  edges  coverage")
    worst = 0.0
    for square in (False, True):
        for crowned in (False, True):
            scene = make_scene(square=square, crowned=crowned)
            clean = [render(scene, shot) for shot in scene.all_shots()]
            base = read(scene, clean)
            x, y = np.meshgrid(base.grid.x_mm, base.grid.y_mm)
            parts, level, stated = [], [], []
            for seed in range(chosen.seeds):
                rng = np.random.default_rng(seed)
                noisy = [p + chosen.sigma * rng.standard_normal(p.shape) for p in clean]
                found = read(scene, noisy)
                away = found.height_mm - base.height_mm
                on = np.isfinite(away)
                away = away[on] - away[on].mean()
                design = np.column_stack([np.ones(away.size), x[on], y[on]])
                flat = away - design @ np.linalg.lstsq(design, away, rcond=None)[0]
                parts.append(np.mean(away**2))
                level.append(np.mean(flat**2))
                stated.append(found.noise_mm)
            noise, tilt_off = (1e3 * np.sqrt(np.mean(v)) for v in (parts, level))
            bound, fine, edges = bound_um(scene, clean, base, chosen.sigma)
            worst = max(worst, noise / bound)
            name = f"{'square' if square else 'smooth'}, {'crown 2.2 m' if crowned else 'flat'}"
            print(
                f"{name:19s} {noise:6.4f} {tilt_off:9.4f} {1e3 * np.mean(stated):10.4f} {bound:9.4f}"
                f" {noise / bound:6.2f} {noise / fine:6.2f} {noise / edges:6.2f}"
                f" {np.isfinite(base.height_mm).mean():9.3f}"
            )
    print(f"worst ratio {worst:.2f}; aim 3")


if __name__ == "__main__":
    main()
