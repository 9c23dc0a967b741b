"""A map as a mirror: rays of a pinhole followed to its surface and mirrored to a wall of light.

Heights are a bicubic spline through the map's cells, so that the normals are smooth; between the spline's own
values on a grid four times as fine everything is interpolated linearly (2e-6 rad for a 0.25 mm low of 100 mm).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from surfscan.core.records import Board, Camera, HeightMap, Pose
from surfscan.gloss.viewing import Viewpoint, WallLight, brightness, face_wall
from surfscan.optics.mirror import fresnel, hit_board

__all__ = [
    "CLEAR_COAT",
    "Mirror",
    "WallSeen",
    "make_mirror",
    "mirror_pixels",
    "picture_of",
    "reflected_stripes",
]

Array = NDArray[Any]

CLEAR_COAT = 1.5
"""Refractive index of clear coat: that of acrylic and urethane resins, 1.48 to 1.52 in handbooks (from memory)."""

_FINER = 4
_SAMPLES = 3
"""Samples along a pixel's side; a stripe's edge is then known to a few hundredths of a pixel over a line of them."""


@dataclass(frozen=True, slots=True)
class Mirror:
    """A surface that can be mirrored in.

    Attributes
    ----------
    x_mm, y_mm : ndarray
        Fine grid, ascending.
    z_mm, p, q : ndarray (H, W), float32
        Height and slopes dz/dx, dz/dy there.
    known : ndarray (h, w), uint8
        1 where the map was measured, on its own grid.
    step_mm : float
        Of the map's own grid.
    """

    x_mm: Array
    y_mm: Array
    z_mm: Array
    p: Array
    q: Array
    known: Array
    step_mm: float

    @property
    def rim_mm(self) -> Array:
        """Points (N, 3) all round the surface's rim."""
        rows, columns = self.z_mm.shape
        r = np.linspace(0, rows - 1, 21).round().astype(int)
        c = np.linspace(0, columns - 1, 21).round().astype(int)
        rr = np.concatenate([r, r, np.zeros(21, int), np.full(21, rows - 1)])
        cc = np.concatenate([np.zeros(21, int), np.full(21, columns - 1), c, c])
        return np.stack([self.x_mm[cc], self.y_mm[rr], self.z_mm[rr, cc]], -1).astype(float)


def make_mirror(
    height: HeightMap, *, exaggeration: float = 1.0, smooth_mm: float | None = None
) -> tuple[Mirror, Mirror]:
    """The panel as it is, and the same panel made fair.

    Parameters
    ----------
    height : HeightMap
        Deviation and fair form; cells without a height are filled for the rays, and told apart by `Mirror.known`.
    exaggeration : float
        What the deviation is multiplied with; 1 is true.
    smooth_mm : float, optional
        Standard deviation of the Gaussian that takes the map's noise off the normals; default one cell.

    Returns
    -------
    as_it_is, fair : Mirror

    Raises
    ------
    ValueError
        When nothing was measured, or for a map under 4 cells a side.
    """
    known = np.isfinite(height.height_mm)
    if not known.any() or min(known.shape) < 4:
        raise ValueError("a map of at least 4 by 4 cells with a measured place is needed")
    step = height.grid.step_mm
    sigma = (step if smooth_mm is None else smooth_mm) / step
    form = _continued(height.form_mm, height.grid.x_mm, height.grid.y_mm)
    deviation = _smoothed(np.where(known, height.height_mm, 0.0), known, sigma)
    mirrors = []
    for z in (form + exaggeration * deviation, form):
        mirrors.append(_spline_mirror(z, height, known))
    return mirrors[0], mirrors[1]


def _continued(form: Array, x: Array, y: Array) -> Array:
    """The form, carried on where it has no value by a second-order surface through it."""
    there = np.isfinite(form)
    if there.all():
        return np.asarray(form, float)
    if not there.any():
        return np.zeros(form.shape)
    u, v = np.meshgrid(x / max(np.ptp(x), 1.0), y / max(np.ptp(y), 1.0))
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1)
    factors = np.linalg.lstsq(terms[there], form[there], rcond=None)[0]
    return np.where(there, form, (terms * factors).sum(-1))


def _smoothed(deviation: Array, known: Array, sigma: float) -> Array:
    """Gaussian mean over what is known; beyond it the mean of wider and wider surroundings."""

    def mean(width: float) -> tuple[Array, Array]:
        top = cv2.GaussianBlur(deviation, (0, 0), width, borderType=cv2.BORDER_REFLECT)
        share = cv2.GaussianBlur(known.astype(float), (0, 0), width, borderType=cv2.BORDER_REFLECT)
        return np.asarray(top / np.maximum(share, 1e-12)), np.asarray(share)

    out = mean(sigma)[0] if sigma > 0 else deviation.copy()
    left = ~known
    for width in (2.0, 8.0, 32.0):
        if not left.any():
            break
        filled, share = mean(width)
        use = left & (share > 0.02)
        out[use], left = filled[use], left & ~use
    out[left] = 0.0
    return out


