"""Ways from one photo of stripes to phase, side by side on the same pictures of known surfaces.

    python tests/bench/study_demodulation.py [--case NAME ...]

Each case is photographed once (both directions) with camera noise and turned into the panel grid on the true
surface, so that every way sees the same rectified picture and the true phase is known from the closed form.
The four published ways of `demodulators` get the same smooth carrier, fitted to the picture's own tile
frequencies; `free` is `free_phase`; `ours` is the whole loop of `read_stripes`, which starts from the flat panel
and finds the surface itself.

Printed for each way: rms phase error more than one reflected period from any edge of the mask (interior) and
within one (edge), both directions together, constant to quadratic terms taken out (they belong to the form);
share of cells that the way gives (amplitude over a quarter of its median); error of the peak of a spot two and
three periods wide, in per cent, after one Newton step to slopes and the same integration for all; seconds for
both photos over the fastest way's; for the fold, the share of folded cells that the way still calls good.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from demodulators import edge_tracking, fourier_transform, phase_stepping, windowed_fourier

from surfscan.core.errors import SurfscanError
from surfscan.core.reading import Context, View
from surfscan.core.records import Camera, Grid, Photo
from surfscan.optics.field import FINE, cut_out, make_grid, mask_squares, rectify
from surfscan.optics.mirror import hit_board
from surfscan.phase import free
from surfscan.phase.carrier import tile_frequencies
from surfscan.reading.stripes import read_stripes
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import newton_step
from surfscan.synth.camera_noise import add_noise
from surfscan.synth.panels import Crown, Dish, Flat, Panel
from surfscan.synth.render import render
from surfscan.synth.scene import Lighting, Scene, board_facing, look_at

Array = np.ndarray
SIZE = 480.0, 360.0
HOLES = {0: (-150.0, -90.0), 1: (150.0, -90.0), 2: (150.0, 90.0), 3: (-150.0, 90.0)}
"""Square holes in the mask, 40 mm wide: what tags leave."""
TWO, THREE = (-60.0, 20.0), (60.0, -20.0)
"""Middles of the spots two and three periods wide."""
CELLS_PER_STRIPE = 17.0
"""Fine cells along a reflected period, as the main path lays its grid."""
WAYS: dict[str, Callable] = {
    "Fourier transform": fourier_transform,
    "windowed Fourier": windowed_fourier,
    "phase stepping": phase_stepping,
    "edge tracking": edge_tracking,
}


def base_scene(period_mm: float = 15.0) -> Scene:
    """Flat panel; the reflected period is half the board's 30 mm, since camera and board are equally far."""
    spots = Dish(*TWO, -0.02, 2 * period_mm) + Dish(*THREE, -0.04, 3 * period_mm)
    return Scene(
        panel=Panel(SIZE, form=Flat(), deviation=spots, edge_mm=100.0),
        camera=Camera(1900.0, (639.5, 479.5)),
        board=board_facing(1000.0, 55.0, size_mm=(1900.0, 1700.0), period_mm=30.0),
        poses=(look_at((20.0, -570.0, 820.0), (0, 0, 0)), look_at((-30.0, -580.0, 810.0), (0, 0, 0))),
        image_size_px=(1280, 960),
        light=Lighting(room=0.3, board_bright=5.0),
        lens_blur_px=0.6,
    )


def cases() -> dict[str, Scene]:
    flat = base_scene()
    near = board_facing(400.0, 55.0, size_mm=(1900.0, 1700.0), period_mm=21.0)
    spots = flat.panel.deviation

    def low(peak: float, width: float) -> Panel:
        return replace(flat.panel, deviation=spots + Dish(0.0, 60.0, peak, width, profile="gaussian"))

    return {
        "square": flat,
        "smooth": replace(flat, square=False),
        "crown 2.2 m": replace(
            flat, panel=replace(flat.panel, form=Crown(2200.0, zero_at_mm=(200.0, 150.0)))
        ),
        "uneven light": replace(flat, light=replace(flat.light, room=1.2, room_slope=(1.6, 1.2))),
        "satin": replace(flat, roughness_rad=0.003),
        "deep low": replace(flat, panel=low(-1.2, 160.0), board=near),
        "fold": replace(flat, panel=low(-3.6, 160.0), board=near),
    }


def _reflected_mm(scene: Scene) -> float:
    """Stripe period that a flat panel would show at its middle."""
    near = float(np.linalg.norm(scene.all_shots()[0].pose.centre_mm))
    far = float(np.linalg.norm(scene.board.centre_mm))
    return scene.board.period_mm * near / (near + far)


