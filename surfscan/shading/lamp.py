"""Near-lamp photometric stereo: brightness under a small lamp at known places, to slopes and albedo.

A matt (Lambertian) cell with slopes p, q and albedo rho shows under lamp k

    I_k = s_k * rho * max(0, n . l_k) * (n_k . -l_k)^mu / |l_k|^(3 + mu)  +  rho * a  +  c

with l_k from the cell to the lamp, n the unit normal, s_k the lamp's brightness, mu its anisotropy (0 shines
evenly, 1 is a flat emitter facing along n_k), a the even light of the room and c what the camera adds to
every pixel. With g = rho * n the first term is linear in g. What is common to all cells (a, c, s_k, and small
corrections of the lamp's places) is found from what the cells' own fits leave over.

Woodham (1980), Optical Engineering 19, 139, for three distant lights; Queau et al. (2018), Journal of
Mathematical Imaging and Vision 60, 313, for near lamps and their anisotropy.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from surfscan.core.records import Array

__all__ = [
    "CellFit",
    "LampSetting",
    "Lamps",
    "fit_cells",
    "lamp_vectors",
    "light_of",
    "offsets",
    "slope_rows",
    "sum_inverse",
]

REFERENCE_MM = 1000.0
"""Lamp vectors are in units in which a lamp at this distance, square on, has length 1."""

NUMBERS_AT_ONCE = 500_000
"""Numbers of light vectors in a band of rows: 4 MB, which stays in a processor's cache."""


@dataclass(frozen=True, slots=True)
class Lamps:
    """Where K lamp places are, and how they shine.

    Attributes
    ----------
    places_mm : ndarray (K, 3)
        In the panel frame.
    axes : ndarray (K, 3) or None
        Unit vectors along which each lamp shines brightest; None for lamps that shine evenly.
    exponent : float
        mu: brightness falls as cos^mu away from the axis.
    """

    places_mm: Array
    axes: Array | None = None
    exponent: float = 0.0


@dataclass(frozen=True, slots=True)
class LampSetting:
    """What is common to all cells.

    Attributes
    ----------
    room : float
        a: even light of the room, in the units of the lamp vectors (a lamp 1 m away, square on, is 1).
    black : float
        c: what the camera adds to every pixel, linear light.
    brightness : ndarray (K,)
        s_k, mean 1.
    moved_mm : ndarray (K, 3)
        Corrections of the lamps' places.
    exposed : bool
        Whether `brightness` is the camera's exposure, which scales the room's light too, or the lamp's own.
    veiled : bool
        Whether `black` is a veil of stray light, which the exposure scales too, or the camera's own.
    """

    room: float
    black: float
    brightness: Array
    moved_mm: Array
    exposed: bool = False
    veiled: bool = False


@dataclass(frozen=True, slots=True)
class CellFit:
    """Each cell's own fit; maps (H, W), NaN where fewer than three lamps tell.

    Attributes
    ----------
    p, q : ndarray
        Slopes dz/dx, dz/dy.
    albedo : ndarray
        rho, in units of the photos' linear light under a lamp 1 m away, square on.
    left : ndarray (K, H, W)
        What the fit leaves over, linear light; NaN where the photo was not used.
    u_p, u_q : ndarray
        Standard uncertainties of the slopes per unit noise of the brightness (noise as weighted).
    """

    p: Array
    q: Array
    albedo: Array
    left: Array
    u_p: Array
    u_q: Array


def lamp_vectors(x_mm: Array, y_mm: Array, z_mm: Array, *, lamps: Lamps) -> Array:
    """Light vectors whose product with the unit normal is the irradiance.

    Parameters
    ----------
    x_mm, y_mm, z_mm : ndarray, broadcastable to one shape
        Panel points, mm.
    lamps : Lamps

    Returns
    -------
    ndarray (K, 3, ...), float64
        Unitless: length 1 for a lamp 1 m away. 0 behind a lamp that has an axis.

    Raises
    ------
    ValueError
        When the lamps' arrays do not fit, or a point lies on a lamp.
    """
    if lamps.places_mm.ndim != 2 or lamps.places_mm.shape[1] != 3:
        raise ValueError(f"lamp places must be (K, 3), not {lamps.places_mm.shape}")
    if lamps.axes is not None and lamps.axes.shape != lamps.places_mm.shape:
        raise ValueError(f"lamp axes must be {lamps.places_mm.shape}, not {lamps.axes.shape}")
    if lamps.exponent < 0:
        raise ValueError("a lamp's exponent is 0 or more")
    x, y, z = np.broadcast_arrays(*(np.asarray(v, float) for v in (x_mm, y_mm, z_mm)))
    out = np.empty((len(lamps.places_mm), 3, *x.shape))

    def one(k: int) -> None:
        axis = None if lamps.axes is None else lamps.axes[k]
        out[k] = _vectors(lamps.places_mm[k], x, y, z, axis, lamps.exponent)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, range(len(out))))
    if not np.isfinite(out).all():
        raise ValueError("a panel point lies on a lamp, or is not finite")
    return out


