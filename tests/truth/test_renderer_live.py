"""Two renderers that share no code see the same panel the same way.

`mitsuba` (a public, physically based renderer) follows rays to a triangle mesh of the surface with the
exact vertex normals and mirrors them to a board; the package's ray caster does it in closed form.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import mitsuba
import numpy as np
import pytest
from cases import some

from surfscan.core.records import Board, Camera, Pose
from surfscan.synth.camera_noise import encode_srgb
from surfscan.synth.panels import Crown, Dish, Panel, Shape
from surfscan.synth.render import project, render
from surfscan.synth.scene import Lighting, Scene, board_facing, corner_tags, look_at

SIZE = (300.0, 220.0)
PIXELS = (320, 240)
CAMERA = Camera(640.0, (159.5, 119.5))
EYE, TARGET = np.array([45.0, -430.0, 560.0]), np.array([5.0, -4.0, 0.0])


def picture_by_mitsuba(surface: Shape, board: Board, varies: str, spp: int = 36) -> np.ndarray:
    """Reflection alone (a smooth coat of index 1.5 on black), linear light."""
    mi: Any = mitsuba
    mi.set_variant("scalar_rgb")
    w, h = SIZE
    nx, ny = int(w) + 1, int(h) + 1
    x, y = np.meshgrid(np.linspace(-w / 2, w / 2, nx), np.linspace(-h / 2, h / 2, ny))
    z, p, q = surface.surface(x, y)
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(
        {"type": "plastic", "int_ior": 1.5, "ext_ior": 1.0, "diffuse_reflectance": 0.0}
    )
    mesh = mi.Mesh("panel", nx * ny, 2 * (nx - 1) * (ny - 1), has_vertex_normals=True, props=props)
    i = (np.arange(ny - 1)[:, None] * nx + np.arange(nx - 1)).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + nx], -1), np.stack([i + 1, i + nx + 1, i + nx], -1)])
    normals = np.stack([-p, -q, np.ones_like(p)], -1)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.stack([x, y, z], -1).ravel().astype(np.float32)
    params["vertex_normals"] = normals.ravel().astype(np.float32)
    params["faces"] = faces.ravel().astype(np.uint32)
    params.update()
    side = board.size_mm[0] if varies == "across" else board.size_mm[1]
    s = (np.arange(int(side) * 4) + 0.5) / 4
    line = np.cos(2 * np.pi * s / board.period_mm) > 0
    tile = np.tile(line, (2, 1)) if varies == "across" else np.tile(line[:, None], (1, 2))
    place = np.eye(4)
    place[:3, 0], place[:3, 1] = board.across * board.size_mm[0] / 2, board.up * board.size_mm[1] / 2
    place[:3, 2], place[:3, 3] = board.normal, board.centre_mm
    scene = mi.load_dict(
        {
            "type": "scene",
            "panel": mesh,
            "board": {
                "type": "rectangle",
                "to_world": mi.ScalarTransform4f(place),
                "light": {
                    "type": "area",
                    "radiance": {
                        "type": "bitmap",
                        "bitmap": mi.Bitmap(tile[..., None].astype(np.float32)),
                        "raw": True,
                        "filter_type": "nearest",
                    },
                },
            },
            "sensor": {
                "type": "perspective",
                "fov": float(np.rad2deg(2 * np.arctan(PIXELS[0] / 2 / CAMERA.focal_px))),
                "fov_axis": "x",
                "to_world": mi.ScalarTransform4f().look_at(
                    origin=EYE.tolist(), target=TARGET.tolist(), up=[0.0, 1.0, 0.0]
                ),
                "film": {
                    "type": "hdrfilm",
                    "width": PIXELS[0],
                    "height": PIXELS[1],
                    "rfilter": {"type": "box"},
                    "pixel_format": "luminance",
                },
                # stratified: the place of an edge in a pixel is then known to 1/sqrt(36)/sqrt(36)
                "sampler": {"type": "stratified", "sample_count": spp},
            },
        }
    )
    direct = mi.load_dict({"type": "direct", "emitter_samples": 0, "bsdf_samples": 1})
    return np.array(mi.render(scene, integrator=direct, seed=5))[..., 0]


def edges(profile: np.ndarray) -> np.ndarray:
    """Sub-pixel places where a picture line crosses half of its brightest tenth, with their direction."""
    t = profile - 0.5 * np.quantile(profile, 0.9)
    k = np.flatnonzero(np.sign(t[1:]) != np.sign(t[:-1]))
    return k + t[k] / (t[k] - t[k + 1])


@pytest.fixture(scope="module")
def own_pose() -> Pose:
    return look_at(EYE, TARGET)


FORMS = (
    Dish(40, 30, -0.25, 100, order=3),
    Crown(1800.0, zero_at_mm=(100, 70)) + Dish(-50, -20, 0.2, 90, order=3),
)


@pytest.mark.parametrize(("form", "varies"), some(product(FORMS, ("across", "up")), 2))
def test_stripe_edges_agree_between_two_renderers(form: Shape, varies: str, own_pose: Pose) -> None:
    board = board_facing(620, 53, size_mm=(1200, 1000), period_mm=48)
    dark = Lighting(room=0.0, room_seen=0.0, board_bright=1.0, board_dark=0.0, background=0.0)
    scene = Scene(
        Panel(SIZE, form),
        CAMERA,
        board,
        None,
        (own_pose,),
        image_size_px=PIXELS,
        light=dark,
        lens_blur_px=0.0,
        supersampling=6,
    )
    shot = scene.all_shots()[0 if varies == "across" else 1]
    ours, theirs = render(scene, shot), picture_by_mitsuba(form, board, varies)
    # the same brightness (Fresnel's reflectance times the board's), so the same optics
    bright = theirs > 0.9 * np.quantile(theirs, 0.97)
    assert np.median(ours[bright] / theirs[bright]) == pytest.approx(1, abs=0.002)
    # edges along lines that cross the stripes, inside the panel
    rim = (
        project([[-120, -90, 0], [120, -90, 0], [-100, 90, 0], [100, 90, 0]], CAMERA, own_pose)
        .round()
        .astype(int)
    )
    left, right, top, bottom = rim[[0, 2], 0].max(), rim[[1, 3], 0].min(), rim[2:, 1].max(), rim[:2, 1].min()
    a, b = (picture[top:bottom, left:right] for picture in (ours, theirs))
    if varies == "up":
        a, b = a.T, b.T
    off = []
    for mine, other in zip(a, b, strict=True):
        e, f = edges(mine), edges(other)
        if not (e.size and f.size):
            continue
        nearest = np.abs(e[:, None] - f[None]).argmin(1)
        off.append(e - f[nearest])
    shift = np.concatenate(off)
    assert shift.size > 500, "there are many edges to compare"
    # Sampling noise of an edge is about 0.05 px (see the sampler); the mesh's interpolated normals are off by
    # (1 mm)^2/8 times the third derivative, 1e-6 rad, that is 0.001 px; their median is good to
    # = 0.002 px. A mirrored picture, or one shifted by a tenth of a pixel, fails.
    assert abs(np.median(shift)) < 0.01
    assert np.quantile(np.abs(shift), 0.95) < 0.25


def test_unequal_panels_are_told_apart(own_pose: Pose) -> None:
    """The comparison above would notice a dent of 0.01 mm that only one of the two has."""
    board = board_facing(620, 53, size_mm=(1200, 1000), period_mm=48)
    pair = []
    for depth in (-0.25, -0.26):
        scene = Scene(
            Panel(SIZE, Dish(40, 30, depth, 100, order=3)),
            CAMERA,
            board,
            None,
            (own_pose,),
            image_size_px=PIXELS,
            light=Lighting(room=0.0, board_dark=0.0),
            lens_blur_px=0.0,
        )
        pair.append(encode_srgb(render(scene, scene.all_shots()[0])))
    lines = [line for line in zip(*pair, strict=True) if edges(line[0]).size == edges(line[1]).size > 0]
    worst = max(np.abs(edges(one) - edges(two)).max() for one, two in lines)
    assert worst > 0.25
    assert corner_tags(SIZE).centres_mm[0] == (-123.0, -83.0)
