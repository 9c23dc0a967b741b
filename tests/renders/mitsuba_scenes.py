"""Render the fixture jobs with Mitsuba 3, a general-purpose physically based renderer.

This script shares no code with the package: shapes, camera, board, tags, noise and sheet are written out
here once more, so that a mistake in the package's own renderer can't hide in its own test photos.

    python tests/renders/mitsuba_scenes.py [--variant llvm_ad_mono] [--out fixtures/jobs] NAME...

The panel is a triangle mesh with the exact normals at its vertices, under a smooth (or rough) dielectric
coat on a diffuse base; the board is a textured area light; the tags are part of the base's texture. The
reflection and the diffuse base are rendered apart and added, which the coated material allows, because
the reflection is then free of sampling noise.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import cv2  # only for the tags' bits
import mitsuba as mi
import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

TEXEL = 6  # texels per mm of the panel's texture
PAPER, TONER = 0.60, 0.04


# --- shapes: each returns z, dz/dx, dz/dy ---------------------------------------------------------


def bowl(x, y, at, peak, w, h=None, order=2):
    """peak * (1 - rho^2)^order inside the oval w x h."""
    h = w if h is None else h
    dx, dy = x - at[0], y - at[1]
    rest = np.maximum(0.0, 1 - (2 * dx / w) ** 2 - (2 * dy / h) ** 2)
    d = -peak * order * rest ** (order - 1)
    return peak * rest**order, d * 8 * dx / w**2, d * 8 * dy / h**2


def bell(x, y, at, peak, w, h=None):
    """Gaussian with standard deviations w/4 and h/4."""
    h = w if h is None else h
    dx, dy = x - at[0], y - at[1]
    z = peak * np.exp(-8 * (dx / w) ** 2 - 8 * (dy / h) ** 2)
    return z, -16 * dx / w**2 * z, -16 * dy / h**2 * z


def ring(x, y, at, peak, radius, w):
    """A Gaussian ring: standard deviation w/4 about the circle of that radius."""
    dx, dy = x - at[0], y - at[1]
    r = np.maximum(np.hypot(dx, dy), 1e-9)
    z = peak * np.exp(-8 * ((r - radius) / w) ** 2)
    d = -16 * (r - radius) / w**2 * z
    return z, d * dx / r, d * dy / r


def ripple(x, y, amplitude, length, angle, phase):
    """amplitude * cos along a direction (degrees)."""
    kx, ky = (2 * np.pi / length * f(np.deg2rad(angle)) for f in (np.cos, np.sin))
    t = kx * x + ky * y + phase
    return amplitude * np.cos(t), -amplitude * kx * np.sin(t), -amplitude * ky * np.sin(t)


def arcs(x, y, rx, ry):
    """Two circles added; radii may be infinite."""

    def arc(t, r):
        if np.isinf(r):
            return 0 * t, 0 * t
        root = np.sqrt(r * r - t * t)
        return root - r, -t / root

    (a, p), (b, q) = arc(x, rx), arc(y, ry)
    return a + b, p, q


def ball(x, y, r):
    """A sphere's cap."""
    root = np.sqrt(r * r - x * x - y * y)
    return root - r, -x / root, -y / root


def total(parts, x, y):
    """Sum of shapes given as (function, keyword arguments)."""
    z = np.zeros(np.broadcast(x, y).shape)
    p, q = z.copy(), z.copy()
    for function, kw in parts:
        a, b, c = function(x, y, **kw)
        z, p, q = z + a, p + b, q + c
    return z, p, q


# --- scenes ----------------------------------------------------------------------------------------


def spot(function, x, y, peak, w, h=None, **kw):
    return (function, dict(at=(x, y), peak=peak, w=w, h=h, **kw))


def slow_waves(seed, amplitude):
    """Three faint waves, so that no surface is perfect."""
    rng = np.random.default_rng(seed)
    return [
        (
            ripple,
            {
                "amplitude": amplitude,
                "length": rng.uniform(70, 190),
                "angle": rng.uniform(0, 180),
                "phase": rng.uniform(0, 6),
            },
        )
        for _ in range(3)
    ]


