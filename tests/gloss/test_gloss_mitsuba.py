"""The gloss preview against an independent renderer (Mitsuba 3, a public physically based renderer).

The renderer gets the surface's own formula, the preview its heights on the 2 mm grid of a check.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from skimage.measure import find_contours
from truth.mitsuba_mirror import photograph

from surfscan.core.records import Board, Camera, Grid, HeightMap, Pose
from surfscan.gloss.mirrored import make_mirror, mirror_pixels, picture_of
from surfscan.gloss.viewing import WallLight
from surfscan.synth.panels import Crown, Dish, Shape
from surfscan.synth.scene import board_facing, look_at

SIZE = (300.0, 220.0)
PIXELS = (320, 240)
CAMERA = Camera(640.0, (159.5, 119.5))
EYE, TARGET = np.array([45.0, -430.0, 400.0]), np.array([5.0, -4.0, 0.0])
PERIOD = 48.0


def map_of(form: Shape, deviation: Shape, *, noise_mm: float = 0.0) -> HeightMap:
    """The surface as a check gives it: cells of 2 mm, form and deviation apart, single precision."""
    x, y = (2.0 * (np.arange(n) - (n - 1) / 2) for n in (151, 111))
    xx, yy = np.meshgrid(x, y)
    rng = np.random.default_rng(4)
    height = (deviation.height(xx, yy) + noise_mm * rng.standard_normal(xx.shape)).astype(np.float32)
    zero = np.zeros(xx.shape)
    return HeightMap(
        Grid(x, y, 2.0),
        height.astype(float),
        form.height(xx, yy),
        zero + 0.002,
        zero.astype(np.int32),
        "made",
    )


def by_mitsuba(surface: Shape, wall: Board, light: WallLight) -> np.ndarray:
    """The reflection of the same light by Mitsuba."""
    w, h = wall.size_mm
    a, b = (
        np.arange(round(side)) + 0.5 - side / 2 for side in (w, h)
    )  # a millimetre a texel: edges lie between
    if light.kind == "stripes":
        texture = np.broadcast_to(np.cos(2 * np.pi * a / light.period_mm) > 0, (b.size, a.size))
    elif light.kind == "strip":
        texture = np.broadcast_to((np.abs(b - light.at_mm) < light.width_mm / 2)[:, None], (b.size, a.size))
    else:
        p, q = light.period_mm, light.width_mm
        lines = [np.abs((v + p / 2) % p - p / 2) < q / 2 for v in (a, b)]
        texture = lines[0][None] | lines[1][:, None]
    return photograph(
        eye=EYE,
        target=TARGET,
        pixels=PIXELS,
        focal_px=CAMERA.focal_px,
        panel_mm=SIZE,
        height=surface.surface,
        z_mm=0.0,
        tags={},
        tag_side_mm=1.0,
        board={
            "centre": wall.centre_mm, "across": wall.across, "up": wall.up, "size": wall.size_mm, "sag": 0.0,
        },
        texture=texture.astype(np.float32),
        spp=9,
    )  # fmt: skip


def edges(picture: np.ndarray, level: float) -> np.ndarray:
    """Points (N, 2) where the picture crosses a level, to parts of a pixel (marching squares)."""
    return np.concatenate(find_contours(picture, level))


def shifts(ours: np.ndarray, theirs: np.ndarray) -> np.ndarray:
    """Distances between our edges and theirs, both ways, pixels: an edge that only one picture has counts."""
    level = 0.5 * np.quantile(theirs, 0.9)
    e, f = edges(ours, level), edges(theirs, level)
    return np.concatenate([cKDTree(f).query(e)[0], cKDTree(e).query(f)[0]])


FLAT = Crown(1e9)
CASES = [
    (FLAT, Dish(40, 30, -0.5, 100, order=3), WallLight("stripes", PERIOD)),
    (Crown(1800.0, zero_at_mm=(100, 70)), Dish(-40, -10, 0.4, 90, order=3), WallLight("grid", PERIOD, 12.0)),
    (FLAT, Dish(20, 0, -0.3, 110, order=3), WallLight("strip", PERIOD, 60.0, at_mm=20.0)),
]


@pytest.mark.parametrize(("form", "deviation", "light"), CASES, ids=["stripes", "crown, grid", "strip"])
def test_edges_lie_where_the_independent_renderer_puts_them(
    form: Shape, deviation: Shape, light: WallLight
) -> None:
    wall = board_facing(620, 43, size_mm=(960, 960), period_mm=PERIOD)
    pose: Pose = look_at(EYE, TARGET)
    panel = map_of(form, deviation, noise_mm=0.0003)  # the noise a check's map has
    mirror, fair = make_mirror(panel)
    ours, made_fair = (
        picture_of(mirror_pixels(m, camera=CAMERA, pose=pose, size_px=PIXELS, wall=wall), light)
        for m in (mirror, fair)
    )
    theirs = by_mitsuba(form + deviation, wall, light)
    bright = theirs > 0.9 * np.quantile(theirs, 0.97)
    # Fresnel's reflectance times the light on both sides; 9 samples a pixel
    assert np.median(ours[bright] / theirs[bright]) == pytest.approx(1, abs=0.004)
    middle = np.s_[50:-50, 60:-60]  # inside the panel
    a, b, c = (p[middle] for p in (ours, theirs, made_fair))
    rms, of_fair = (float(np.sqrt(np.mean(shifts(p, b) ** 2))) for p in (a, c))
    # The issue asks for 1 px. Nine samples a pixel place an edge to 0.1 px; the map's cells and the smoothed normals
    # add as much.
    assert rms < 0.35
    # The same panel without its fault is another picture: nothing straight would pass.
    assert of_fair > 5 * rms
