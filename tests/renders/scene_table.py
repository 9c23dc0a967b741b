"""The fixture scenes: their shapes in closed form, cameras, boards and faults, as a table.

Written apart from `surfscan.synth`, on purpose; see mitsuba_scenes.py.
"""

from __future__ import annotations

import numpy as np

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


def tile(x, y, at, peak, w, h):
    """A flat tile w x h that stands on its left edge and is lifted by `peak` at its right one."""
    on = (np.abs(x - at[0]) < w / 2) & (np.abs(y - at[1]) < h / 2)
    z = np.where(on, peak * ((x - at[0]) / w + 0.5), 0.0)
    return z, np.where(on, peak / w, 0.0), 0 * z


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


def mirrored_eyes(aims, board, distance, radius):
    """Places from which given places of a sphere's cap show the board's middle."""
    eyes = []
    for x, y in aims:
        place = np.array([x, y, 0.0])
        normal = np.array([x, y, radius]) / np.linalg.norm([x, y, radius])
        out = board["centre"] - place
        out = out / np.linalg.norm(out)
        eyes.append(place + distance * (2 * (out @ normal) * normal - out))
    return eyes


SMALL_BOARD = board_at(640, 60, (600, 500), 18)

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
        "power": 9.0e5,
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
    "before": {
        "size": (500, 400),
        "seed": 25,
        "focal": 2790.0,
        "stage": "bare-metal",
        "limits": (0.15, 0.15, 3.2),
        "eyes": [away(1210, 60, 4)],
        "board": board_at(330, 60, (1150, 640), 16),
        "faults": [spot(bowl, -45, 20, -1.5, 205), spot(bell, 145, -75, 0.24, 100)],
        "waves": 0.0015,
    },
    "after": {
        "size": (500, 400),
        "seed": 26,
        "focal": 2790.0,
        "stage": "filler",
        "limits": (0.05, 0.05, 3.2),
        "eyes": [away(1230, 58, -5)],
        "board": board_at(540, 58, (1350, 1000), 20),
        "patches": [(-45, 20, 225, 225, 0.24)],
        "faults": [spot(bowl, -70, 35, -0.09, 84), spot(bell, 145, -75, 0.24, 100)],
        "waves": 0.0015,
    },
    "crossed": {
        "size": (420, 300),
        "seed": 31,
        "pixels": (1000, 760),
        "focal": 2010.0,
        "form": [(ball, {"r": 2500.0})],
        "pattern": "crossed",
        "eyes": [away(1050, 55, 5)],
        "board": board_at(760, 55, (1200, 1000), 22),
        "faults": [
            spot(bowl, -95, 40, -0.12, 84),
            spot(bowl, 80, -45, 0.09, 80),
            spot(bell, 70, 65, -0.15, 90),
        ],
        "waves": 0.0008,
    },
    "sweep": {
        "size": (420, 300),
        "seed": 32,
        "pixels": (900, 680),
        "focal": 1700.0,
        "form": [(ball, {"r": 2500.0})],
        "pattern": "crossed",
        "eyes": mirrored_eyes(
            [(-105, -70), (105, -75), (-110, 70), (100, 75), (0, 5), (0, -80)], SMALL_BOARD, 960, 2500.0
        ),
        "board": SMALL_BOARD,
        "faults": [
            spot(bowl, -90, -35, -0.11, 80),
            spot(bowl, 60, 55, 0.10, 84),
            spot(bell, 110, -65, -0.13, 84),
        ],
        "waves": 0.0008,
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

for _name, _lift, _seed in (("tile-flat", 0.0, 41), ("tile-tilted", 0.5, 42)):
    SCENES[_name] = {  # a mirror tile between the tags; tilted: a leaf of 0.5 mm under its right edge
        "size": (400, 300),
        "pixels": (1000, 750),
        "seed": _seed,
        "focal": 2380.0,
        "eyes": [away(1190, 54, 3)],
        "board": board_at(900, 54, (1300, 1100), 28),
        "albedo": 0.05,
        "faults": [spot(tile, 0, 0, _lift, 180, 160)],
        "waves": 0.0,
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