def away(distance, elevation, azimuth=0.0):
    """A place seen from the panel's middle: elevation above it, azimuth from -y (the camera's side)."""
    e, a = np.deg2rad(elevation), np.deg2rad(azimuth)
    return distance * np.array([np.cos(e) * np.sin(a), -np.cos(e) * np.cos(a), np.sin(e)])


def board_at(distance, elevation, size, period):
    e = np.deg2rad(elevation)
    return {
        "centre": distance * np.array([0, np.cos(e), np.sin(e)]),
        "across": np.array([1.0, 0, 0]),
        "up": np.array([0, -np.sin(e), np.cos(e)]),
        "size": size,
        "period": period,
    }


BASE = {
    "form": [],
    "stage": "primer",
    "pixels": (1600, 1200),
    "albedo": 0.16,
    "alpha": 0.0,
    "pattern": "stripes",
    "square": True,
    "target": (0, 0, 0),
    "up": (0, 1, 0),
    "limits": (0.04, 0.04, 6.35),
    "step": 1.0,
    "covered": (),
    "env": 0.28,
    "bright": 6.5,
    "dark": 0.25,
    "patches": [],
    "well": 14000,
    "quality": 93,
}

SCENES = {
    "flat": {
        "size": (620, 420),
        "seed": 11,
        "focal": 2655.4,
        "eyes": [away(1290, 54)],
        "board": board_at(1010, 54, (1500, 1300), 28),
        "faults": [
            spot(bowl, -140, 60, -0.16, 100),
            spot(bowl, 115, -70, 0.09, 80),
            spot(bowl, 50, 95, -0.28, 130, 90),
            spot(bowl, -195, -95, -0.06, 64),
        ],
        "waves": 0.0012,
    },
    "crown": {
        "size": (500, 380),
        "seed": 12,
        "focal": 2810.2,
        "form": [(ball, {"r": 2200.0})],
        "eyes": [away(1240, 52, 9), away(1190, 49, -12)],
        "target": (6, -8, 0),
        "ups": [(0.06, 1, 0), (-0.09, 1, 0)],
        "board": board_at(880, 50, (1800, 1500), 24),
        "faults": [
            spot(bowl, -100, 45, -0.18, 90),
            spot(bowl, 95, -60, 0.10, 70),
            spot(bell, 15, 95, -0.07, 60),
        ],
        "waves": 0.0008,
    },
    "clean-flat": {
        "size": (560, 400),
        "seed": 13,
        "focal": 2720.0,
        "eyes": [away(1250, 56, 3)],
        "board": board_at(960, 56, (1500, 1300), 26),
        "faults": [],
        "waves": 0.0012,
    },
    "clean-crown": {
        "size": (520, 380),
        "seed": 14,
        "focal": 2760.5,
        "form": [(arcs, {"rx": 2600.0, "ry": 7000.0})],
        "eyes": [away(1230, 53, -8), away(1260, 50, 10)],
        "ups": [(-0.05, 1, 0), (0.07, 1, 0)],
        "board": board_at(900, 51, (1800, 1400), 25),
        "faults": [],
        "waves": 0.0008,
    },
    "satin": {
        "size": (600, 420),
        "seed": 15,
        "focal": 2655.4,
        "eyes": [away(1280, 42)],
        "board": board_at(820, 42, (1700, 1500), 56),
        "alpha": 0.010,
        "stage": "primer",
        "albedo": 0.16,
        "faults": [spot(bowl, -120, -50, -0.25, 120), spot(bowl, 130, 60, 0.16, 100)],
        "waves": 0.0012,
    },
    "deep": {
        "size": (540, 400),
        "seed": 16,
        "focal": 2745.1,
        "eyes": [away(1230, 61)],
        "board": board_at(330, 61, (1150, 640), 16),
        "stage": "filler",
        "limits": (0.15, 0.15, 3.2),
        "faults": [spot(bowl, -90, -15, -2.3, 225), spot(bell, 150, 65, 0.45, 120)],
        "waves": 0.003,
    },
    "fold": {
        "size": (580, 400),
        "seed": 17,
        "focal": 2700.0,
        "eyes": [away(1260, 55)],
        "board": board_at(1000, 55, (1600, 1400), 30),
        "stage": "bare-metal",
        "limits": (0.15, 0.15, 6.35),
        "faults": [spot(bowl, 110, 30, -2.6, 120), spot(bowl, -130, -50, -0.30, 110)],
        "waves": 0.0012,
    },
    "smooth": {
        "size": (600, 420),
        "seed": 18,
        "focal": 2655.4,
        "eyes": [away(1270, 55, 4)],
        "square": False,
        "board": board_at(980, 55, (1500, 1300), 32),
        "faults": [
            spot(bell, 100, 70, -0.14, 110),
            spot(bell, -150, -40, 0.08, 76),
            spot(bell, 30, -90, -0.22, 90, 140),
        ],
        "waves": 0.0012,
    },
    "covered-tag": {
        "size": (580, 420),
        "seed": 19,
        "focal": 2690.7,
        "eyes": [away(1270, 57, -5)],
        "covered": (2,),
        "ups": [(0.04, 1, 0)],
        "board": board_at(990, 55, (1600, 1300), 27),
        "faults": [spot(bowl, -60, 70, -0.20, 96), spot(bowl, 140, -60, -0.11, 84)],
        "waves": 0.0012,
    },
    "halo": {
        "size": (560, 420),
        "seed": 20,
        "focal": 2700.0,
        "eyes": [away(1260, 55)],
        "board": board_at(970, 55, (1500, 1300), 24),
        "faults": [
            (ring, {"at": (-80, 10), "peak": 0.10, "radius": 62, "w": 44}),
            spot(bowl, 150, -70, -0.13, 90),
        ],
        "waves": 0.0012,
    },
    "stepped": {
        "size": (330, 250),
        "seed": 21,
        "focal": 2790.6,
        "pixels": (1200, 900),
        "pattern": "stepped",
        "stage": "clear",
        "step": 0.5,
        "albedo": 0.10,
        "eyes": [away(980, 59)],
        "board": board_at(720, 59, (1210, 680), 45),
        "periods": (45, 38),
        "steps": 4,
        "limits": (0.005, 0.005, 6.35),
        "quality": 90,
        "well": 20000,
        "faults": [
            spot(bell, -70, -25, -0.022, 46),
            spot(bell, 60, 35, 0.014, 30),
            spot(bell, 20, -60, -0.009, 18),
        ],
        "waves": 0.0004,
    },
    "dots": {
        "size": (540, 400),
        "seed": 22,
        "focal": 2700.0,
        "pattern": "dots",
        "albedo": 0.08,
        "radius": 4.5,
        "bright": 16.0,
        "dark": 0.1,
        "eyes": [away(1220, 56)],
        "board": board_at(860, 56, (1500, 1300), 25),
        "faults": [spot(bowl, 95, -45, -0.26, 125), spot(bell, -115, 55, 0.15, 130)],
        "waves": 0.001,
    },
    "lamp": {
        "size": (620, 440),
        "seed": 23,
        "focal": 2655.4,
        "pattern": "lamp",
        "stage": "filler",
        "albedo": 0.42,
        "env": 0.008,
        "eyes": [away(1340, 79, 8)],
        "board": None,
        "limits": (0.15, 0.15, 6.35),
        "power": 5.2e5,
        "lamps": [
            tuple(np.round([900 * np.cos(a), 850 * np.sin(a), 380], 1))
            for a in np.deg2rad([10, 70, 130, 190, 250, 310])
        ],
        "patches": [(-110, 30, 260, 220, 0.60)],
        "faults": [
            spot(bell, -110, 35, -0.9, 170),
            spot(bowl, 140, -80, 0.5, 110),
            spot(bowl, 110, 100, -0.45, 120, 80),
        ],
        "waves": 0.003,
    },
    "demo": {
        "size": (600, 420),
        "seed": 24,
        "focal": 2688.0,
        "title": "left front door, lower half, after filler",
        "stage": "primer",
        "form": [(arcs, {"rx": 9000.0, "ry": 3000.0})],
        "eyes": [away(1270, 53, 6), away(1240, 56, -9)],
        "ups": [(0.05, 1, 0), (-0.06, 1, 0)],
        "board": board_at(940, 53, (1700, 1500), 27),
        "quality": 93,
        "faults": [
            spot(bowl, -110, 30, -0.22, 130, 95),
            spot(bell, 60, 80, -0.09, 80),
            spot(bowl, 150, -60, 0.12, 84),
        ],
        "waves": 0.0015,
    },
}