def _spline_mirror(z: Array, height: HeightMap, known: Array) -> Mirror:
    x, y, step = height.grid.x_mm, height.grid.y_mm, height.grid.step_mm
    spline = RectBivariateSpline(y, x, z, kx=3, ky=3, s=0)
    fine_x = np.linspace(x[0], x[-1], _FINER * (x.size - 1) + 1)
    fine_y = np.linspace(y[0], y[-1], _FINER * (y.size - 1) + 1)
    fields = (spline(fine_y, fine_x, dx=r, dy=c).astype(np.float32) for r, c in ((0, 0), (0, 1), (1, 0)))
    zf, p, q = fields
    return Mirror(fine_x, fine_y, zf, p, q, known.astype(np.uint8), step)


@dataclass(frozen=True, slots=True)
class WallSeen:
    """Where pixels look, each (H, W).

    Attributes
    ----------
    across_mm, up_mm : ndarray, float32
        Place on the wall, from its middle; NaN where the ray meets no surface or runs away from the wall.
    reflectance : ndarray, float32
        Fresnel's, 0 to 1.
    on_panel, measured : ndarray, bool
    """

    across_mm: Array
    up_mm: Array
    reflectance: Array
    on_panel: Array
    measured: Array


def mirror_pixels(
    mirror: Mirror,
    *,
    camera: Camera,
    pose: Pose,
    size_px: tuple[int, int],
    wall: Board,
    index: float = CLEAR_COAT,
) -> WallSeen:
    """Follow each pixel's ray to the surface and on to the wall.

    Parameters
    ----------
    mirror : Mirror
    camera, pose : Camera, Pose
        A pinhole; its distortion is not used.
    size_px : (width, height)
    wall : Board
    index : float
        Refractive index of the gloss layer.

    Returns
    -------
    WallSeen
    """
    width, height = size_px
    column, row = np.arange(width)[None, :], np.arange(height)[:, None]
    u = np.broadcast_to((column - camera.centre_px[0]) / camera.focal_px, (height, width))
    v = np.broadcast_to((row - camera.centre_px[1]) / camera.focal_px, (height, width))
    rot, eye = pose.rotation, pose.centre_mm
    middle = (mirror.x_mm[0] + mirror.x_mm[-1]) / 2, (mirror.y_mm[0] + mirror.y_mm[-1]) / 2
    reach = np.ptp(mirror.x_mm) / 2, np.ptp(mirror.y_mm) / 2
    dx, dy, dz = (rot[0, k] * u + rot[1, k] * v + rot[2, k] for k in range(3))
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.where(dz < 0, (float(np.median(mirror.z_mm)) - eye[2]) / dz, np.nan)
        for _ in range(8):
            x, y = eye[0] + t * dx, eye[1] + t * dy
            z, p, q = _sample(mirror, x, y)
            more = (eye[2] + t * dz - z) / (dz - p * dx - q * dy)
            t = t - more
            near = (np.abs(x - middle[0]) < reach[0]) & (np.abs(y - middle[1]) < reach[1])
            # 5 um along the ray turn the normal by as much as 1e-5 mrad; a remap's places are no finer.
            if not np.abs(more[near]).max(initial=0.0) > 5e-3:
                break
        x, y = eye[0] + t * dx, eye[1] + t * dy
        z, p, q = _sample(mirror, x, y)
        cosine = (p * dx + q * dy - dz) / np.sqrt((dx * dx + dy * dy + dz * dz) * (1 + p * p + q * q))
        half = mirror.step_mm / 2
        on = (x >= mirror.x_mm[0] - half) & (x <= mirror.x_mm[-1] + half)
        on &= (y >= mirror.y_mm[0] - half) & (y <= mirror.y_mm[-1] + half) & (cosine > 0)
    hit = hit_board(x, y, z, p, q, camera_mm=eye, board=wall)
    share = fresnel(np.arccos(np.clip(np.nan_to_num(cosine), 0.0, 1.0)), index=index)
    known = _remap(mirror.known, x, y, mirror, 1, cv2.INTER_NEAREST) > 0
    return WallSeen(
        np.asarray(hit.across_mm, np.float32),
        np.asarray(hit.up_mm, np.float32),
        np.asarray(share, np.float32),
        on,
        on & known,
    )


