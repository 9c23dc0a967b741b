"""How bright the mirrored stripes are against everything else, and how noisy a pixel is then.

Brightness is counted in units of the board's bright stripes. What mirrors is Fresnel's share of the board; what
does not move with the stripes is the base's own colour under room light and the board's light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import j1

from surfscan.core.colour import to_srgb
from surfscan.core.records import Array, Board
from surfscan.optics.mirror import fresnel
from surfscan.plan.shot import Finish, Shot
from surfscan.plan.sight import Sight, Stage

__all__ = ["Contrast", "base_look", "board_light_share", "specular_share", "work_out_contrast"]

WAVELENGTH_UM = 0.55
"""Green, where eye and camera see best."""

EXPOSED_TO = 0.8
"""The brightest thing on the panel is exposed to this share of the camera's white: our choice."""

FULL_WELL_E, READ_E = 5000.0, 4.0
"""Electrons at white, and read noise, of a phone's pixel: common figures, no source; as the simulator's."""

GREY_LEVEL = 0.6
"""What 8 bits and a good JPEG leave, grey levels rms: from the project's simulated photos at quality 95."""


@dataclass(frozen=True, slots=True)
class Contrast:
    """Brightness of the planned photo.

    Attributes
    ----------
    contrast : ndarray (2, H, W)
        Amplitude of the stripes' fundamental over the mean brightness, for stripes across and up; can pass 1
        with hard stripes.
    amplitude : ndarray (2, H, W)
        That amplitude in the photo, as a share of white.
    level : ndarray (H, W)
        Mean brightness, as a share of white.
    noise : ndarray (H, W)
        Noise of a pixel, as a share of white, rms.
    reflectance : ndarray (H, W)
        Share of the board's light that is mirrored.
    specular : ndarray (H, W)
        What roughness leaves of the mirrored picture, 0 to 1.
    lens_factor : float
        What the lens's width leaves of the contrast at the panel's middle.
    blur_mm : float
        Width of the blur disc on the board when the panel is in focus.
    exposure : float
        White of the camera, in units of the bright stripes: divide by it.
    base : float
        Brightness of the base by itself, in units of the bright stripes.
    diffuse : float
        White paper on the panel, by room and board, in the same units.
    """

    contrast: Array
    amplitude: Array
    level: Array
    noise: Array
    reflectance: Array
    specular: Array
    lens_factor: float
    blur_mm: float
    exposure: float
    base: float
    diffuse: float


def specular_share(cos_in: Array | float, *, rough_um: float, wavelength_um: float = WAVELENGTH_UM) -> Array:
    """Share of the mirrored light that stays in the picture: exp(-(4 pi sigma cos(theta)/lambda)^2).

    Bennett and Porteus 1961, J. Opt. Soc. Am. 51, 123 (from memory); what is missing is scattered.
    """
    return np.asarray(np.exp(-((4 * np.pi * rough_um * np.asarray(cos_in) / wavelength_um) ** 2)))


@lru_cache(maxsize=64)
def _hemispherical(index: float) -> float:
    """Fresnel's reflectance averaged over diffuse light from outside, 2 int R(t) sin t cos t dt."""
    t, weight = np.polynomial.legendre.leggauss(64)
    angle = (t + 1) * np.pi / 4
    return float(np.sum(weight * np.pi / 4 * 2 * fresnel(angle, index=index) * np.sin(angle) * np.cos(angle)))


def base_look(surface: Finish, cos_out: Array | float) -> Array:
    """How bright the base looks beside white paper (reflectance 1) in the same diffuse light.

    Under a clear film: Saunderson 1942, J. Opt. Soc. Am. 32, 727 (from memory): light is lost going in, and
    bounces between the film's inside and the base, (1-k1)(1-R(out)) a / (n^2 (1 - k2 a)), with
    k2 = 1 - (1-k1)/n^2.
    """
    if not surface.coated:
        return np.full(np.shape(cos_out), surface.albedo)
    n, outside = surface.index, _hemispherical(surface.index)
    inside = 1 - (1 - outside) / n**2
    out = 1 - fresnel(np.arccos(np.clip(cos_out, 0, 1)), index=n)
    return np.asarray((1 - outside) * out * surface.albedo / (n**2 * (1 - inside * surface.albedo)))