def complete(name):
    """Fill in a scene's defaults; z is counted from the tag centres' plane."""
    s = {**BASE, "title": name, **SCENES[name]}
    w, h = s["size"]
    s["name"], s["border"], s["side"] = name, 6.0, 36.0
    x, y = w / 2 - 27, h / 2 - 27
    s["tags"] = {0: (-x, -y), 1: (x, -y), 2: (x, y), 3: (-x, y)}
    s["sag"] = float(total(s["form"], np.float64(x), np.float64(y))[0])
    s["parts"] = s["form"] + s["faults"] + slow_waves(s["seed"], s["waves"])
    s.setdefault("ups", [s["up"]])
    return s


# --- the scene for the renderer ------------------------------------------------------------------------


def mesh(s):
    """The panel as a mesh with exact vertex normals and texture places from x and y."""
    (w, h), step = s["size"], s["step"]
    nx, ny = round(w / step) + 1, round(h / step) + 1
    x, y = np.meshgrid(np.linspace(-w / 2, w / 2, nx), np.linspace(-h / 2, h / 2, ny))
    z, p, q = total(s["parts"], x, y)
    n = np.stack([-p, -q, np.ones_like(p)], -1)
    n /= np.linalg.norm(n, axis=-1, keepdims=True)
    i = (np.arange(ny - 1)[:, None] * nx + np.arange(nx - 1)).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + nx], -1), np.stack([i + 1, i + nx + 1, i + nx], -1)])
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(s["bsdf"])
    m = mi.Mesh("panel", nx * ny, len(faces), has_vertex_normals=True, has_vertex_texcoords=True, props=props)
    params = mi.traverse(m)
    params["vertex_positions"] = np.stack([x, y, z - s["sag"]], -1).ravel().astype(np.float32)
    params["vertex_normals"] = n.ravel().astype(np.float32)
    params["vertex_texcoords"] = np.stack([x / w + 0.5, y / h + 0.5], -1).ravel().astype(np.float32)
    params["faces"] = faces.ravel().astype(np.uint32)
    params.update()
    return m


