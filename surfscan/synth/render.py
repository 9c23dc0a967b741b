"""Photos of a known panel: a ray caster for height fields that mirror a board.

One ray per pixel is followed to the surface z(x, y) by Newton's method and mirrored to the board's plane.
Where it landed (panel place, board place, angle of incidence) varies smoothly over a panel, so it is
interpolated (cubic) to the sub-pixel samples, and only what has edges (stripes, tags, the panel's rim) is
computed for each of those. The interpolation is off by less than 0.01 mm on the board for a 0.35 mm
low of 80 mm, 1 m from board and camera, at 0.4 mm a pixel.

Not rendered: reflections of reflections, shadows of the panel on itself, the panel in front of the board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from surfscan.core.records import Board, Camera, Pose
from surfscan.synth import board_light
from surfscan.synth.panels import Flat, Panel
from surfscan.synth.rays import pixel_rays, project
from surfscan.synth.scene import Exposure, Scene, Tags

__all__ = ["Hits", "fresnel", "mirror_hits", "render", "render_shots"]

Array = NDArray[Any]
TAG_BLACK, TAG_WHITE = 0.05, 0.85  # reflectance of toner and paper: common figures, no source
_FLAT = Panel((1.0, 1.0), Flat())
_PAD = 3  # cubic interpolation reads two neighbours
_FAR = 1e9  # a board place that is off any board; unlike NaN it survives interpolation


@dataclass(frozen=True, slots=True)
class Hits:
    """Where pixels look, each (H, W) float64.

    `x_mm`, `y_mm`, `z_mm` on the panel's surface (or its continuation past the rim); `a_mm`, `b_mm` on the
    board, from its middle; `cos_in` the cosine of the angle of incidence; `range_mm` from the panel point to
    the board point. NaN where the ray meets no surface; `a_mm`, `b_mm`, `range_mm` also where the mirrored
    ray runs away from the board's plane.
    """

    x_mm: Array
    y_mm: Array
    z_mm: Array
    a_mm: Array
    b_mm: Array
    cos_in: Array
    range_mm: Array


def fresnel(cos_in: ArrayLike, index: float) -> Array:
    """Return the unpolarised reflectance of a smooth surface, air to `index`.

    Parameters
    ----------
    cos_in : array_like
        Cosine of the angle of incidence, 0 to 1.
    index : float
        Refractive index, at least 1.

    References
    ----------
    Fresnel's equations; Born and Wolf, Principles of Optics, section 1.5.2.
    """
    ci = np.clip(np.asarray(cos_in, dtype=np.float64), 0, 1)
    ct = np.sqrt(1 - (1 - ci * ci) / index**2)
    with np.errstate(invalid="ignore"):
        rs = (ci - index * ct) / (ci + index * ct)
        rp = (index * ci - ct) / (index * ci + ct)
    # both are 0/0 at grazing incidence on index 1, where nothing is reflected
    half: Array = np.nan_to_num(0.5 * (rs * rs + rp * rp))
    return half


def mirror_hits(
    panel: Panel,
    camera: Camera,
    pose: Pose,
    board: Board | None,
    columns: ArrayLike,
    rows: ArrayLike,
    *,
    sag_mm: float = 0.0,
) -> Hits:
    """Follow the rays of pixels to the panel and on to the board.

    Parameters
    ----------
    panel, camera, pose, board :
        The scene; without a board, `a_mm`, `b_mm` and `range_mm` are NaN.
    columns, rows : array_like
        Pixel places, broadcast against each other.
    sag_mm : float
        See `Scene.board_sag_mm`.
    """
    d = pixel_rays(columns, rows, camera, pose)
    return _mirror_hits(panel, pose.centre_mm, board, d, sag_mm)[0]


def _mirror_hits(
    panel: Panel, centre: Array, board: Board | None, d: Array, sag_mm: float = 0.0
) -> tuple[Hits, Array, Array]:
    total = panel.total
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.where(d[..., 2] < 0, -centre[2] / d[..., 2], np.nan)
        for _ in range(8):
            x, y = centre[0] + t * d[..., 0], centre[1] + t * d[..., 1]
            z, p, q = total.surface(x, y)
            more = (centre[2] + t * d[..., 2] - z) / (d[..., 2] - p * d[..., 0] - q * d[..., 1])
            if not np.nanmax(np.abs(more), initial=0) > 1e-5:  # 0.01 um, and as little on the board
                break
            t = t - more
        lean = 1 / np.sqrt(1 + p * p + q * q)
        n = np.stack([-p * lean, -q * lean, lean], -1)
        cos_in = -(d * n).sum(-1)
        a = b = far = np.full(x.shape, np.nan)
        if board is not None:
            out = d + 2 * cos_in[..., None] * n
            a, b, far = _meet_board(board, np.stack([x, y, z], -1), out, sag_mm)
    return Hits(x, y, z, a, b, cos_in, far), p, q


def _meet_board(board: Board, start: Array, ray: Array, sag_mm: float) -> tuple[Array, Array, Array]:
    """Where rays meet the board, from its middle, and how far that is; NaN where they run away from it."""
    away = board.centre_mm - start
    on, across = ray @ board.normal, ray @ board.across
    reach, left = away @ board.normal, away @ board.across
    far = reach / on
    if sag_mm:
        half = board.size_mm[0] / 2
        for _ in range(8):  # a fixed point: the bulge changes by a few per cent of a step along the ray
            a = np.clip(far * across - left, -half, half)
            far = (reach - sag_mm * (a / half) ** 2) / on
    far = np.where(far > 0, far, np.nan)
    landed = far[..., None] * ray - away
    return landed @ board.across, landed @ board.up, far


def _board_seen(scene: Scene, shot: Exposure, picture: Array) -> Array:
    """The board's front drawn over the picture, where the camera sees it directly."""
    board, n = scene.board, scene.supersampling
    assert board is not None  # the caller's check
    height, width = picture.shape
    out = picture.copy()
    step = max(1, 400_000 // (width * n * n))
    columns = (np.arange(width * n) + 0.5) / n - 0.5
    for row in range(0, height, step):
        end = min(row + step, height)
        rows = (np.arange((end - row) * n) + 0.5) / n - 0.5 + row
        d = pixel_rays(columns, rows[:, None], scene.camera, shot.pose)
        a, b, _ = _meet_board(board, shot.pose.centre_mm, d, scene.board_sag_mm)
        on = (
            (np.abs(a) <= board.size_mm[0] / 2) & (np.abs(b) <= board.size_mm[1] / 2) & (d @ board.normal < 0)
        )
        if not on.any():
            continue
        shone = np.where(on, _board_shine(scene, shot, np.nan_to_num(a), np.nan_to_num(b), 0.0), 0.0)
        cells = (end - row, n, width, n)
        share = on.reshape(cells).mean(axis=(1, 3))
        out[row:end] = shone.reshape(cells).mean(axis=(1, 3)) + (1 - share) * out[row:end]
    return out


def _board_shine(scene: Scene, shot: Exposure, a: Array, b: Array, sigma: Array | float) -> Array:
    """Radiance of the board at its places (a, b): the pattern, and the tags over it."""
    light, board = scene.light, scene.board
    assert board is not None
    period = board.period_mm if shot.period_mm is None else shot.period_mm
    if shot.pattern == "dots":
        bright = board_light.dots(a, b, spacing_mm=period, radius_mm=scene.dot_radius_mm, sigma_mm=sigma)
    else:
        both = {"across": a + board.size_mm[0] / 2, "up": b + board.size_mm[1] / 2}
        waves = [
            board_light.stripes(
                s,
                period_mm=period,
                phase_deg=shot.phase_deg,
                square=scene.square and shot.pattern != "stepped",
                duty=scene.duty,
                sigma_mm=sigma,
                over_mm=_stretch(s),
            )
            for axis, s in both.items()
            if shot.pattern == "crossed" or axis == shot.varies
        ]
        bright = waves[0] if len(waves) == 1 else (waves[0] + waves[1]) / 2
    if scene.board_tags is not None:  # sharp: the blur of a satin panel is left out for them
        paper, on_tag = _tag_paper(scene.board_tags, _FLAT, a, b)
        bright = np.where(on_tag, (paper - TAG_BLACK) / (TAG_WHITE - TAG_BLACK), bright)
    shone: Array = light.board_dark + (light.board_bright - light.board_dark) * bright
    return shone


def _stretch(s: Array) -> Array:
    """How much of a field one sample of it spans."""
    rows, columns = np.gradient(s)
    return np.asarray(np.abs(rows) + np.abs(columns))


def render(scene: Scene, shot: Exposure) -> Array:
    """Return the photo in linear light, (H, W) float32, noiseless; 1 is white, more is possible."""
    return render_shots(scene, (shot,))[0]


def render_shots(scene: Scene, shots: Sequence[Exposure]) -> list[Array]:
    """Return the photos as `render` does; what only the camera's place decides is worked out once for each place."""
    pictures: list[Array] = [np.empty(0)] * len(shots)
    places: dict[bytes, list[int]] = {}
    for k, shot in enumerate(shots):
        places.setdefault(shot.pose.rotation.tobytes() + shot.pose.shift_mm.tobytes(), []).append(k)
    for which in places.values():
        for k, picture in zip(which, _from_one_place(scene, [shots[k] for k in which]), strict=True):
            pictures[k] = picture
    return pictures


def _from_one_place(scene: Scene, shots: Sequence[Exposure]) -> list[Array]:
    width, height = scene.image_size_px
    pictures: list[Array] = [
        np.full((height, width), _background(scene, shot), dtype=np.float32) for shot in shots
    ]
    left, top, right, bottom = _window(scene, shots[0].pose)
    step = max(1, 240_000 // max(right - left, 1))  # bounds the memory of a strip to some 100 MB
    for row in range(top, bottom, step):
        end = min(row + step, bottom)
        strip = _strip(scene, shots[0].pose, left, right, row, end)
        for picture, shot in zip(pictures, shots, strict=True):
            picture[row:end, left:right] = strip.shone(scene, shot)
    for k, shot in enumerate(shots):
        if shot.shows_board and scene.board is not None:
            pictures[k] = _board_seen(scene, shot, pictures[k])
        if scene.lens_blur_px > 0:
            pictures[k] = np.asarray(cv2.GaussianBlur(pictures[k], (0, 0), scene.lens_blur_px))
    return pictures


def _background(scene: Scene, shot: Exposure) -> float:
    return 0.004 if shot.pattern == "lamp" else scene.light.background


def _window(scene: Scene, pose: Pose) -> tuple[int, int, int, int]:
    """The part of the picture that the panel's rim spans, a little widened."""
    w, h = (side / 2 + scene.panel.edge_mm for side in scene.panel.size_mm)
    t = np.linspace(-1, 1, 41)
    one = np.ones_like(t)
    x, y = w * np.concatenate([t, t, one, -one]), h * np.concatenate([one, -one, t, t])
    rim = project(np.stack([x, y, scene.panel.total.height(x, y)], -1), scene.camera, pose)
    width, height = scene.image_size_px
    low, high = np.floor(rim.min(0)).astype(int) - 3, np.ceil(rim.max(0)).astype(int) + 4
    left, top = int(np.clip(low[0], 0, width)), int(np.clip(low[1], 0, height))
    return left, top, int(np.clip(high[0], left, width)), int(np.clip(high[1], top, height))


@dataclass(frozen=True, slots=True)
class _Strip:
    """Rows of a picture: where its pixels look, and what its finer samples meet on the panel."""

    hits: Hits
    p: Array
    q: Array
    x_mm: Array
    y_mm: Array
    base: Array
    paper: Array
    on_tag: Array
    fine: int

    def finer(self, field: Array, nan: float = _FAR) -> Array:
        whole = _finer_rows(np.nan_to_num(field, nan=nan).astype(np.float32), self.fine, _PAD)
        return _finer_rows(whole.T, self.fine, _PAD).T

    def shone(self, scene: Scene, shot: Exposure) -> Array:
        x, y, n = self.x_mm, self.y_mm, self.fine
        if shot.pattern == "lamp":
            light = _lamp_light(scene, shot, self.hits, self.p, self.q, self.finer)
            shone = np.where(self.on_tag, self.paper, self.base) * light
        else:
            sx, sy = scene.light.room_slope
            light = scene.light.room * (1 + (sx * x + sy * y) / 1000)
            seen = self.base * light + _reflection(scene, shot, self.hits, self.finer)
            shone = np.where(self.on_tag, self.paper * light, seen)
        w, h = (side / 2 + scene.panel.edge_mm for side in scene.panel.size_mm)
        shone = np.where((np.abs(x) <= w) & (np.abs(y) <= h), shone, _background(scene, shot))
        mean: Array = shone.reshape(shone.shape[0] // n, n, shone.shape[1] // n, n).mean(axis=(1, 3))
        return mean


def _strip(scene: Scene, pose: Pose, left: int, right: int, top: int, bottom: int) -> _Strip:
    columns = np.arange(left - _PAD, right + _PAD)
    rows = np.arange(top - _PAD, bottom + _PAD)[:, None]
    d = pixel_rays(columns, rows, scene.camera, pose)
    hits, p, q = _mirror_hits(scene.panel, pose.centre_mm, scene.board, d, scene.board_sag_mm)
    none = np.empty(0)
    bare = _Strip(hits, p, q, none, none, none, none, none, scene.supersampling)
    x, y = bare.finer(hits.x_mm), bare.finer(hits.y_mm)
    return _Strip(hits, p, q, x, y, *_diffuse_reflectance(scene, x, y), scene.supersampling)


def _finer_rows(field: Array, n: int, pad: int) -> Array:
    """Interpolate to n samples per row, less `pad` rows at both ends.

    Keys' cubic convolution (1981, doi 10.1109/TASSP.1981.1163711) with a = -1/2, which is exact for
    parabolas; the kernel of cv2.resize (a = -3/4) is not even so for straight lines.
    """
    rows = field.shape[0] - 2 * pad
    fine = np.empty((rows, n, field.shape[1]), dtype=field.dtype)
    for k in range(n):
        t = (k + 0.5) / n - 0.5
        start, t = (pad - 1, t) if t >= 0 else (pad - 2, t + 1)
        weights = (
            (-t + 2 * t**2 - t**3) / 2,
            (2 - 5 * t**2 + 3 * t**3) / 2,
            (t + 4 * t**2 - 3 * t**3) / 2,
            (t**3 - t**2) / 2,
        )
        fine[:, k] = sum(np.float32(w) * field[start + i : start + i + rows] for i, w in enumerate(weights))
    return fine.reshape(rows * n, -1)


def _diffuse_reflectance(scene: Scene, x: Array, y: Array) -> tuple[Array, Array, Array]:
    base = np.full(x.shape, scene.albedo)
    for patch in scene.patches:
        oval = (2 * (x - patch.x_mm) / patch.width_mm) ** 2 + (2 * (y - patch.y_mm) / patch.height_mm) ** 2
        base = np.where(oval < 1, patch.albedo, base)
    if scene.tags is None:
        return base, base, np.zeros(x.shape, dtype=bool)
    paper, on_tag = _tag_paper(scene.tags, scene.panel, x, y)
    return base, paper, on_tag


def _tag_paper(tags: Tags, panel: Panel, x: Array, y: Array) -> tuple[Array, Array]:
    """Reflectance of the paper, and where it is: in the surface's tangent plane at the tag's centre."""
    paper, on_tag = np.zeros(x.shape), np.zeros(x.shape, dtype=bool)
    reach = tags.side_mm / 2 + tags.border_mm
    for tag, (cx, cy) in tags.centres_mm.items():
        near = (np.abs(x - cx) < 1.5 * reach) & (np.abs(y - cy) < 1.5 * reach)
        if not near.any():
            continue
        dx, dy = x[near] - cx, y[near] - cy
        p, q = (float(slope) for slope in panel.total.slopes(cx, cy))
        dz = p * dx + q * dy
        ex = np.array([1.0, 0.0, p]) / np.hypot(1, p)
        ey = np.cross(np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q), ex)
        u, v = dx * ex[0] + dy * ex[1] + dz * ex[2], dx * ey[0] + dy * ey[1] + dz * ey[2]
        white = np.full(u.shape, TAG_WHITE)
        if tag not in tags.covered:
            cells = tags.bits(tag)
            n = cells.shape[0]
            column = np.floor((u / tags.side_mm + 0.5) * n).astype(int)
            row = np.floor((0.5 - v / tags.side_mm) * n).astype(int)
            within = (column >= 0) & (column < n) & (row >= 0) & (row < n)
            cell = cells[np.clip(row, 0, n - 1), np.clip(column, 0, n - 1)]
            white = np.where(within & (cell == 0), TAG_BLACK, TAG_WHITE)
        paper[near] = white
        on_tag[near] |= (np.abs(u) <= reach) & (np.abs(v) <= reach)
    return paper, on_tag


def _reflection(scene: Scene, shot: Exposure, hits: Hits, finer: Any) -> Array:
    light, board = scene.light, scene.board
    share = fresnel(finer(hits.cos_in, nan=1.0), scene.index)
    if board is None:
        return share * light.room_seen
    a, b = finer(hits.a_mm), finer(hits.b_mm)
    # a micro-slope turns the reflected ray by twice itself
    sigma: Array | float = 0.0
    if scene.roughness_rad > 0:
        sigma = 2 * scene.roughness_rad * finer(hits.range_mm, nan=1.0)
    on = board_light.inside(a, b, size_mm=board.size_mm, sigma_mm=sigma)
    shone = _board_shine(scene, shot, a, b, sigma)
    reflected: Array = share * (on * shone + (1 - on) * light.room_seen)
    return reflected


def _lamp_light(scene: Scene, shot: Exposure, hits: Hits, p: Array, q: Array, finer: Any) -> Array:
    """Irradiance of a near point lamp: power * max(0, n.l) / d^2, plus a little from the room."""
    assert shot.lamp_mm is not None  # Shot's own check
    lx, ly, lz = shot.lamp_mm[0] - hits.x_mm, shot.lamp_mm[1] - hits.y_mm, shot.lamp_mm[2] - hits.z_mm
    d = np.sqrt(lx * lx + ly * ly + lz * lz)
    cos_lamp = np.maximum((lz - p * lx - q * ly) / (d * np.sqrt(1 + p * p + q * q)), 0)
    light: Array = finer(scene.light.lamp_power_mm2 * cos_lamp / d**2, nan=0.0) + scene.light.room * 0.02
    return light
