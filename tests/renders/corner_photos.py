"""A corner panel of a small radius under a crossed board, swept by hand: photos by a ray caster of its own.

It shares no code with the package, so that a mistake in the package's own geometry can't hide in its test photos. The
panel is a circular cylinder, with a form (a radius that changes, a crown along it) and spots as heights along its
normal; the tags are paper glued onto it, which follows it.

The frame of the job is the contract's for surveyed tags: origin in the middle of the tags' centres, z = 0 the best
plane through them, x along the mean of their rightward sides. Places on the panel are told as distances along it, from
the point above the origin (`chart_of`).

    python tests/renders/corner_photos.py        writes fixtures/jobs/corner
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2  # only for the tags' bits
import numpy as np
from PIL import Image
from scipy.spatial.transform import Rotation

ALBEDO, PAPER, TONER = 0.05, 0.65, 0.04
BOARD_LIGHT = 4.0
BORDER = 0.19  # of a tag's side
BOARD_TAG, BOARD_TAG_MM = 20, 70.0  # number of the board's first tag, and its tags' side
DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


@dataclass(frozen=True)
class Spot:
    """A low (negative) or high along the normal: amp (1 - r^2)^3 within half its width."""

    u: float
    v: float
    amp_mm: float
    width_mm: float


@dataclass(frozen=True)
class CornerScene:
    """A panel in the cylinder's own places: u along the bend, v along the axis, mm."""

    radius_mm: float = 300.0
    degrees: float = 50.0
    length_mm: float = 280.0
    spots: tuple[Spot, ...] = ()
    taper: float = 0.0  # relative change of the curvature over 100 mm of u
    crown_mm: float = np.inf  # radius along the axis
    tags: tuple[tuple[float, float, float], ...] = ()  # u, v, turn
    side_mm: float = 26.0
    board_centre: tuple[float, float, float] = (
        0.0,
        330.0,
        620.0,
    )  # in the cylinder's frame, from the top line
    board_size: tuple[float, float] = (600.0, 500.0)
    period_mm: float = 20.0
    wave: str = "square"
    board_tags: tuple[tuple[float, float], ...] = ()  # across, up; with a set-up photo
    eyes: tuple[tuple[float, ...], ...] = ()  # camera, and what it looks at
    pixels: tuple[int, int] = (1000, 750)
    focal_px: float = 1900.0

    def height(self, u, v):
        """Height along the cylinder's normal and its derivatives by u and v; and the spots' alone."""
        k = self.taper / 100 / self.radius_mm
        form, fu = -k * u**3 / 6, -k * u**2 / 2
        fv = -v / self.crown_mm
        form = form - v**2 / (2 * self.crown_mm)
        own, ou, ov = np.zeros(np.shape(u)), np.zeros(np.shape(u)), np.zeros(np.shape(u))
        for s in self.spots:
            h = s.width_mm / 2
            a, b = (u - s.u) / h, (v - s.v) / h
            rest = np.clip(1 - a * a - b * b, 0, None)
            own = own + s.amp_mm * rest**3
            ou = ou - 6 * s.amp_mm * rest**2 * a / h
            ov = ov - 6 * s.amp_mm * rest**2 * b / h
        return form + own, fu + ou, fv + ov, own

    def point(self, u, v):
        """Place (..., 3) and normal in the cylinder's frame: x across, y along the axis, z up from the top line."""
        h, hu, hv, _ = self.height(u, v)
        a = np.asarray(u) / self.radius_mm
        sin, cos = np.sin(a), np.cos(a)
        r = self.radius_mm + h
        place = np.stack([r * sin, np.broadcast_to(v, np.shape(r)), r * cos - self.radius_mm], -1)
        hu = hu * self.radius_mm / r
        normal = np.stack([sin - hu * cos, -hv, cos + hu * sin], -1)
        return place, normal / np.linalg.norm(normal, axis=-1, keepdims=True)


