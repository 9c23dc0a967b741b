"""The first guess of a panel's crown, from the local stripe frequencies of its photos."""

from __future__ import annotations

import numpy as np

from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.records import Array, Board
from surfscan.core.robust import robust_spread
from surfscan.optics.mirror import hit_board
from surfscan.phase.carrier import Tiles

__all__ = ["check_stripes", "fit_crown", "predict_frequency"]

SPACING_KNOWN = 1.3
"""How much finer or coarser than predicted the stripes may be when the tags tell the crown: dents and a crown that
changes across the panel stay well within."""

SPACING_FREE = 3.0
"""The same without tags, where the crown is not known beforehand."""

LEAST_STRENGTH = 0.15
"""Share of a tile's alternating power in its strongest peak, below which there are no stripes in it."""


def predict_frequency(
    x: Array, y: Array, curvature: Array, *, camera_mm: Array, board: Board, varies: str, step_mm: float = 2.0
) -> tuple[Array, Array]:
    """Stripe frequency that a panel z = (a x^2 + 2 b x y + c y^2)/2 + cubic terms would show, cycles per mm.

    Parameters
    ----------
    x, y : ndarray (N,)
        Panel places, mm.
    curvature : ndarray (3,)
        z_xx, z_xy, z_yy in 1/mm.
    camera_mm, board, varies
        The geometry and which board axis the stripes vary along.
    step_mm : float
        Half length of the central difference.

    Returns
    -------
    fx, fy : ndarray (N,)
    """
    a, b, c = curvature

    def place(px: Array, py: Array) -> Array:
        z = 0.5 * (a * px * px + 2 * b * px * py + c * py * py)
        hit = hit_board(px, py, z, a * px + b * py, b * px + c * py, camera_mm=camera_mm, board=board)
        return hit.place(varies)

    scale = 1 / (2 * step_mm * board.period_mm)
    return (
        (place(x + step_mm, y) - place(x - step_mm, y)) * scale,
        (place(x, y + step_mm) - place(x, y - step_mm)) * scale,
    )


def check_stripes(
    tiles: Tiles, predicted: dict[str, tuple[Array, Array]], *, varies: str, file: str, crown_known: bool
) -> None:
    """Refuse a photo whose stripes are missing, vary along the other board axis, or are of another spacing.

    Parameters
    ----------
    tiles : Tiles
        Frequencies in cycles per mm.
    predicted : dict of axis name to (fx, fy)
        What each board axis would show at the tile centres.
    varies : str
        The axis that the sheet states.
    file : str
    crown_known : bool
        Whether the prediction knows the panel's crown (from the tags); without, a crown may change the spacing.

    Raises
    ------
    NotMeasuredError
        No stripes.
    RefusedError
        The wrong axis, or a spacing that the sheet's board can't show.
    """
    other = "up" if varies == "across" else "across"

    def turned(axis: str) -> Array:
        gx, gy = predicted[axis]
        cross = np.abs(tiles.fx * gy - tiles.fy * gx)
        dot = np.abs(tiles.fx * gx + tiles.fy * gy)
        return np.asarray(np.arctan2(cross, dot))

    def ratio(axis: str) -> Array:
        return np.asarray(np.hypot(tiles.fx, tiles.fy) / np.maximum(np.hypot(*predicted[axis]), 1e-12))

    own, crossed = turned(varies), turned(other)
    # Noise has a strongest peak too, but anywhere: stripes lie along one of the board's axes and near its period.
    likely = np.minimum(
        np.where(own < np.radians(35), ratio(varies), np.inf),
        np.where(crossed < np.radians(35), ratio(other), np.inf),
    )
    clear = (tiles.strength > LEAST_STRENGTH) & (likely < 5)
    if clear.sum() < max(3, 0.25 * clear.size):
        raise NotMeasuredError(
            f"{file}: no stripes in the judged region",
            found=f"stripes in {int(clear.sum())} of {clear.size} places looked at",
            cure="place the board so that the whole panel reflects it; if it does, wet the panel or shade it",
            allowed="stripes over most of the judged region",
        )
    if np.median(own[clear]) > np.median(crossed[clear]) + np.radians(15):
        raise RefusedError(
            f"{file}: its stripes vary along the board's {other!r} axis",
            found=f"varies = {varies!r} in the sheet",
            cure="correct `varies`, or check that the two photos are not swapped",
            allowed="stripes along the axis that the sheet names",
        )
    finer = float(np.median(ratio(varies)[clear]))
    most = SPACING_KNOWN if crown_known else SPACING_FREE
    if not 1 / most < finer < most:
        raise RefusedError(
            f"{file}: the sheet's board would show other stripes",
            found=f"stripes {finer:.2f} times as fine as board.period_mm and the board's place say",
            allowed=f"{1 / most:.2f} to {most:.2f} times",
            cure="measure board.period_mm (a whole period: one dark and one light stripe) and board.centre_mm again",
        )


def fit_crown(sets: list[tuple[Array, Array, Tiles, Array, str]], *, board: Board, start: Array) -> Array:
    """Fit the crown's three curvatures to the tile frequencies of all photos.

    Parameters
    ----------
    sets : list of (x, y, tiles, camera_mm, varies)
        Tile centres in mm, frequencies in cycles per mm.
    board : Board
    start : ndarray (3,)
        First guess, 1/mm.

    Returns
    -------
    ndarray (3,)
        z_xx, z_xy, z_yy in 1/mm. A curvature that no photo shows stays at its start.
    """
    scale = 1e-4
    value = start / scale

    def residual(v: Array) -> tuple[Array, Array]:
        misses, weights = [], []
        for x, y, tiles, camera_mm, varies in sets:
            gx, gy = predict_frequency(x, y, v * scale, camera_mm=camera_mm, board=board, varies=varies)
            sign = np.where(gx * tiles.fx + gy * tiles.fy < 0, -1.0, 1.0)
            typical = np.nanmedian(np.hypot(gx, gy)) + 1e-12
            misses.append(np.nan_to_num(np.r_[sign * tiles.fx - gx, sign * tiles.fy - gy]) / typical)
            weights.append(np.tile(np.where(tiles.strength > LEAST_STRENGTH, tiles.strength, 0), 2))
        return np.concatenate(misses), np.concatenate(weights)

    for _ in range(12):
        miss, weight = residual(value)
        spread = max(float(robust_spread(miss[weight > 0])), 0.01) if (weight > 0).any() else 1.0
        root = np.sqrt(weight / np.hypot(1, miss / spread) ** 2)
        jacobian = np.stack([(residual(value + 0.05 * e)[0] - miss) / 0.05 for e in np.eye(3)], 1)
        design = np.vstack([jacobian * root[:, None], 1e-3 * np.eye(3)])
        step = np.linalg.lstsq(design, np.r_[-miss * root, np.zeros(3)], rcond=None)[0]
        value = value + np.clip(step, -3, 3)
        if np.abs(step).max() < 1e-3:
            break
    return np.asarray(value * scale)