def base_texture(s):
    """Reflectance of base and paper, and where paper is; row 0 is the panel's lower edge."""
    w, h = s["size"]
    nx, ny = w * TEXEL, h * TEXEL
    x, y = (np.arange(nx) + 0.5) / TEXEL - w / 2, (np.arange(ny) + 0.5) / TEXEL - h / 2
    base = np.full((ny, nx), s["albedo"], dtype=np.float32)
    for px, py, pw, ph, albedo in s["patches"]:
        base[(2 * (x - px) / pw) ** 2 + (2 * (y[:, None] - py) / ph) ** 2 < 1] = albedo
    paper = np.zeros((ny, nx), dtype=np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    fine = 4  # samples per texel and direction at the tags' edges
    for tag, (cx, cy) in s["tags"].items():
        reach = s["side"] / 2 + s["border"]
        cols = np.flatnonzero(np.abs(x - cx) < reach + 1)
        rows = np.flatnonzero(np.abs(y - cy) < reach + 1)
        sub = (np.arange(fine) + 0.5) / fine - 0.5
        dx = ((x[cols] - cx)[:, None] + sub / TEXEL).ravel()
        dy = ((y[rows] - cy)[:, None] + sub / TEXEL).ravel()
        _, p, q = (float(v) for v in total(s["parts"], np.float64(cx), np.float64(cy)))
        # flat paper in the tangent plane: distances along it from those over x and y
        t1 = np.array([1, 0, p]) / np.hypot(1, p)
        t2 = np.cross([-p, -q, 1], t1) / np.sqrt(1 + p * p + q * q)
        dz = p * dx + q * dy[:, None]
        u, v = (t[0] * dx + t[1] * dy[:, None] + t[2] * dz for t in (t1, t2))
        on = (np.abs(u) <= reach) & (np.abs(v) <= reach)
        value = np.full(u.shape, PAPER)
        if tag not in s["covered"]:
            bits = cv2.aruco.generateImageMarker(dictionary, tag, 6)
            i, j = (
                np.floor((0.5 - v / s["side"]) * 6).astype(int),
                np.floor((u / s["side"] + 0.5) * 6).astype(int),
            )
            ok = (i >= 0) & (i < 6) & (j >= 0) & (j < 6)
            value = np.where(ok & (bits[np.clip(i, 0, 5), np.clip(j, 0, 5)] == 0), TONER, PAPER)
        cells = (len(rows), fine, len(cols), fine)
        share = on.reshape(cells).mean((1, 3))
        place = np.ix_(rows, cols)
        base[place] = np.where(
            share > 0, (value * on).reshape(cells).mean((1, 3)) / np.maximum(share, 1e-9), base[place]
        )
        paper[place] = np.maximum(paper[place], share)
    return base, paper


def texture(array, **kw):
    """A raw bitmap texture; its first row is at the lower edge (v = 0)."""
    bitmap = mi.Bitmap(np.ascontiguousarray(array[:, :, None].astype(np.float32)))
    return {"type": "bitmap", "bitmap": bitmap, "raw": True, "wrap_mode": "clamp", **kw}


def board_texture(s, shot):
    """Radiance over the board, row 0 at its lower edge."""
    (w, h), fine = s["board"]["size"], 10
    span = s["bright"] - s["dark"]
    if s["pattern"] == "dots":
        d, fine = shot["period"], 3
        a, b = (
            (np.arange(w * fine) + 0.5) / fine - w / 2,
            ((np.arange(h * fine) + 0.5) / fine - h / 2)[:, None],
        )
        r = np.hypot(a - d * np.round(a / d), b - d * np.round(b / d))
        return s["dark"] + span * np.clip((s["radius"] - r) * fine + 0.5, 0, 1)
    side = w if shot["varies"] == "across" else h
    at = (np.arange(side * fine) + 0.5) / fine
    wave = np.cos(2 * np.pi * at / shot["period"] + np.deg2rad(shot["phase"]))
    line = s["dark"] + span * ((wave > 0) if s["square"] and s["pattern"] == "stripes" else 0.5 + 0.5 * wave)
    return np.tile(line, (2, 1)) if shot["varies"] == "across" else np.tile(line[:, None], (1, 2))


def rectangle(b, radiance):
    """The board as a light that shines to the side of across x up."""
    place = np.eye(4)
    place[:3, 0], place[:3, 1] = b["across"] * b["size"][0] / 2, b["up"] * b["size"][1] / 2
    place[:3, 2], place[:3, 3] = np.cross(b["across"], b["up"]), b["centre"]
    return {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f(place),
        "bsdf": {"type": "diffuse", "reflectance": 0.0},
        "light": {"type": "area", "radiance": radiance},
    }


def camera(s, eye, up):
    """Perspective camera whose principal point is the picture's middle."""
    w, h = s["pixels"]
    place = mi.ScalarTransform4f().look_at(
        origin=[float(v) for v in eye], target=[float(v) for v in s["target"]], up=[float(v) for v in up]
    )
    return {
        "type": "perspective",
        "fov": float(np.rad2deg(2 * np.arctan(w / 2 / s["focal"]))),
        "fov_axis": "x",
        "near_clip": 10.0,
        "far_clip": 10000.0,
        "to_world": place,
        "film": {
            "type": "hdrfilm",
            "width": w,
            "height": h,
            "rfilter": {"type": "box"},
            "pixel_format": "luminance",
        },
        "sampler": {"type": "independent", "sample_count": 4},
    }


def expose(scene, integrator, spp, seed, lanes=8_000_000):
    """Mean of several passes, each small enough for the memory."""
    w, h = scene.sensors()[0].film().size()
    each = int(max(1, min(spp, lanes // (w * h))))
    passes = -(-spp // each)
    kind = mi.load_dict(integrator)
    add = np.zeros((h, w))
    for k in range(passes):
        add += np.array(mi.render(scene, integrator=kind, spp=each, seed=1000 * seed + k))[..., 0]
    return add / passes


def layers(s, reflect):
    """The panel's material: only its coat's reflection, or only its diffuse base."""
    if s["pattern"] == "lamp":
        return {"type": "diffuse", "reflectance": texture(s["texture"][0])}
    base, paper = s["texture"]
    if reflect:
        coat = {"type": "plastic", "int_ior": 1.5, "ext_ior": 1.0, "diffuse_reflectance": 0.0}
        if s["alpha"] > 0:
            coat = {**coat, "type": "roughplastic", "alpha": s["alpha"], "distribution": "beckmann"}
        matt = {"type": "diffuse", "reflectance": 0.0}
    else:
        coat = {
            "type": "plastic",
            "int_ior": 1.5,
            "ext_ior": 1.0,
            "specular_reflectance": 0.0,
            "diffuse_reflectance": texture(base),
        }
        matt = {"type": "diffuse", "reflectance": texture(base)}
    return {"type": "blendbsdf", "weight": texture(paper), "a": coat, "b": matt}


def photo(s, shot, spp):
    """One photo in linear light."""
    sensor = camera(s, shot["eye"], shot["up"])
    env = {"type": "constant", "radiance": s["env"]}
    seed = s["seed"] * 100 + shot["index"]
    if s["pattern"] == "lamp":
        s["bsdf"] = layers(s, False)
        lamp = {
            "type": "point",
            "position": [float(v) for v in shot["lamp"]],
            "intensity": float(np.pi * s["power"]),
        }
        kind = {"type": "direct", "emitter_samples": 1, "bsdf_samples": 0}
        # one light at a time: choosing between lights at random would be noise
        each = [
            mi.load_dict({"type": "scene", "panel": mesh(s), "sensor": sensor, "light": one})
            for one in (lamp, env)
        ]
        return expose(each[0], kind, spp, seed) + expose(each[1], kind, spp, seed + 50)
    # the base is lit by the board's mean: stripes of some centimetres can't be told apart in diffuse light
    tex = board_texture(s, shot)
    key = (tuple(shot["eye"]), round(float(tex.mean()), 2))
    if key not in s["cache"]:
        s["bsdf"] = layers(s, False)
        scene = mi.load_dict(
            {
                "type": "scene",
                "panel": mesh(s),
                "sensor": sensor,
                "env": env,
                "board": rectangle(s["board"], float(tex.mean())),
            }
        )
        s["cache"][key] = expose(
            scene,
            {"type": "direct", "emitter_samples": 2, "bsdf_samples": 1, "hide_emitters": True},
            spp,
            seed,
        )
    s["bsdf"] = layers(s, True)
    scene = mi.load_dict(
        {
            "type": "scene",
            "panel": mesh(s),
            "sensor": sensor,
            "env": env,
            "board": rectangle(s["board"], texture(tex)),
        }
    )
    kind = {"type": "direct", "emitter_samples": 0 if s["alpha"] == 0 else 1, "bsdf_samples": 1}
    return s["cache"][key] + expose(scene, kind, spp if s["alpha"] == 0 else 3 * spp, seed + 50)


def shots(s):
    """The photos of a scene, in the sheet's order."""
    eyes, ups, found = s["eyes"], s["ups"], []
    if s["pattern"] == "stripes":
        for k, varies in enumerate(("across", "up")):
            found.append(
                {
                    "file": f"stripes-{varies}.jpg",
                    "varies": varies,
                    "eye": eyes[min(k, len(eyes) - 1)],
                    "up": ups[min(k, len(ups) - 1)],
                    "period": s["board"]["period"],
                    "phase": 0.0,
                }
            )
    elif s["pattern"] == "dots":
        found.append(
            {"file": "dots.jpg", "eye": eyes[0], "up": ups[0], "period": s["board"]["period"], "phase": 0.0}
        )
    elif s["pattern"] == "stepped":
        for varies in ("across", "up"):
            for period in s["periods"]:
                for k in range(s["steps"]):
                    found.append(
                        {
                            "file": f"{varies}-{period}-{k}.jpg",
                            "varies": varies,
                            "eye": eyes[0],
                            "up": ups[0],
                            "period": period,
                            "phase": 360.0 * k / s["steps"],
                        }
                    )
    else:
        for k, lamp in enumerate(s["lamps"]):
            found.append({"file": f"lamp-{k + 1}.jpg", "eye": eyes[0], "up": ups[0], "lamp": lamp})
    return [{**shot, "index": k} for k, shot in enumerate(found)]


# --- from light to files --------------------------------------------------------------------------------


def develop(linear, rng, well, lens=0.45, read=4.0):
    """Lens blur, shot and read noise, sRGB (IEC 61966-2-1), 8 bits."""
    light = gaussian_filter(linear, lens) * well
    light = light + rng.standard_normal(light.shape) * np.sqrt(np.maximum(light, 0) + read**2)
    c = np.clip(light / well, 0, 1)
    value = np.where(c <= 0.0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - 0.055)
    return np.round(255 * value).astype(np.uint8)


def row(values):
    return "[" + ", ".join(f"{float(v):.8g}" for v in values) + "]"


def sheet(s, taken):
    lines = [
        "[panel]",
        f'name = "{s["title"]}"',
        f'stage = "{s["stage"]}"',
        f"size_mm = {row(s['size'])}",
        "",
        "[tags]",
        'dictionary = "4x4_50"',
        "side_mm = 36",
        "[tags.centres_mm]",
    ]
    lines += [f"{k} = {row(v)}" for k, v in s["tags"].items()] + ["", "[camera]", f"focal_px = {s['focal']}"]
    if s["board"]:
        b = s["board"]
        lines += [
            "",
            "[board]",
            f'pattern = "{s["pattern"]}"',
            f"period_mm = {b['period']}",
            f"centre_mm = {row(b['centre'])}",
            f"across = {row(b['across'])}",
            f"up = {row(b['up'])}",
            f"size_mm = {row(b['size'])}",
        ]
    for shot in taken:
        lines += ["", "[[photo]]", f'file = "{shot["file"]}"']
        if s["pattern"] in ("stripes", "stepped"):
            lines += [f'varies = "{shot["varies"]}"']
        if s["pattern"] == "stepped":
            lines += [f"period_mm = {shot['period']}", f"phase_deg = {shot['phase']:.1f}"]
        if s["pattern"] == "lamp":
            lines += [f"lamp_mm = {row(shot['lamp'])}"]
    low, high, filler = s["limits"]
    lines += ["", "[limits]", f"low_mm = {low}", f"high_mm = {high}", f"filler_depth_mm = {filler}"]
    return "\n".join(lines) + "\n"


def truth(s, folder, step=2.0):
    w, h = s["size"]
    x, y = (np.linspace(-v / 2, v / 2, round(v / step) + 1) for v in (w, h))
    bent = total(s["faults"] + slow_waves(s["seed"], s["waves"]), x[None], y[:, None])[0]
    form = total(s["form"], x[None], y[:, None])[0] - s["sag"]
    np.savez_compressed(
        folder / "truth.npz",
        x_mm=x,
        y_mm=y,
        deviation_mm=bent.astype(np.float32),
        form_mm=form.astype(np.float32),
    )
    made = []
    for function, kw in s["faults"]:
        one = {
            "kind": "low" if kw["peak"] < 0 else "high",
            "x_mm": kw["at"][0],
            "y_mm": kw["at"][1],
            "depth_mm": abs(kw["peak"]),
        }
        if function is ring:
            made.append({**one, "w": 2 * kw["radius"], "h": 2 * kw["radius"], "ring": True})
        else:
            made.append({**one, "w": kw["w"], "h": kw["h"] or kw["w"]})
    (folder / "truth.json").write_text(json.dumps({"spots": made}, indent=1) + "\n")


def make(name, out, spp):
    """Render one scene and write its job folder."""
    started = time.perf_counter()
    s = complete(name)
    s["texture"], s["cache"] = base_texture(s), {}
    folder = out / name
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(s["seed"])
    taken = shots(s)
    for shot in taken:
        linear = photo(s, shot, spp)
        grey = develop(linear, rng, s["well"])
        Image.fromarray(np.repeat(grey[..., None], 3, axis=2)).save(
            folder / shot["file"], quality=s["quality"]
        )
    (folder / "panel.toml").write_text(sheet(s, taken))
    truth(s, folder)
    print(f"{name}: {len(taken)} photos, {time.perf_counter() - started:.0f} s", flush=True)


def main():
    parser = argparse.ArgumentParser(description="Render fixture jobs.")
    parser.add_argument("names", nargs="+", choices=[*SCENES, "all"])
    parser.add_argument("--out", type=Path, default=Path("fixtures/jobs"))
    parser.add_argument("--variant", default="llvm_ad_mono")
    parser.add_argument("--spp", type=int, default=64)
    options = parser.parse_args()
    mi.set_variant(options.variant)
    for name in SCENES if "all" in options.names else options.names:
        make(name, options.out, options.spp)


if __name__ == "__main__":
    main()
