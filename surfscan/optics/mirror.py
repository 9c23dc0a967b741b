"""The law of reflection: from a panel point and its slopes to the place on the board it shows, and back.

With C the camera, P the panel point, n its normal: r = (C - P)/|C - P|, the reflected ray is
o = 2 (r.n) n - r, and it meets the board's plane at T = P + t o. The board is a plane with the axes
``across`` and ``up``; places on it are given as (a, b) in mm from its middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.records import Array, Board

__all__ = ["BEND_POWERS", "Hit", "distance_to_board", "fold_curvature", "fresnel", "hit_board"]


@dataclass(frozen=True, slots=True)
class Hit:
    """Where panel points look on the board, and how that moves with their slopes.

    Attributes
    ----------
    across_mm, up_mm : ndarray
        Board coordinates from its middle, mm; NaN where the ray misses the board's plane.
    d_across, d_up : tuple of two ndarray
        Their derivatives by p = dz/dx and q = dz/dy, mm per unit slope.
    """

    across_mm: Array
    up_mm: Array
    d_across: tuple[Array, Array]
    d_up: tuple[Array, Array]

    def place(self, axis: str) -> Array:
        """Board coordinate along "across" or "up", mm."""
        return self.across_mm if axis == "across" else self.up_mm

    def lever(self, axis: str) -> tuple[Array, Array]:
        """Its derivatives by p and q, mm per unit slope."""
        return self.d_across if axis == "across" else self.d_up


def hit_board(
    x_mm: Array,
    y_mm: Array,
    z_mm: Array | float,
    p: Array | float,
    q: Array | float,
    *,
    camera_mm: Array,
    board: Board,
) -> Hit:
    """Trace reflected rays to the board.

    Parameters
    ----------
    x_mm, y_mm, z_mm : ndarray, broadcastable
        Panel points, mm.
    p, q : ndarray
        Slopes dz/dx and dz/dy there (unitless).
    camera_mm : ndarray (3,) or (3, ...)
        Camera centre in the panel frame, for all points or for each.
    board : Board

    Returns
    -------
    Hit
    """
    rx, ry, rz = camera_mm[0] - x_mm, camera_mm[1] - y_mm, camera_mm[2] - z_mm
    a, b, n = board.across, board.up, board.normal
    # With N = (-p, -q, 1) not normalised, o = 2 (r.N) N - |N|^2 r: a common factor does not matter.
    dot = rz - p * rx - q * ry
    norm2 = 1 + p * p + q * q
    two_dot = 2 * dot
    ox, oy, oz = -p * two_dot - norm2 * rx, -q * two_dot - norm2 * ry, two_dot - norm2 * rz
    # o's derivatives: by p, N_p = (-1, 0, 0) and r.N_p = -rx; by q likewise.
    px, py, pz = 2 * rx * p - two_dot - 2 * p * rx, 2 * rx * q - 2 * p * ry, -2 * rx - 2 * p * rz
    qx, qy, qz = 2 * ry * p - 2 * q * rx, 2 * ry * q - two_dot - 2 * q * ry, -2 * ry - 2 * q * rz
    on = n[0] * ox + n[1] * oy + n[2] * oz
    centre = board.centre_mm
    reach = n[0] * (centre[0] - x_mm) + n[1] * (centre[1] - y_mm) + n[2] * (centre[2] - z_mm)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = reach / on
        t = np.where(t > 0, t, np.nan)
        oa, ob = a[0] * ox + a[1] * oy + a[2] * oz, b[0] * ox + b[1] * oy + b[2] * oz
        across = a[0] * (x_mm - centre[0]) + a[1] * (y_mm - centre[1]) + a[2] * (z_mm - centre[2]) + t * oa
        up = b[0] * (x_mm - centre[0]) + b[1] * (y_mm - centre[1]) + b[2] * (z_mm - centre[2]) + t * ob
        ra, rb, ton = oa / on, ob / on, t
        pn, qn = n[0] * px + n[1] * py + n[2] * pz, n[0] * qx + n[1] * qy + n[2] * qz
        d_across = (
            ton * (a[0] * px + a[1] * py + a[2] * pz - ra * pn),
            ton * (a[0] * qx + a[1] * qy + a[2] * qz - ra * qn),
        )
        d_up = (
            ton * (b[0] * px + b[1] * py + b[2] * pz - rb * pn),
            ton * (b[0] * qx + b[1] * qy + b[2] * qz - rb * qn),
        )
        if any(board.bend_mm):
            return _bent(Hit(across, up, d_across, d_up), ra, rb, reach, board)
    return Hit(across, up, d_across, d_up)


BEND_POWERS = tuple((n - j, j) for n in (2, 3, 4) for j in range(n + 1))
"""Powers (of u, of v) that go with `Board.bend_mm`."""


def _bulge(a: Array, b: Array, board: Board) -> tuple[Array, Array, Array]:
    """Height of a bent board over its plane at its places, mm, and the slopes of that."""
    ha, hb = board.size_mm[0] / 2, board.size_mm[1] / 2
    # Past its edge the board goes on as it left it: a high power must not run away there.
    u, v = np.clip(a / ha, -1.2, 1.2), np.clip(b / hb, -1.2, 1.2)
    us, vs = [np.ones_like(u), u], [np.ones_like(v), v]
    for _ in range(3):
        us.append(us[-1] * u)
        vs.append(vs[-1] * v)
    w, wa, wb = np.zeros_like(u), np.zeros_like(u), np.zeros_like(u)
    for (i, j), c in zip(BEND_POWERS, board.bend_mm, strict=True):
        w = w + c * us[i] * vs[j]
        if i:
            wa = wa + c * i / ha * us[i - 1] * vs[j]
        if j:
            wb = wb + c * j / hb * us[i] * vs[j - 1]
    return w, wa, wb


def _bent(flat: Hit, ra: Array, rb: Array, reach: Array, board: Board) -> Hit:
    """Hits on a bent board, from those on its plane and the rays' advance on it per mm of height (ra, rb)."""
    a, b = flat.across_mm, flat.up_mm
    for _ in range(3):  # each step gains the bulge's slope, a few per cent
        w, wa, wb = _bulge(a, b, board)
        a, b = flat.across_mm + w * ra, flat.up_mm + w * rb
    # Moving the ray moves the place it meets, and turns it: both count (to first order in the bulge).
    turned = 1 + w / reach
    d_across, d_up = [], []
    for da, db in zip(flat.d_across, flat.d_up, strict=True):
        rise = wa * da + wb * db
        d_across.append(da * turned + rise * ra)
        d_up.append(db * turned + rise * rb)
    return Hit(a, b, (d_across[0], d_across[1]), (d_up[0], d_up[1]))


