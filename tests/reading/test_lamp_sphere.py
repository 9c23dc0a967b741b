"""A matt sphere with a highlight under far lamps, in closed form, against textbook least squares (Woodham 1980)."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from surfscan.core.errors import RefusedError
from surfscan.core.flags import bit
from surfscan.core.reading import Context, View
from surfscan.core.records import Array, Camera, Photo, Pose
from surfscan.optics.field import make_grid
from surfscan.reading.lamp import read_lamp
from surfscan.reading.lamp_maps import LampReading
from surfscan.shading.doubt import check_prior
from surfscan.shading.lamp import Lamps
from surfscan.shading.setting import plain_setting

RADIUS, SIDE, FAR = 140.0, 81, 3e4


def lights(count: int) -> Array:
    """A ring of far lamps 30 degrees off the camera's axis, as such series are usually made."""
    turn = 0.2 + 2 * np.pi * np.arange(count) / count
    return np.stack([0.5 * np.cos(turn), 0.5 * np.sin(turn), np.full(count, np.sqrt(0.75))], -1)


def sphere(tilt_deg: float, count: int = 10, gloss: float = 0.15) -> tuple[Array, Array, Array, float]:
    """Pictures (K, SIDE, SIDE), normals, mask of tilts under `tilt_deg`, mm per pixel.

    Lambert's cosine, darker where the grain shades itself (grazing light), and the highlight of Blinn (1977).
    """
    half = RADIUS * np.sin(np.radians(tilt_deg))
    pitch = 2 * half / (SIDE - 5)
    x, y = np.meshgrid(pitch * (np.arange(SIDE) - SIDE // 2), pitch * (SIDE // 2 - np.arange(SIDE)))
    z = np.sqrt(np.maximum(RADIUS**2 - x**2 - y**2, 1.0))
    normal = np.stack([x, y, z]) / RADIUS
    cosine = np.einsum("ki,ihw->khw", lights(count), normal)
    middle = lights(count) + np.array([0.0, 0.0, 1.0])
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    shine = np.maximum(np.einsum("ki,ihw->khw", middle, normal), 0) ** 200
    paint = np.maximum(cosine, 0) * (1 - 0.25 * np.exp(-np.maximum(cosine, 0) / 0.15))
    noise = 0.002 * np.random.default_rng(5).standard_normal(cosine.shape)
    seen = np.clip(0.45 * paint + gloss * shine + noise, 0, 1)
    return seen, normal, np.hypot(x, y) <= half, pitch


def read(seen: Array, mask: Array, pitch: float) -> LampReading:
    size = (pitch * SIDE,) * 2
    camera = Camera(FAR / pitch, (SIDE // 2, SIDE // 2))
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0, 0, FAR]), np.eye(6) * 1e-12, 0.05)
    views = [
        View(Photo(f"{k}.png", "", picture.astype(np.float32), picture >= 1), camera, pose, "")
        for k, picture in enumerate(seen)
    ]
    grid = make_grid(size, pitch)
    region = np.where(mask[::-1], 0, bit("outside")).astype(np.int32)
    at = 0.3 * size[0] * np.array([[1, 1], [-1, 1], [-1, -1], [1, -1.0]])
    lamps = Lamps(FAR * lights(len(seen)))
    return read_lamp(Context(tuple(views), grid, region, at), lamps)


def figures(p: Array, q: Array, normal: Array, good: Array) -> tuple[float, float]:
    """Mean angle, degrees, and slope gain: regression of the slopes on the true ones through zero."""
    want = np.stack([-normal[0] / normal[2], -normal[1] / normal[2]])[:, good]
    have = np.stack([p, q])[:, good]
    unit = np.stack([-p, -q, np.ones_like(p)])[:, good]
    cosine = np.sum(unit / np.linalg.norm(unit, axis=0) * normal[:, good], 0)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))).mean()), float(
        np.sum(have * want) / np.sum(want**2)
    )


def bent(got: LampReading) -> Array:
    """The height's error in spreads of the bend: less a level and a tilt, and less one stretch, which is a depth's."""
    height = got.reading.height_mm
    x, y = np.meshgrid(got.reading.grid.x_mm, got.reading.grid.y_mm)
    true = np.sqrt(np.maximum(RADIUS**2 - x**2 - y**2, 0.0))
    good = np.isfinite(height)
    design = np.stack([np.ones_like(x), x, y, true], -1)[good]
    error = height[good] - design @ np.linalg.lstsq(design, height[good], rcond=None)[0]
    return np.asarray(error / got.bends.paint_mm[good])


@pytest.mark.parametrize("tilt", [20, 55])
def test_at_least_as_good_as_least_squares_and_the_interval_holds(tilt: float) -> None:
    seen, normal, mask, pitch = sphere(tilt)
    got = read(seen, mask, pitch)
    p, q = got.reading.p[::-1], got.reading.q[::-1]
    good = np.isfinite(p)
    g = np.linalg.lstsq(lights(len(seen)), seen.reshape(len(seen), -1), rcond=None)[0].reshape(3, SIDE, SIDE)
    angle, gain = figures(p, q, normal, good)
    plain_angle, plain_gain = figures(-g[0] / g[2], -g[1] / g[2], normal, good)
    assert angle <= plain_angle
    assert abs(gain - 1) <= abs(plain_gain - 1)
    assert abs(gain - 1) <= 1.96 * got.scale_rel
    assert np.mean(np.abs(bent(got)) < 1.96) > 0.95  # no spot of a sphere passes its own interval


@pytest.mark.parametrize(
    ("room", "black", "words"), [(0.5, 0.0, "more light from elsewhere"), (0.0, -0.1, "matt surface")]
)
def test_a_setting_that_no_room_and_no_camera_has_is_refused(room: float, black: float, words: str) -> None:
    vectors = np.broadcast_to(lights(6)[:, :, None, None], (6, 3, 4, 4))
    plain = plain_setting(6)
    check_prior(plain, vectors)
    check_prior(replace(plain, room=0.02, black=0.004), vectors)
    with pytest.raises(RefusedError, match=words) as caught:
        check_prior(replace(plain, room=room, black=black), vectors)
    assert "lamp_mm" in caught.value.cure


def test_a_small_panel_is_no_fault() -> None:
    """Blocks of 60 mm on a panel of 40 mm."""
    seen, _, mask, pitch = sphere(8, gloss=0.0)
    assert np.isfinite(read(seen, mask, pitch).reading.uneven_mm)


def test_many_photos_with_a_shadow_in_a_third_of_them() -> None:
    seen, _, mask, pitch = sphere(30, count=24, gloss=0.0)
    seen[::3, 25:47, 33:55] *= 0.3
    start = time.process_time()
    got = read(seen, mask, pitch)
    assert time.process_time() - start < 15
    shaded = np.array([picture.lit[::-1][30:42, 38:50].mean() for picture in got.reading.quality])
    assert shaded[::3].max() < 0.05
    assert np.delete(shaded, np.s_[::3]).min() > 0.9
