"""Many photos of one surface brought into agreement: free starts of their stripes, poses within what their tags allow.

Each photo tells, cell by cell, where on the board it looks. Where photos overlap they must ask for the same slopes;
what they disagree by is a wrong start of the stripes (free, per photo and direction) or a pose that is a little off
(held by its tags). Both are solved for together by least squares, the slopes of each cell eliminated: the bundle
adjustment of photogrammetry (Triggs et al. 2000, from memory) with mirrored rays for rays.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.robust import MAD_TO_SIGMA

__all__ = ["MODES", "Agreement", "Told", "agree", "joint_slopes", "projectors", "reconcile"]

MODES = 6
"""Numbers of a pose."""

START_PRIOR_RAD = 0.5
"""How far the starts of one board's stripes may differ from photo to photo, by poses that are off."""

TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Told:
    """What all directions of all photos tell at some cells; T directions, N cells.

    Attributes
    ----------
    a, b : ndarray (N, T)
        Millimetres on the board per unit of p and of q.
    miss : ndarray (N, T)
        Board place shown less the one expected, mm; 0 where not seen.
    weight : ndarray (N, T)
        1/mm^2; 0 where not seen.
    moved : ndarray (N, T, 6)
        What one standard deviation of each mode of the photo's pose does to `miss`.
    photo : ndarray (T,), int
        Number of the photo of each direction.
    board : ndarray (N, T, B), optional
        What one standard deviation of each mode of the board's pose does to `miss`, where the board may be moved too.
    """

    a: Array
    b: Array
    miss: Array
    weight: Array
    moved: Array
    photo: Array
    board: Array | None = None


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the photos agree.

    Attributes
    ----------
    start_mm : ndarray (T,)
        What to add to each direction's board places.
    pose : ndarray (K, 6)
        What to add to each photo's pose, in standard deviations of its modes.
    off_mrad : ndarray (K,)
        What each photo's slopes differ by from the joint ones where it is not alone, root mean square; NaN where alone.
    covariance : ndarray (6 K, 6 K)
        Of the poses, in the same unit, now that the photos have been held against each other; with a board, (6 K + B,
        6 K + B), of its modes too.
    board : ndarray (B,)
        What to add to the board's pose, in standard deviations of its modes.
    """

    start_mm: Array
    pose: Array
    off_mrad: Array
    covariance: Array
    board: Array = field(default_factory=lambda: np.zeros(0))


def projectors(a: Array, b: Array, weight: Array) -> Array:
    """What of each cell's misses no slope can take, (N, T, T): W - W G (G'WG)^-1 G'W."""
    aa, ab, bb = (np.sum(weight * u * v, 1) for u, v in ((a, a), (a, b), (b, b)))
    ridge = TINY * (aa + bb) + 1e-30
    aa, bb = aa + ridge, bb + ridge
    det = aa * bb - ab * ab
    wa, wb = weight * a, weight * b
    left = (bb[:, None] * wa - ab[:, None] * wb) / det[:, None]
    right = (aa[:, None] * wb - ab[:, None] * wa) / det[:, None]
    out = -(wa[:, :, None] * left[:, None, :] + wb[:, :, None] * right[:, None, :])
    every = np.arange(a.shape[1])
    out[:, every, every] += weight
    return np.asarray(out)


def reconcile(free: Array, miss: Array) -> Array:
    """Starts (T,) that bring the misses (N, T) of `projectors` into agreement, their common part left at zero."""
    normal = free.sum(0)
    right = -np.einsum("itu,iu->t", free, miss)
    normal = normal + 1e-6 * max(float(np.trace(normal)) / len(normal), 1e-30) * np.eye(len(normal))
    return np.linalg.solve(normal, right)