def distance_to_board(x_mm: float, y_mm: float, *, camera_mm: Array, board: Board) -> float:
    """Length of the reflected ray from a flat panel's point to the board's plane, mm."""
    hit = hit_board(np.array(x_mm), np.array(y_mm), 0.0, 0.0, 0.0, camera_mm=camera_mm, board=board)
    point = board.centre_mm + float(hit.across_mm) * board.across + float(hit.up_mm) * board.up
    return float(np.linalg.norm(point - np.array([x_mm, y_mm, 0.0])))


def fold_curvature(
    camera_distance_mm: float, board_distance_mm: float, *, incidence_rad: float = 0.0
) -> tuple[float, float]:
    """Hollow curvature (1/mm, as a positive number) at which the reflection folds over.

    Parameters
    ----------
    camera_distance_mm, board_distance_mm : float
        Panel to camera, and panel to board along the reflected ray.
    incidence_rad : float
        Angle between the ray and the panel's normal.

    Returns
    -------
    in_plane, cross_plane : float
        (cos t / 2)(1/a + 1/b) in the plane of incidence and (1/a + 1/b)/(2 cos t) across it: Coddington's
        equations for the two focal lines of an oblique pencil.
    """
    vergence = 1 / camera_distance_mm + 1 / board_distance_mm
    return 0.5 * np.cos(incidence_rad) * vergence, 0.5 * vergence / np.cos(incidence_rad)


def fresnel(incidence_rad: Array | float, *, index: float = 1.5) -> Array:
    """Reflectance of a smooth clear surface for unpolarised light (Fresnel's equations).

    Parameters
    ----------
    incidence_rad : float or ndarray
        Angle from the normal, 0 to pi/2.
    index : float
        Refractive index, 1.5 for clear coat.

    Returns
    -------
    ndarray
        Reflected share, 0 to 1.
    """
    cos_i = np.cos(incidence_rad)
    cos_t = np.sqrt(1 - (np.sin(incidence_rad) / index) ** 2)
    rs = (cos_i - index * cos_t) / (cos_i + index * cos_t)
    rp = (index * cos_i - cos_t) / (index * cos_i + cos_t)
    reflectance: Array = np.asarray(0.5 * (rs * rs + rp * rp))
    return reflectance