def board_axes(scene):
    """The board faces the panel's middle: centre, across, up, normal."""
    centre = np.array(scene.board_centre)
    normal = -centre / np.linalg.norm(centre)
    across = np.array([1.0, 0.0, 0.0])
    across = across - normal * (across @ normal)
    across /= np.linalg.norm(across)
    return centre, across, np.cross(normal, across), normal


def job_frame(scene):
    """Axes in columns and origin of the job's frame, in the cylinder's; and where its origin is on the panel."""
    u, v, turn = np.array(scene.tags).T
    places, normals = scene.point(u, v)
    t = np.stack([np.cos(u / scene.radius_mm), 0 * u, -np.sin(u / scene.radius_mm)], -1)
    right = np.cos(turn)[:, None] * t + np.sin(turn)[:, None] * np.array([0, 1.0, 0])
    origin = places.mean(0)
    z = np.linalg.svd(places - origin)[2][2]
    z = z * np.sign(z @ normals.mean(0))
    x = right.mean(0)
    x = x - z * (x @ z)
    x /= np.linalg.norm(x)
    axes = np.column_stack([x, np.cross(z, x), z])
    at = np.zeros(2)  # the panel's point over the origin, along z
    for _ in range(30):
        place = scene.point(at[0], at[1])[0]
        off = place - origin - z * ((place - origin) @ z)
        at = at - off[:2]
    return axes, origin, at


def chart_of(scene, u, v):
    """Distances along the surface in the job's x and y, from the panel's point over its origin."""
    axes, _, at = job_frame(scene)
    a = at[0] / scene.radius_mm
    t, w = np.array([np.cos(a), 0, -np.sin(a)]), np.array([0, 1.0, 0])
    n = np.array([np.sin(a), 0, np.cos(a)])
    x = axes[:, 0] - n * (axes[:, 0] @ n)
    x /= np.linalg.norm(x)
    cos, sin = x @ t, x @ w
    du, dv = u - at[0], v - at[1]
    return cos * du + sin * dv, -sin * du + cos * dv


def _tag_value(scene, u, v, base):
    """Reflectance of base and paper, and where paper is."""
    value, paper = base, np.zeros(u.shape, bool)
    for number, (cu, cv, turn) in enumerate(scene.tags):
        du, dv = u - cu, v - cv
        a, b = np.cos(turn) * du + np.sin(turn) * dv, -np.sin(turn) * du + np.cos(turn) * dv
        paper |= _print_tag(value, a, b, number, scene.side_mm)
    return value, paper


def _print_tag(value, a, b, number, side):
    """Put a tag's reflectance in at places from its middle; where it is."""
    reach = (0.5 + BORDER) * side
    on = (np.abs(a) < reach) & (np.abs(b) < reach)
    bits = cv2.aruco.generateImageMarker(DICTIONARY, number, 6)
    i = np.floor((0.5 - b[on] / side) * 6).astype(int)
    j = np.floor((a[on] / side + 0.5) * 6).astype(int)
    inside = (i >= 0) & (i < 6) & (j >= 0) & (j < 6)
    ink = np.where(bits[np.clip(i, 0, 5), np.clip(j, 0, 5)] > 127, PAPER, TONER)
    value[on] = np.where(inside, ink, PAPER)
    return on


def _wave(phase, kind):
    return np.cos(2 * np.pi * phase) if kind == "cosine" else np.where(phase % 1 < 0.5, 1.0, -1.0)


def _board_value(scene, a, b):
    """Radiance of the board at places from its middle, 0 beside it."""
    w, h = scene.board_size
    s, t = (a + w / 2) / scene.period_mm, (b + h / 2) / scene.period_mm
    light = 0.52 + 0.46 * (_wave(s, scene.wave) + _wave(t, scene.wave)) / 2
    value = np.where((np.abs(a) <= w / 2) & (np.abs(b) <= h / 2), BOARD_LIGHT * light, 0.25)
    for k, (across, up) in enumerate(scene.board_tags):
        _print_tag(value, a - across, b - up, BOARD_TAG + k, BOARD_TAG_MM)
    return value