def _vectors(place: Array, x: Array, y: Array, z: Array, axis: Array | None, exponent: float) -> Array:
    away = np.stack([place[0] - x, place[1] - y, place[2] - z])
    distance = np.sqrt(np.sum(away * away, 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        strength = REFERENCE_MM**2 / distance**3
        if axis is not None and exponent > 0:
            cosine = -np.tensordot(axis, away, 1) / distance
            strength = strength * np.maximum(cosine, 0.0) ** exponent
        return np.asarray(away * strength)


def fit_cells(
    seen: Array, vectors: Array, *, setting: LampSetting, weight: Array, start: CellFit | None = None
) -> CellFit:
    """Fit every cell's slopes and albedo by weighted least squares.

    Parameters
    ----------
    seen : ndarray (K, H, W)
        Brightness, linear light.
    vectors : ndarray (K, 3, H, W)
        From `lamp_vectors`, at the corrected places.
    setting : LampSetting
        ``moved_mm`` is not used here: it is in the vectors already.
    weight : ndarray (K, H, W)
        Relative weights >= 0; 0 leaves a photo out for that cell.
    start : CellFit, optional
        Where the room's light is linearised; without it the cells are taken as level at first.

    Returns
    -------
    CellFit

    Raises
    ------
    ValueError
        With fewer than three photos, or arrays that do not fit.
    """
    if seen.shape[0] < 3:
        raise ValueError("slopes and albedo need at least three photos")
    if vectors.shape != (seen.shape[0], 3, *seen.shape[1:]) or weight.shape != seen.shape:
        raise ValueError("seen, vectors and weight do not fit each other")
    return _fit_cells(seen, vectors, setting, weight, start)


def _fit_cells(
    seen: Array, vectors: Array, setting: LampSetting, weight: Array, start: CellFit | None
) -> CellFit:
    """The cells band by band: a cell knows nothing of the others, and a band stays in the processor's cache."""
    rows = max(1, NUMBERS_AT_ONCE // max(1, vectors[:, :, 0].size))

    def part(first: int) -> tuple[Array, ...]:
        band = np.s_[..., first : first + rows, :]
        begun = None if start is None else (start.p[band], start.q[band])
        return _fit_band(seen[band], vectors[band], setting, weight[band], begun)

    with ThreadPoolExecutor(2) as pool:
        parts = list(pool.map(part, range(0, seen.shape[1], rows)))
    return CellFit(*(np.concatenate(maps, axis=-2) for maps in zip(*parts, strict=True)))


def _fit_band(
    seen: Array, vectors: Array, setting: LampSetting, weight: Array, slopes: tuple[Array, Array] | None
) -> tuple[Array, ...]:
    """What a `CellFit` holds, of some rows."""
    value = np.where(weight > 0, seen - offsets(setting, len(seen)), 0.0)
    enough = np.count_nonzero(weight > 0, axis=0) >= 3
    bright = setting.brightness[:, None, None]
    lamps = vectors * bright[:, None]
    share = bright if setting.exposed else np.ones_like(bright)  # of the room's light in each photo
    # Brightness is (lamps_k + room * share_k * n) . g: its sums over the photos are taken once, then n is settled.
    of_lamps, pulled = _moments(lamps, weight), weight * value
    by_lamps = np.stack([np.einsum("k...,k...->...", pulled, lamps[:, i]) for i in range(3)])
    if setting.room != 0:
        shared = weight * share
        both = setting.room * np.stack([np.einsum("k...,k...->...", shared, lamps[:, i]) for i in range(3)])
        by_room = setting.room * np.sum(pulled * share, 0)
        of_room = setting.room**2 * np.sum(shared * share, 0)
    # Three rounds settle n where the room's light is small against the lamps.
    for _ in range(3 if setting.room != 0 else 1):
        unit = _unit_of(slopes, value.shape[1:])
        matrix, right = of_lamps, by_lamps
        if setting.room != 0:
            cross = both[:, None] * unit
            matrix = of_lamps + cross + cross.swapaxes(0, 1) + of_room * unit[:, None] * unit
            right = by_lamps + by_room * unit
        inverse = _held_inverse(matrix, enough)
        g = np.einsum("ij...,j...->i...", inverse, right)
        good = enough & (g[2] > 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            p, q = (np.where(good, -g[i] / g[2], np.nan) for i in (0, 1))
        slopes = p, q
    albedo = np.where(good, np.sqrt(np.sum(g * g, 0)), np.nan)
    model = lamps[:, 0] * g[0] + lamps[:, 1] * g[1] + lamps[:, 2] * g[2]
    if setting.room != 0:
        model += setting.room * share * np.sum(unit * g, 0)
    left = np.where((weight > 0) & good, value - model, np.nan)
    safe = np.where(good, g, 1.0)
    spread = [
        np.where(good, np.sqrt(np.maximum(np.einsum("i...,ij...,j...->...", j, inverse, j), 0)), np.nan)
        for j in slope_rows(safe)
    ]
    return p, q, albedo, left, spread[0], spread[1]


def offsets(setting: LampSetting, count: int) -> Array:
    """What every pixel of each photo has too much, (K, 1, 1)."""
    offset = setting.black * (setting.brightness if setting.veiled else np.ones(count))
    return np.asarray(offset.reshape(-1, 1, 1))


def light_of(vectors: Array, setting: LampSetting, fit: CellFit | None) -> Array:
    """Light vectors with the lamps' brightness and the room's light, (K, 3, H, W).

    The room's light lies along the normals of `fit`; without one, along the panel's.
    """
    bright = setting.brightness.reshape(-1, *([1] * (vectors.ndim - 1)))
    if setting.room == 0:
        return np.asarray(vectors * bright)
    unit = _unit_of(None if fit is None else (fit.p, fit.q), vectors.shape[2:])
    room = setting.room * unit
    if setting.exposed:
        light = vectors + room
        light *= bright
    else:
        light = vectors * bright
        light += room
    return np.asarray(light)


def _unit_of(slopes: tuple[Array, Array] | None, shape: tuple[int, ...]) -> Array:
    """Normals; the panel's own where there are none."""
    flat = np.zeros((3, *shape))
    flat[2] = 1.0
    return flat if slopes is None else np.where(np.isfinite(slopes[0]), _unit(*slopes), flat)


def slope_rows(g: Array) -> tuple[Array, Array]:
    """Derivatives of p = -g_x/g_z and q = -g_y/g_z by g (3, H, W), each (3, H, W)."""
    zero, p, q = np.zeros_like(g[0]), -g[0] / g[2], -g[1] / g[2]
    return np.stack([-1 / g[2], zero, -p / g[2]]), np.stack([zero, -1 / g[2], -q / g[2]])


def _unit(p: Array, q: Array) -> Array:
    return np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p * p + q * q)


def sum_inverse(light: Array, weight: Array, enough: Array) -> Array:
    """Inverse of every cell's normal matrix, (3, 3, H, W); harmless where there is not enough."""
    return _held_inverse(_moments(light, weight), enough)


def _moments(light: Array, weight: Array) -> Array:
    """Sum over the photos of weight times light times light, (3, 3, H, W)."""
    matrix = np.empty((3, 3, *light.shape[2:]))
    for i in range(3):
        weighted = weight * light[:, i]
        for j in range(i, 3):
            matrix[i, j] = matrix[j, i] = np.einsum("k...,k...->...", weighted, light[:, j])
    return matrix


def _held_inverse(matrix: Array, enough: Array) -> Array:
    """Inverse, of a matrix that is held up where there is not enough."""
    held = np.where(enough, 0.0, 1.0 + matrix[0, 0] + matrix[1, 1] + matrix[2, 2])
    return _inverse(matrix + held * np.eye(3).reshape(3, 3, *([1] * enough.ndim)))


def _inverse(m: Array) -> Array:
    """Inverse of symmetric 3 x 3 matrices in the first two axes."""
    c00 = m[1, 1] * m[2, 2] - m[1, 2] ** 2
    c01 = m[0, 2] * m[1, 2] - m[0, 1] * m[2, 2]
    c02 = m[0, 1] * m[1, 2] - m[0, 2] * m[1, 1]
    c11 = m[0, 0] * m[2, 2] - m[0, 2] ** 2
    c12 = m[0, 1] * m[0, 2] - m[0, 0] * m[1, 2]
    c22 = m[0, 0] * m[1, 1] - m[0, 1] ** 2
    det = m[0, 0] * c00 + m[0, 1] * c01 + m[0, 2] * c02
    det = np.where(np.abs(det) > 1e-300, det, np.inf)
    return np.asarray(
        np.stack([np.stack([c00, c01, c02]), np.stack([c01, c11, c12]), np.stack([c02, c12, c22])]) / det
    )