def board_light_share(board: Board, at_mm: Array) -> float:
    """Irradiance that a board of radiance 1 gives to a point facing up, over pi: Lambert's polygon formula.

    Lambert 1760; e.g. Schroeder and Hanrahan 1993 (from memory). The board must be above the point's plane.
    """
    corners = _above(list(board.corners_mm - at_mm))
    total = 0.0
    for one, two in zip(corners, corners[1:] + corners[:1], strict=True):
        cross = np.cross(one, two)
        size = float(np.linalg.norm(cross))
        if size > 1e-12:
            total += math.atan2(size, float(one @ two)) * float(cross[2]) / size
    return abs(total) / (2 * math.pi)


def _above(corners: list[Array]) -> list[Array]:
    """The polygon's part above z = 0."""
    out: list[Array] = []
    for one, two in zip(corners, corners[1:] + corners[:1], strict=True):
        if one[2] >= 0:
            out.append(one)
        if (one[2] >= 0) != (two[2] >= 0):
            out.append(one + (two - one) * (one[2] / (one[2] - two[2])))
    return out


def lens_share(shot: Shot, camera_mm: Array | float, board_mm: Array | float) -> tuple[Array, Array]:
    """Width of the blur disc on the board, mm, and what it leaves of the fundamental, 2 J1(x)/x.

    The lens of width D, focused on the panel, sees each board point as a disc of D b/a (b to the board, a to
    the camera); a disc of that width passes 2 J1(x)/x at x = pi disc/period (Goodman, Fourier Optics, from memory).
    """
    disc = shot.lens_mm * np.asarray(board_mm) / np.asarray(camera_mm)
    x = np.pi * disc / shot.period_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.where(x > 1e-6, 2 * j1(x) / x, 1.0)
    return disc, np.asarray(left)


def work_out_contrast(shot: Shot, stage: Stage, sight: Sight) -> Contrast:
    """Brightness and contrast of the mirrored stripes over the panel."""
    surface, light = shot.surface, shot.light
    cos_in = np.clip(sight.cos_in, 0, 1)
    share = fresnel(np.arccos(cos_in), index=surface.index)
    specular = specular_share(cos_in, rough_um=surface.rough_um)
    disc, lens = lens_share(shot, sight.camera_mm, sight.board_mm)
    half, mean = (1 - light.dark) / 2, (1 + light.dark) / 2
    swing = half * (4 / np.pi if shot.square else 1.0)
    # a texture's slope moves the mirrored point as the surface's own slope does
    smear = 1e-3 * surface.texture_mrad * sight.gain_mm
    # The pixel is a square that averages the stripes too.
    pixel = np.sinc(1 / np.maximum(sight.stripe_px, 1.0))
    picture = np.abs(
        swing * share * specular * lens * np.exp(-2 * (np.pi * smear / shot.period_mm) ** 2) * pixel
    )
    middle = np.array([0.0, 0.0, float(stage.form.height(0.0, 0.0))])
    diffuse = light.room + mean * board_light_share(stage.board, middle)
    base = base_look(surface, cos_in) * diffuse
    level = share * mean + base
    brightest = float(np.nanmax(np.where(np.isfinite(level), level + picture.max(0), np.nan)))
    white = max(brightest, 0.85 * diffuse) / EXPOSED_TO  # paper of the tags: 0.85
    shown = np.clip(level / white, 0, 1)
    value = to_srgb(shown)
    grain = GREY_LEVEL / 255 * np.maximum(2.4 / 1.055 * ((value + 0.055) / 1.055) ** 1.4, 1 / 12.92)
    noise = np.sqrt(shown / FULL_WELL_E + (READ_E / FULL_WELL_E) ** 2 + grain**2)
    row, column = np.array(cos_in.shape) // 2
    return Contrast(
        contrast=picture / level,
        amplitude=picture / white,
        level=shown,
        noise=noise,
        reflectance=share,
        specular=specular,
        lens_factor=float(lens[row, column]),
        blur_mm=float(disc[row, column]),
        exposure=white,
        base=float(base[row, column]),
        diffuse=diffuse,
    )