def _sample(mirror: Mirror, x: Array, y: Array) -> tuple[Array, Array, Array]:
    fields = (
        _remap(field, x, y, mirror, _FINER, cv2.INTER_LINEAR) for field in (mirror.z_mm, mirror.p, mirror.q)
    )
    z, p, q = (np.asarray(field, float) for field in fields)
    return z, p, q


def _remap(field: Array, x: Array, y: Array, mirror: Mirror, finer: int, how: int) -> Array:
    step = mirror.step_mm / finer
    column = np.nan_to_num((x - mirror.x_mm[0]) / step, nan=-9.0, posinf=-9.0, neginf=-9.0)
    row = np.nan_to_num((y - mirror.y_mm[0]) / step, nan=-9.0, posinf=-9.0, neginf=-9.0)
    # Single precision holds a grid place to 1e-4 of a cell; past the rim the surface goes on level.
    columns, rows = (np.clip(v, -9.0, 32_000.0).astype(np.float32) for v in (column, row))
    return np.asarray(cv2.remap(field, columns, rows, how, borderMode=cv2.BORDER_REPLICATE))


def picture_of(
    mirrored: WallSeen, light: WallLight, *, body: float = 0.0, bright: float = 1.0, dark: float = 0.0
) -> Array:
    """What the eye sees in the panel, linear light, (H, W) float32.

    Parameters
    ----------
    mirrored : WallSeen
    light : WallLight
    body : float
        What the paint under the clear coat sends back, in the unit of `bright`.
    bright, dark : float
        Radiance of the wall's bright and dark places.

    Notes
    -----
    Each pixel is the mean of nine samples. The wall's places are smooth over the panel and interpolated linearly to
    them; a fold's edge is exact to a pixel.
    """
    height, width = mirrored.across_mm.shape
    finer = (_SAMPLES * width, _SAMPLES * height)
    across, up = (
        cv2.resize(np.nan_to_num(place, nan=1e7), finer, interpolation=cv2.INTER_LINEAR)
        for place in (mirrored.across_mm, mirrored.up_mm)
    )
    shone = brightness(light, across, up)
    mean = cv2.resize(shone, (width, height), interpolation=cv2.INTER_AREA)
    mean[~np.isfinite(mirrored.across_mm + mirrored.up_mm)] = 0.0
    radiance = mirrored.reflectance * (dark + (bright - dark) * mean) + body * (1 - mirrored.reflectance)
    return np.asarray(np.where(mirrored.on_panel, radiance, 0.0), np.float32)


def reflected_stripes(
    height: HeightMap,
    *,
    varies: str = "across",
    distance_mm: float = 1000.0,
    elevation_deg: float = 50.0,
    period_mm: float = 40.0,
    without_crown: bool = False,
) -> Array:
    """Brightness of smooth mirrored stripes at each place of the panel: the map as the eye would see it unrolled.

    Parameters
    ----------
    height : HeightMap
    varies : {"across", "up"}
        The way along which dark and light change on the wall.
    distance_mm : float
        From the panel's middle to the eye, and to the wall, 50 to 100000 mm.
    elevation_deg : float
        Of both above the panel, 5 to 85 degrees; the eye is beyond the panel's lower edge.
    period_mm : float
        One dark and one light stripe, mm.
    without_crown : bool
        Leave the fair form out, so that only the faults bend the stripes.

    Returns
    -------
    ndarray (H, W), float64
        0 dark to 1 bright; NaN where not measured, or where the reflection misses the wall's plane.

    Raises
    ------
    ValueError
        For a distance, period or angle out of range, an unknown direction, or a map without a measured place.
    """
    if varies not in ("across", "up"):
        raise ValueError(f"varies is 'across' or 'up'; found {varies!r}")
    if not period_mm > 0:
        raise ValueError(f"the period must be over 0; found {period_mm:g}")
    view = Viewpoint(0.0, elevation_deg, distance_mm)
    wall = face_wall(view, distance_mm=distance_mm, period_mm=period_mm)
    seen = replace(height, form_mm=np.zeros(height.form_mm.shape)) if without_crown else height
    mirror, _ = make_mirror(seen, smooth_mm=0.0)
    z, p, q = (field[::_FINER, ::_FINER].astype(float) for field in (mirror.z_mm, mirror.p, mirror.q))
    x, y = height.grid.x_mm[None, :], height.grid.y_mm[:, None]
    hit = hit_board(x, y, z, p, q, camera_mm=view.eye_mm, board=wall)
    place = hit.across_mm if varies == "across" else hit.up_mm
    return np.asarray(np.where(mirror.known > 0, 0.5 + 0.5 * np.cos(2 * np.pi * place / period_mm), np.nan))