def known_phase(scene: Scene, grid: Grid) -> tuple[Array, list[tuple[Array, object]], Array]:
    """True height, both directions' (place on the board in mm, hit), and where the reflection is folded."""
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    z, p, q = scene.panel.total.surface(x, y)
    sides = []
    for shot in scene.all_shots():
        hit = hit_board(x, y, z, p, q, camera_mm=shot.pose.centre_mm, board=scene.board)
        sides.append((hit.across_mm if shot.varies == "across" else hit.up_mm, hit))
    hit = sides[0][1]
    (ay, ax), (by, bx) = np.gradient(hit.across_mm, grid.step_mm), np.gradient(hit.up_mm, grid.step_mm)
    turning = ax * by - ay * bx
    return z, sides, turning * np.sign(np.nanmedian(turning)) <= 0


def carrier_of(picture: Array, valid: Array) -> Array:
    """Smooth carrier from the picture's own tiles."""
    return free._carrier(tile_frequencies(picture, valid, tile_px=96), picture.shape)


def coarse(phase: Array, amplitude: Array) -> tuple[Array, Array]:
    """Mean of the fine cells of each coarse cell."""
    wave = np.where(np.isfinite(phase), np.exp(1j * np.nan_to_num(phase)), np.nan)
    h, w = phase.shape
    wave = wave.reshape(h // FINE, FINE, w // FINE, FINE).mean((1, 3))
    return np.angle(wave), np.nan_to_num(amplitude).reshape(h // FINE, FINE, w // FINE, FINE).mean((1, 3))


def quadratic(error: Array, use: Array) -> Array:
    """Error less its constant to quadratic terms, robustly."""
    h, w = error.shape
    y, x = np.mgrid[-1 : 1 : 1j * h, -1 : 1 : 1j * w]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)
    keep = use.copy()
    for _ in range(4):
        fit = np.linalg.lstsq(terms[keep], error[keep], rcond=None)[0]
        rest = error - terms @ fit
        keep = use & (np.abs(rest) < 4 * 1.4826 * np.median(np.abs(rest[use])) + 1e-12)
    return rest


def phase_error(phase: Array, truth: Array, use: Array) -> Array:
    """Wrapped difference to the truth with the better sign, form terms off; NaN outside `use`."""
    best = None
    for sign in (1, -1):
        with np.errstate(invalid="ignore"):
            turned = sign * phase - truth
        middle = np.angle(np.mean(np.exp(1j * turned[use])))
        away = middle + np.angle(np.exp(1j * (turned - middle)))
        spread = float(np.median(np.abs(away[use] - np.median(away[use]))))
        if best is None or spread < best[0]:
            best = spread, away
    return np.where(use, quadratic(np.where(use, best[1], 0), use), np.nan)


def peak_errors(height_error: Array, grid: Grid, use: Array, reach_mm: float) -> list[float]:
    """Error at both spots' middles less that around them, per cent of their peaks."""
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    out = []
    for (cx, cy), peak, width in ((TWO, 0.02, 2), (THREE, 0.04, 3)):
        away = np.hypot(x - cx, y - cy)
        around = use & (away > 0.5 * width * reach_mm) & (away < (0.5 * width + 1) * reach_mm)
        at = use & (away < 1.5 * grid.step_mm)
        if not at.any() or not around.any():
            out.append(float("nan"))
            continue
        out.append(100 * float(np.nanmean(height_error[at]) - np.nanmedian(height_error[around])) / peak)
    return out


def study(name: str, scene: Scene) -> None:
    grid = make_grid(SIZE, FINE * _reflected_mm(scene) / CELLS_PER_STRIPE)
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    inside = ~mask_squares(grid, HOLES, {}, 20.0)
    inside[[0, -1]] = inside[:, [0, -1]] = False
    z, sides, folded = known_phase(scene, grid)
    period = scene.board.period_mm
    rng = np.random.default_rng(7)
    views, fine = [], []
    for shot in scene.all_shots():
        image = add_noise(render(scene, shot), rng=rng)
        view = View(Photo(shot.file, "", image, image >= 1), scene.camera, shot.pose, shot.varies)
        picture, state = rectify(cut_out(view, grid, reach_mm=40.0), x, y, z)
        mask = (
            cv2.resize(inside.astype(np.uint8), None, fx=FINE, fy=FINE, interpolation=cv2.INTER_NEAREST) > 0
        )
        views.append(view)
        fine.append((picture, mask & (state == 0)))
    spacing = period / float(np.nanmedian(np.hypot(*np.gradient(sides[0][0], grid.step_mm))))
    distance = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, 5) * grid.step_mm
    unfolded = ~(cv2.dilate(folded.astype(np.uint8), np.ones((31, 31), np.uint8)) > 0)
    deep, edge = inside & unfolded & (distance > spacing), inside & unfolded & (distance <= spacing)
    rows = []
    for way in [*WAYS, "free (no geometry)", "ours (whole loop)"]:
        began = time.perf_counter()
        found: list[tuple[Array, Array]] = []
        height = None
        if way.startswith("ours"):
            corners = np.array([[-200.0, -150], [200, -150], [200, 150], [-200, 150]])
            region = np.where(inside, 0, 1).astype(np.int32)
            try:
                read = read_stripes(Context(tuple(views), grid, region, corners, scene.board))
            except SurfscanError as refused:
                print(f"{name:13s} {way:19s} refused: {refused}")
                continue
            seconds = time.perf_counter() - began
            height = read.height_mm
            for view in views:
                hit = hit_board(
                    x,
                    y,
                    np.nan_to_num(height),
                    read.p,
                    read.q,
                    camera_mm=view.pose.centre_mm,
                    board=scene.board,
                )
                place = hit.across_mm if view.varies == "across" else hit.up_mm
                found.append((2 * np.pi * place / period, np.isfinite(place).astype(float)))
        else:
            for (picture, mask), view in zip(fine, views, strict=True):
                turned = view.varies == "up"
                flat, seen = (picture.T, mask.T) if turned else (picture, mask)
                flat, seen = np.ascontiguousarray(flat), np.ascontiguousarray(seen)
                if way.startswith("free"):
                    result = free.free_phase(flat, valid=seen, white=10.0)
                    phase, amplitude = result.phase_rad, np.where(result.valid, result.amplitude, 0)
                else:
                    phase, amplitude = WAYS[way](flat, seen, carrier_of(flat, seen))
                found.append(coarse(phase.T, amplitude.T) if turned else coarse(phase, amplitude))
            seconds = time.perf_counter() - began
        errors, good = [], inside.copy()
        for (phase, amplitude), (place, _) in zip(found, sides, strict=True):
            usual = np.median(amplitude[inside & (amplitude > 0)])
            use = inside & np.isfinite(phase) & (amplitude > 0.25 * usual)
            good &= use
            errors.append(phase_error(phase, 2 * np.pi * place / period, use & unfolded))
        if height is None:
            moved = [
                (side[1], side[0] + np.nan_to_num(error) * period / (2 * np.pi), view.varies)
                for side, error, view in zip(sides, errors, views, strict=True)
            ]
            dp, dq = newton_step(*moved)
            on = good & unfolded
            slope_error = (np.where(on, dp, np.nan), np.where(on, dq, np.nan))
            wrong, _ = integrate_slopes(*slope_error, step_mm=grid.step_mm)
        else:
            on = good & unfolded & np.isfinite(height)
            wrong = quadratic(np.where(on, height - z, 0), on)
        stack = np.stack(errors)
        rows.append(
            (
                way,
                _rms(stack[:, deep]),
                _rms(stack[:, edge]),
                float((good & unfolded).sum() / (inside & unfolded).sum()),
                *peak_errors(wrong, grid, on, spacing),
                seconds,
                float((good & folded).sum() / max((folded & inside).sum(), 1)),
            )
        )
    fastest = min(row[6] for row in rows)
    for way, inner, rim, given, two, three, seconds, claimed in rows:
        last = f"{claimed:8.2f}" if folded.any() else "       -"
        print(
            f"{name:13s} {way:19s} {1e3 * inner:9.1f} {1e3 * rim:8.1f} {given:6.2f} {two:8.1f} {three:8.1f}"
            f" {seconds / fastest:6.1f} {last}"
        )
    print(flush=True)


def _rms(value: Array) -> float:
    value = value[np.isfinite(value)]
    return float(np.sqrt(np.mean(value**2))) if value.size else float("nan")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--case", nargs="*", choices=list(cases()), default=list(cases()))
    chosen = parser.parse_args()
    print("phase errors in mrad (1 stripe = 6283), peaks in per cent")
    print("case          way                  interior     edge  given  2-peak%  3-peak%   time  in-fold")
    for name in chosen.case:
        study(name, cases()[name])


if __name__ == "__main__":
    main()