def agree(
    told: Told,
    *,
    before: Array,
    start_rad: Array,
    axis: Array,
    period_mm: float,
    board_before: Array | None = None,
    rounds: int = 3,
) -> Agreement:
    """Bring the photos into agreement.

    Parameters
    ----------
    told : Told
    before : ndarray (K, 6)
        How far the poses have been moved already, in standard deviations.
    start_rad : ndarray (T,)
        Phase of the pattern that each direction has now, which should be the same for one axis of the board.
    axis : ndarray (T,), int
    period_mm : float
    board_before : ndarray (B,), optional
        How far the board has been moved already.
    rounds : int
        Rounds of robust weighting.

    Returns
    -------
    Agreement
    """
    n, t = told.miss.shape
    k = len(before)
    last = t + MODES * k
    design = np.zeros((n, t, last + (0 if told.board is None else told.board.shape[-1])))
    every = np.arange(t)
    design[:, every, every] = 1.0
    for one in range(t):
        at = t + MODES * told.photo[one]
        design[:, one, at : at + MODES] = told.moved[:, one]
    if told.board is not None:
        design[:, :, last:] = told.board
    weight = told.weight
    moved = before.ravel() if board_before is None else np.r_[before.ravel(), board_before]
    prior, pull = _prior(moved, start_rad, axis, period_mm)
    for _ in range(rounds):
        free = projectors(told.a, told.b, weight)
        projected = free @ design
        normal = np.tensordot(design, projected, ((0, 1), (0, 1))) + prior
        right = -np.tensordot(projected, told.miss, ((0, 1), (0, 1))) + pull
        found = np.linalg.solve(normal, right)
        left = told.miss + design @ found
        p, q = _slopes(told.a, told.b, weight, left)
        rest = left - told.a * p[:, None] - told.b * q[:, None]
        # A photo that does not belong must not bend the others: Cauchy's weights.
        seen = told.weight > 0
        usual = max(
            MAD_TO_SIGMA * float(np.median(np.abs(rest[seen]))) if seen.any() else 0.0, 1e-4 * period_mm
        )
        weight = told.weight / (1 + (rest / (3 * usual)) ** 2)
    covariance = np.linalg.inv(normal)[t:, t:]
    return Agreement(
        found[:t], found[t:last].reshape(k, MODES), _off(told, rest, k), covariance, found[last:]
    )


def _prior(before: Array, start_rad: Array, axis: Array, period_mm: float) -> tuple[Array, Array]:
    """Poses by what is known of them; starts by being one board's."""
    t = len(start_rad)
    weight = np.r_[np.zeros(t), np.ones(before.size)]
    pull = np.r_[np.zeros(t), -before]
    per_mm = 2 * np.pi / period_mm
    for one in np.unique(axis):
        mine = axis == one
        common = np.angle(np.mean(np.exp(1j * start_rad[mine])))
        # A start moved by c mm lets the pattern's phase go down by c/period.
        off = np.angle(np.exp(1j * (start_rad[mine] - common))) / per_mm
        weight[:t][mine] = (per_mm / START_PRIOR_RAD) ** 2
        pull[:t][mine] = off * weight[:t][mine]
    return np.diag(weight), pull


def _slopes(a: Array, b: Array, weight: Array, miss: Array) -> tuple[Array, Array]:
    aa, ab, bb = (np.sum(weight * u * v, 1) for u, v in ((a, a), (a, b), (b, b)))
    ra, rb = np.sum(weight * a * miss, 1), np.sum(weight * b * miss, 1)
    ridge = TINY * (aa + bb) + 1e-30
    det = (aa + ridge) * (bb + ridge) - ab * ab
    return ((bb + ridge) * ra - ab * rb) / det, ((aa + ridge) * rb - ab * ra) / det


def _off(told: Told, rest: Array, photos: int) -> Array:
    """Slopes by which each photo differs from all, mrad, over cells that another photo sees too."""
    out = np.full(photos, np.nan)
    lever = np.hypot(told.a, told.b)
    total = told.weight.sum(1)
    for k in range(photos):
        mine = told.photo == k
        own = told.weight[:, mine]
        shared = (own.sum(1) > 0) & (total - own.sum(1) > 0.2 * own.sum(1))
        if shared.sum() < 10:
            continue
        slope = (rest[:, mine] / np.maximum(lever[:, mine], 1e-9))[shared]
        w = own[shared]
        out[k] = 1e3 * float(np.sqrt(np.sum(w * slope**2) / np.sum(w)))
    return out


def joint_slopes(sums: Array, *, least: float = 0.02) -> tuple[Array, Array]:
    """Slopes from the normal equations of each cell.

    Parameters
    ----------
    sums : ndarray (5, H, W)
        Sums over all directions of w a a, w a b, w b b, w a miss, w b miss.
    least : float
        Determinant, against that of two directions at right angles, under which one direction is missing.

    Returns
    -------
    dp, dq : ndarray (H, W)
        NaN where the photos do not tell both.
    """
    aa, ab, bb, ra, rb = sums
    det = aa * bb - ab * ab
    with np.errstate(divide="ignore", invalid="ignore"):
        told = det > least * (0.5 * (aa + bb)) ** 2
        return np.where(told, (bb * ra - ab * rb) / det, np.nan), np.where(
            told, (aa * rb - ab * ra) / det, np.nan
        )
