"""Photos of a known panel: a ray caster for height fields that mirror a board.

One ray per pixel is followed to the surface z(x, y) by Newton's method and mirrored to the board's plane.
Where it landed (panel place, board place, angle of incidence) varies smoothly over a panel, so it is
interpolated (cubic) to the sub-pixel samples, and only what has edges (stripes, tags, the panel's rim) is
computed for each of those. The interpolation is off by less than 0.01 mm on the board for a 0.35 mm
low of 80 mm, 1 m from board and camera, at 0.4 mm a pixel. Small faults have detail within a pixel: the pixels that
show one are cast anew, a ray for each sample.

Not rendered: reflections of reflections, shadows of the panel on itself, the panel in front of the board.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Pose
from surfscan.synth import board_light
from surfscan.synth.marks import Mark
from surfscan.synth.panels import Flat, Panel
from surfscan.synth.rays import Hits, cast, fresnel, meet_board, moving_rays, pixel_rays, project
from surfscan.synth.scene import Exposure, Motion, Scene, Tags

__all__ = ["render", "render_shots"]

Array = NDArray[Any]
TAG_BLACK, TAG_WHITE = 0.05, 0.85  # reflectance of toner and paper: common figures, no source
_FLAT = Panel((1.0, 1.0), Flat())
MARK_SAMPLES = 6
"""Rays a pixel and direction where a small fault is."""

MOVED_PX = 12
"""Pixels between rays that tell how hits move within an exposure."""

_PAD = 3  # cubic interpolation reads two neighbours
_FAR = 1e9  # a board place that is off any board; unlike NaN it survives interpolation


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
        a, b, _ = meet_board(board, shot.pose.centre_mm, d, scene.board_sag_mm)
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
    if shot.picture is not None:
        bright = board_light.on_screen(a, b, size_mm=board.size_mm, picture=shot.picture)
    elif shot.pattern == "dots":
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
        place = shot.pose.rotation.tobytes() + shot.pose.shift_mm.tobytes()
        places.setdefault(place if shot.moving is None else place + str(k).encode(), []).append(k)
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
        strip = _strip(scene, shots[0], left, right, row, end)
        for picture, shot in zip(pictures, shots, strict=True):
            picture[row:end, left:right] = _mean(_shade(scene, shot, strip), scene.supersampling)
    for mark in scene.marks:
        for picture, shot in zip(pictures, shots, strict=True):
            _cast_mark(scene, shot, mark, picture)
    return [_through_lens(scene, shot, picture) for shot, picture in zip(shots, pictures, strict=True)]


def _through_lens(scene: Scene, shot: Exposure, picture: Array) -> Array:
    """The board's front where the camera sees it, the lens's blur, and what lies on the lens."""
    if shot.shows_board and scene.board is not None:
        picture = _board_seen(scene, shot, picture)
    if scene.lens_blur_px > 0:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), scene.lens_blur_px))
    height, width = picture.shape
    for speck in scene.specks:
        picture = picture * speck.let_through(
            np.arange(float(width))[None, :], np.arange(float(height))[:, None]
        )
    return np.asarray(picture, np.float32)


def _mean(samples: Array, n: int) -> Array:
    """Pixels of n x n samples."""
    rows, columns = samples.shape
    mean: Array = samples.reshape(rows // n, n, columns // n, n).mean(axis=(1, 3))
    return mean


def _cast_mark(scene: Scene, shot: Exposure, mark: Mark, picture: Array) -> None:
    """The pixels that show a small fault, in place: `MARK_SAMPLES` rays a pixel and direction."""
    ends = mark.reach_mm * np.array([-1.0, 1.0])
    x, y = (a.ravel() for a in np.meshgrid(mark.x_mm + ends, mark.y_mm + ends))
    seen = project(np.stack([x, y, scene.panel.total.height(x, y)], -1), scene.camera, shot.pose)
    left, top = np.maximum(np.floor(seen.min(0)).astype(int) - 2, 0)
    right, bottom = np.minimum(np.ceil(seen.max(0)).astype(int) + 3, scene.image_size_px)
    if right <= left or bottom <= top:
        return
    n = MARK_SAMPLES
    here = [one for one in scene.marks if _touch(one, mark)]
    deviation = sum((one.shape for one in here), scene.panel.deviation)
    panel = replace(scene.panel, deviation=deviation)
    columns = (np.arange((right - left) * n) + 0.5) / n - 0.5 + left
    rows = ((np.arange((bottom - top) * n) + 0.5) / n - 0.5 + top)[:, None]
    d = pixel_rays(columns, rows, scene.camera, shot.pose)
    hits, p, q = cast(panel, shot.pose.centre_mm, scene.board, d, scene.board_sag_mm)
    scene = replace(scene, panel=panel)
    picture[top:bottom, left:right] = _mean(_shade(scene, shot, _meet(scene, hits, p, q, _as_cast), here), n)


def _touch(one: Mark, other: Mark) -> bool:
    apart = max(abs(one.x_mm - other.x_mm), abs(one.y_mm - other.y_mm))
    return apart <= one.reach_mm + other.reach_mm + 5.0


def _as_cast(field: Array, nan: float = _FAR) -> Array:
    return np.asarray(np.nan_to_num(field, nan=nan))


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
class _Met:
    """What the samples of a part of the picture meet, whatever the light: `finer` makes samples of a field of rays."""

    hits: Hits
    p: Array
    q: Array
    finer: Callable[..., Array]
    x_mm: Array
    y_mm: Array
    base: Array
    paper: Array
    on_tag: Array


def _meet(scene: Scene, hits: Hits, p: Array, q: Array, finer: Callable[..., Array]) -> _Met:
    x, y = finer(hits.x_mm), finer(hits.y_mm)
    return _Met(hits, p, q, finer, x, y, *_diffuse_reflectance(scene, x, y))


def _strip(scene: Scene, shot: Exposure, left: int, right: int, top: int, bottom: int) -> _Met:
    n = scene.supersampling
    columns = np.arange(left - _PAD, right + _PAD)
    rows = np.arange(top - _PAD, bottom + _PAD)
    if shot.moving is None:
        d = pixel_rays(columns, rows[:, None], scene.camera, shot.pose)
        hits, p, q = cast(scene.panel, shot.pose.centre_mm, scene.board, d, scene.board_sag_mm)
    else:
        hits, p, q = _cast_moving(scene, shot.moving, columns, rows)

    def finer(field: Array, nan: float = _FAR) -> Array:
        whole = np.nan_to_num(field, nan=nan).astype(np.float32)
        if whole.ndim == 3:  # each sample of a pixel at a time of its own within the exposure
            first, last = (_finer_rows(_finer_rows(one, n, _PAD).T, n, _PAD).T for one in whole)
            return np.asarray(first + _sample_times(n, first.shape) * (last - first))
        return _finer_rows(_finer_rows(whole, n, _PAD).T, n, _PAD).T

    return _meet(scene, hits, p, q, finer)


def _cast_moving(scene: Scene, moving: Motion, columns: Array, rows: Array) -> tuple[Hits, Array, Array]:
    """Hits (2, H, W) as the exposure begins and ends: a ray per pixel for its middle, a few for how that changes."""

    def met(columns: Array, rows: Array, *, middle: bool) -> tuple[Hits, Array, Array]:
        rotation, places = moving(rows)
        if middle:  # turns of milliradians: their mean is a rotation to a millionth
            rotation, places = rotation.mean(0, keepdims=True), places.mean(0, keepdims=True)
        d = moving_rays(columns, rows[:, None], scene.camera, rotation)
        return cast(scene.panel, np.moveaxis(places, -1, 0)[..., None], scene.board, d, scene.board_sag_mm)

    few = [np.linspace(v[0], v[-1], max(2, len(v) // MOVED_PX)) for v in (columns, rows)]
    ends = met(few[0], few[1], middle=False)[0]
    hits, p, q = met(columns, rows, middle=True)
    to_columns = (np.arange(len(columns)) * (len(few[0]) - 1) / max(len(columns) - 1, 1)).astype(np.float32)
    to_rows = (np.arange(len(rows)) * (len(few[1]) - 1) / max(len(rows) - 1, 1)).astype(np.float32)
    where = np.meshgrid(to_columns, to_rows)

    def both(name: str) -> Array:
        value, far = getattr(hits, name)[0], getattr(ends, name)
        change = np.nan_to_num(far[1] - far[0]).astype(np.float32)
        change = cv2.remap(change, *where, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.stack([value - change / 2, value + change / 2])

    return Hits(**{f.name: both(f.name) for f in fields(Hits)}), p[0], q[0]


def _sample_times(n: int, shape: tuple[int, ...]) -> Array:
    """When in the exposure, 0 to 1, each of a pixel's n x n samples is taken: spread over rows and columns alike."""
    column, row = np.meshgrid(np.arange(n), np.arange(n))
    order = (column * n + (row + column) % n).argsort(axis=None).argsort().reshape(n, n)
    times = (order + 0.5) / (n * n)
    return np.tile(times.astype(np.float32), (shape[0] // n, shape[1] // n))


def _shade(scene: Scene, shot: Exposure, met: _Met, marks: Sequence[Mark] = ()) -> Array:
    """Brightness of the samples."""
    x, y, base, paper, on_tag = met.x_mm, met.y_mm, met.base, met.paper, met.on_tag
    hits, finer = met.hits, met.finer
    if shot.pattern == "lamp":
        light = _lamp_light(scene, shot, hits, met.p, met.q, finer)
        shone = np.where(on_tag, paper, base) * light
    else:
        sx, sy = scene.light.room_slope
        light = scene.light.room * (1 + (sx * x + sy * y) / 1000)
        mirrored = _reflection(scene, shot, hits, finer)
        for mark in marks:
            if mark.haze > 0:
                hazy = replace(scene, roughness_rad=float(np.hypot(scene.roughness_rad, mark.haze_rad)))
                share = mark.hazed(x, y)
                mirrored = (1 - share) * mirrored + share * _reflection(hazy, shot, hits, finer)
        shone = np.where(on_tag, paper * light, base * light + mirrored)
    for mark in marks:
        if mark.cover is not None:
            shone = np.where(mark.covered(x, y), mark.albedo * light, shone)
    w, h = (side / 2 + scene.panel.edge_mm for side in scene.panel.size_mm)
    return np.where((np.abs(x) <= w) & (np.abs(y) <= h), shone, _background(scene, shot))


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