def _look_at(eye, target, up=(0.0, 1.0, 0.0)):
    z = np.subtract(target, eye)
    z /= np.linalg.norm(z)
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])  # rows: right, down, ahead


def photo(scene, eye, target, *, fine=2):
    """Linear light of one photo, (H, W)."""
    width, height = scene.pixels
    turn = _look_at(eye, target)
    sub = (np.arange(width * fine) + 0.5) / fine - 0.5
    rows = (np.arange(height * fine) + 0.5) / fine - 0.5
    out = np.zeros((height, width))
    for start in range(0, height * fine, 200 * fine):
        strip = rows[start : start + 200 * fine]
        x, y = np.meshgrid(
            (sub - (width - 1) / 2) / scene.focal_px, (strip - (height - 1) / 2) / scene.focal_px
        )
        ray = np.stack([x, y, np.ones_like(x)], -1) @ turn
        light = _trace(scene, np.asarray(eye, float), ray.reshape(-1, 3)).reshape(x.shape)
        light = light.reshape(len(strip) // fine, fine, width, fine).mean((1, 3))
        out[start // fine : start // fine + len(light)] = light
    return out


def _trace(scene, eye, ray):
    radius = scene.radius_mm
    out = np.full(len(ray), 0.02)
    centre, across, up, face = board_axes(scene)
    if (
        scene.board_tags and (eye - centre) @ face > 0
    ):  # from its front the board itself may be in the picture
        t = ((centre - eye) @ face) / (ray @ face)
        at = eye + t[:, None] * ray - centre
        a, b = at @ across, at @ up
        on = (t > 0) & (np.abs(a) <= scene.board_size[0] / 2) & (np.abs(b) <= scene.board_size[1] / 2)
        out[on] = _board_value(scene, a[on], b[on])
    qa = ray[:, 0] ** 2 + ray[:, 2] ** 2
    qb = eye[0] * ray[:, 0] + (eye[2] + radius) * ray[:, 2]
    far = eye[0] ** 2 + (eye[2] + radius) ** 2
    half = np.radians(scene.degrees) / 2 * radius

    def cut(r, which):
        root = qb[which] ** 2 - qa[which] * (far - r**2)
        t = (-qb[which] - np.sqrt(np.where(root > 0, root, np.nan))) / qa[which]
        at = eye + t[:, None] * ray[which]
        return np.arctan2(at[:, 0], at[:, 2] + radius) * radius, at[:, 1]

    every = np.arange(len(ray))
    u, v = cut(radius, every)
    with np.errstate(invalid="ignore"):
        near = np.flatnonzero((np.abs(u) < half + 25) & (np.abs(v) < scene.length_mm / 2 + 25))
    u, v = u[near], v[near]
    plain = not scene.spots and not scene.taper and not np.isfinite(scene.crown_mm)
    for _ in range(0 if plain else 10):
        u, v = cut(radius + scene.height(u, v)[0], near)
    with np.errstate(invalid="ignore"):
        keep = (np.abs(u) < half) & (np.abs(v) < scene.length_mm / 2)
    near, u, v = near[keep], u[keep], v[keep]
    place, normal = scene.point(u, v)
    back = eye - place
    back /= np.linalg.norm(back, axis=1, keepdims=True)
    cos = np.sum(back * normal, 1)
    gone = 2 * cos[:, None] * normal - back
    with np.errstate(divide="ignore", invalid="ignore"):
        t = ((centre - place) @ face) / (gone @ face)
    hit = place + t[:, None] * gone - centre
    mirrored = np.where(t > 0, _board_value(scene, hit @ across, hit @ up), 0.25)
    sine = np.sqrt(np.clip(1 - cos**2, 0, 1)) / 1.5
    inner = np.sqrt(1 - sine**2)
    upright, level = (cos - 1.5 * inner) / (cos + 1.5 * inner), (inner - 1.5 * cos) / (inner + 1.5 * cos)
    fresnel = 0.5 * (upright**2 + level**2)
    value, paper = _tag_value(scene, u, v, np.full(u.shape, ALBEDO))
    shade = 0.6 + 0.4 * normal[:, 2]
    out[near] = value * shade * np.where(paper, 1.0, 0.9) + np.where(paper, 0.0, fresnel * mirrored)
    out[near[cos <= 0]] = 0.02
    return out


def develop(linear, rng, *, full_well=8000.0, read=4.0):
    """Noise and a JPEG's bytes."""
    level = 0.9 * linear / 0.75
    electrons = level * full_well
    noisy = (
        electrons + rng.normal(0, 1, linear.shape) * np.sqrt(np.clip(electrons, 0, None) + read**2)
    ) / full_well
    value = np.clip(noisy, 0, 1)
    srgb = np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)
    image = Image.fromarray(np.rint(255 * srgb).astype(np.uint8))
    file = io.BytesIO()
    image.save(file, "JPEG", quality=93)
    return file.getvalue()


def random_scene(
    seed,
    *,
    radius_mm=300.0,
    degrees=50.0,
    taper=0.0,
    crown_mm=np.inf,
    columns=5,
    rows=2,
    length_mm=280.0,
    side_mm=26.0,
    **more,
):
    """Dents and highs at random, tags laid by hand, and a walk along the panel."""
    rng = np.random.default_rng(seed)
    arc = np.radians(degrees) * radius_mm
    inset = (0.5 + BORDER) * side_mm + 2
    across = np.linspace(-arc / 2 + inset, arc / 2 - inset, 4 if arc > 6 * inset + 60 else 3)
    tags = []
    for u in across:
        for v in (-length_mm / 2 + inset, length_mm / 2 - inset):
            du, dv = rng.uniform(-4, 4), rng.uniform(-2, 2)
            tags.append(
                (
                    float(np.clip(u + du, -arc / 2 + inset - 1, arc / 2 - inset + 1)),
                    float(v + dv * (1 if abs(v + dv) < length_mm / 2 - inset + 1 else 0)),
                    float(rng.uniform(-0.05, 0.05)),
                )
            )
    spots = []
    while len(spots) < 3:
        width = rng.uniform(45, 75)
        u = rng.uniform(-arc / 2 + width / 2 + 8, arc / 2 - width / 2 - 8)
        v = rng.uniform(-length_mm / 2 + width / 2 + 40, length_mm / 2 - width / 2 - 40)
        if all(np.hypot(u - s.u, v - s.v) > (width + s.width_mm) / 2 + 4 for s in spots):
            most = min(0.25, 0.45e-3 * width**2 / 16)
            amp = rng.choice([-1, 1]) * rng.uniform(0.8, 1) * most
            spots.append(Spot(float(u), float(v), float(amp), float(width)))
    scene = CornerScene(
        radius_mm=radius_mm,
        degrees=degrees,
        length_mm=length_mm,
        spots=tuple(spots),
        taper=taper,
        crown_mm=crown_mm,
        tags=tuple(tags),
        side_mm=side_mm,
        **more,
    )
    return replace(scene, eyes=walk(scene, columns, rows, rng))


def walk(scene, columns, rows, rng):
    """Cameras at 700 to 800 mm from where places of the panel reflect the board's middle."""
    arc = np.radians(scene.degrees) * scene.radius_mm
    eyes = []
    plain = replace(scene, spots=())
    for i in range(columns):
        for j in range(rows):
            u = (i + 0.5 - columns / 2) * 0.95 * arc / columns + rng.uniform(-5, 5)
            v = (j + 0.5 - rows / 2) * 0.9 * scene.length_mm / rows + rng.uniform(-8, 8)
            place, normal = plain.point(u, v)
            out = np.array(scene.board_centre) - place
            out /= np.linalg.norm(out)
            back = 2 * (out @ normal) * normal - out
            eye = place + back * rng.uniform(700, 800) + rng.uniform(-15, 15, 3)
            eyes.append((*eye, 0.35 * place[0], 0.0, 0.5 * place[2] - 10))
    return tuple(tuple(float(x) for x in eye) for eye in eyes)


SETUP_EYE = (900.0, -500.0, 450.0)
"""Where a set-up photo is taken from: panel and board's front are in it."""

FIXTURE = {"seed": 7, "pixels": (800, 600), "focal_px": 1520.0, "side_mm": 21.0, "columns": 4}
"""The scene of fixtures/jobs/corner: small photos, so that its check is short."""


def write_job(scene, folder, *, seed=0, fine=2, off=None):
    """Photos, sheet and truth.json of a scene.

    `off` is what the sheet says wrongly: the board's place (3,), mm, its turn (3,), degrees, and the focal length.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    axes, origin, _ = job_frame(scene)
    centre, across, up, _ = board_axes(scene)
    moved, turned, longer = (np.zeros(3), np.zeros(3), 0.0) if off is None else off
    said = Rotation.from_rotvec(np.radians(turned)).as_matrix()
    centre, across, up = centre + moved, said @ across, said @ up
    names = []
    for k, eye in enumerate(scene.eyes):
        linear = photo(scene, np.array(eye[:3]), np.array(eye[3:]), fine=fine)
        names.append(f"photo-{k + 1:02d}.jpg")
        (folder / names[-1]).write_bytes(develop(linear, rng))
    if scene.board_tags:
        linear = photo(scene, np.array(SETUP_EYE), np.array(scene.board_centre) * 0.45, fine=fine)
        (folder / "setup.jpg").write_bytes(develop(linear, rng))
    arc = np.radians(scene.degrees) * scene.radius_mm

    def row(vector):
        return "[" + ", ".join(f"{x:.6f}" for x in vector) + "]"

    pose = (
        f"centre_mm = {row((centre - origin) @ axes)}\nacross = {row(across @ axes)}\nup = {row(up @ axes)}"
    )
    tags = ""
    if scene.board_tags:
        pose = 'setup_photo = "setup.jpg"'
        places = "".join(f"{BOARD_TAG + k} = {row(at)}\n" for k, at in enumerate(scene.board_tags))
        tags = f'[board.tags]\ndictionary = "4x4_50"\nside_mm = {BOARD_TAG_MM}\n[board.tags.centres_mm]\n{places}\n'
    sheet = (
        f"""[panel]
name = "corner"
stage = "primer"

[tags]
dictionary = "4x4_50"
side_mm = {scene.side_mm}

[camera]
focal_px = {scene.focal_px * (1 + longer):.3f}

[board]
pattern = "crossed"
period_mm = {scene.period_mm}
{pose}
size_mm = {row(scene.board_size)}

"""
        + tags
        + "".join(f'[[photo]]\nfile = "{name}"\n\n' for name in names)
        + "[limits]\nlow_mm = 0.04\nhigh_mm = 0.04\n"
    )
    (folder / "panel.toml").write_text(sheet)
    truth = {"arc_mm": arc, "radius_mm": scene.radius_mm, "degrees": scene.degrees, "spots": []}
    for s in scene.spots:
        x, y = chart_of(scene, s.u, s.v)
        truth["spots"].append(
            {"x_mm": float(x), "y_mm": float(y), "peak_mm": s.amp_mm, "width_mm": s.width_mm}
        )
    truth["tags"] = {
        str(k): [float(c) for c in chart_of(scene, u, v)] for k, (u, v, _) in enumerate(scene.tags)
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    return folder


def main():
    """Write fixtures/jobs/corner."""
    folder = Path(__file__).parents[2] / "fixtures" / "jobs" / "corner"
    write_job(random_scene(**FIXTURE), folder, seed=FIXTURE["seed"])


if __name__ == "__main__":
    main()
