"""One surface laid over another by the tags, and by what has not changed.

A check knows its surface but for what its set-up leaves free: where the tags were laid (a shift and a turn in the
panel's plane), height and tilt, and the low-order bend of a board or camera a little out of place. So the second
surface is taken as the first one, moved, plus a low-order surface, plus what was done to the panel; and what was
done is kept out of the fit by weights that give up on a cell as its difference leaves the common one (graduated
from coarse to fine, so that a build of millimetres pulls on neither).

The tags' places are prior knowledge of the move. Only when the surface contradicts them beyond chance are they
taken to have been moved, and the move is then found from the surface alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.change.sampler import Sampler
from surfscan.core.records import Array, Grid, HeightMap
from surfscan.core.robust import robust_spread
from surfscan.surface.slopes import polynomial_terms

__all__ = ["TAG_MM", "Registration", "register"]

TAG_MM = 0.3
"""Standard uncertainty of a laid tag's coordinate where a result does not state it: the sheet's default."""

MOVED_MM = 15.0
"""Standard deviation of a shift of tags that were taken off and laid again by eye (our choice)."""

MOVED_RAD = 0.03
"""The same for a turn."""

CHANCE = 11.34
"""Chi-squared of three degrees of freedom, 1 %: tags are called moved beyond this (any statistics handbook)."""

WAVE_MM = 80.0
"""Cells nearer than this are one observation: errors of a map, and waves, are alike over about this distance."""

CELLS = 4000
"""About how many cells the fit uses."""

ORDER = 2
"""Order of the low-order surface that set-ups may differ by."""

NEAR_MM = 0.06
"""Cells agree on a plane within this: more than two set-ups bend a map, less than filler."""

PULL = 0.3
"""Share of the cells by which a plane off the tags' own has to win (our choice): enough that a skim over six tenths
of the panel is not taken for the old surface, not so much that a tag standing on filler decides against the rest."""

WIDE_MM = 0.06
"""First width of the fit: a crown twisted by tags laid again differs by this from a plane."""

STARTS_MM = (WIDE_MM, 0.2 * WIDE_MM)
"""Widths that the fit is started from: the wide one finds moved tags and bends, the narrow one is not led astray by a
build that runs out smoothly over most of the panel. What more cells agree with is kept."""

STIFF_MM = 0.05
"""While the fit is wider than this, no bend is fitted: else it would follow a build that is itself one large bend."""

LEAST_MM = 0.001
"""What two maps of an unchanged panel differ by at best; twice this is the last width of the fit."""


@dataclass(frozen=True, slots=True)
class Registration:
    """How the first surface lies under the second.

    Attributes
    ----------
    x_mm, y_mm : float
        Where the first pass's origin lies against the second's: a place r of the second is R r + (x, y) of the first.
    turn_mrad : float
        Angle of R, anticlockwise.
    covariance : ndarray (3, 3)
        Of (x, y, turn), in mm and rad.
    moved : bool
        The tags were found, or said, to have been moved.
    tag_mm : float
        Standard uncertainty of the tags' common place that was assumed, mm.
    mirrored : bool
        The first surface is read mirrored (x to -x).
    spread_mm : float
        Robust spread of the difference on unchanged surface, mm.
    unchanged : float
        Share of the common cells that were taken for unchanged, 0 to 1.
    bend : ndarray (6,)
        Low-order surface between both over scaled places: constant, x, y, xx, xy, yy, mm at `reach_mm`.
    reach_mm : float
    """

    x_mm: float
    y_mm: float
    turn_mrad: float
    covariance: Array
    moved: bool
    tag_mm: float
    mirrored: bool
    spread_mm: float
    unchanged: float
    bend: Array
    reach_mm: float

    def places(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Where places of the second surface lie on the first (before mirroring), mm."""
        return _carried(x, y, np.array([self.x_mm, self.y_mm, 1e-3 * self.turn_mrad]))

    def row(self) -> dict[str, float]:
        """Shift and turn with their standard uncertainties, as results list them."""
        u_x, u_y, u_turn = (float(np.sqrt(self.covariance[k, k])) for k in range(3))
        return {
            "x_mm": self.x_mm,
            "y_mm": self.y_mm,
            "turn_mrad": self.turn_mrad,
            "u_x_mm": u_x,
            "u_y_mm": u_y,
            "u_turn_mrad": 1e3 * u_turn,
        }

    def surface(self, x: Array, y: Array) -> Array:
        """The low-order surface at places of the second, mm."""
        return np.asarray(polynomial_terms(x / self.reach_mm, y / self.reach_mm, ORDER) @ self.bend)


def register(
    first: HeightMap,
    second: HeightMap,
    *,
    tag_mm: float = TAG_MM,
    tags: int = 4,
    moved: bool | None = None,
    mirrored: bool = False,
) -> Registration:
    """Lay a first surface under a second.

    Parameters
    ----------
    first, second : HeightMap
    tag_mm : float
        Standard uncertainty of each tag's coordinates, of both passes together, mm.
    tags : int
        How many tags were laid.
    moved : bool, optional
        Whether the tags were taken off and laid again; found out when not given.
    mirrored : bool
        Read the first surface as the car's other side.

    Returns
    -------
    Registration

    Raises
    ------
    ValueError
        When fewer than 50 cells of the fit's thinned grid are measured in both.
    """
    sampler = Sampler(first, mirrored=mirrored)
    few = _thin(second)
    reach = float(max(np.abs(second.grid.x_mm).max(), np.abs(second.grid.y_mm).max()))
    common = np.isfinite(sampler.heights(few.x, few.y))
    if common.sum() < 50:
        raise ValueError("fewer than 50 common cells")
    place = tag_mm / np.sqrt(max(tags, 1))
    tight = np.array([place, place, place / (0.7 * reach)])
    loose = np.array([MOVED_MM, MOVED_MM, MOVED_RAD])
    start = _consensus(few, sampler, reach)
    if moved is None:
        free = _best_fit(few, sampler, reach, loose, start)
        information = np.linalg.inv(free.covariance) - np.diag(1 / loose**2)
        # How far the move found lies outside what the tags and the fit allow, where the surface tells it at all.
        alone = free.covariance + np.diag(tight**2)
        told = free.move @ np.linalg.solve(alone, free.move) if np.trace(information) > 0 else 0.0
        moved = bool(told > CHANCE)
    fit = _best_fit(few, sampler, reach, loose if moved else tight, start)
    return Registration(
        x_mm=float(fit.move[0]),
        y_mm=float(fit.move[1]),
        turn_mrad=float(1e3 * fit.move[2]),
        covariance=fit.covariance,
        moved=moved,
        tag_mm=place,
        mirrored=mirrored,
        spread_mm=fit.spread,
        unchanged=fit.unchanged,
        bend=fit.bend,
        reach_mm=reach,
    )


@dataclass(frozen=True, slots=True)
class _Few:
    """Cells of the second surface that the fit uses, in a row."""

    x: Array
    y: Array
    z: Array
    step_mm: float


@dataclass(frozen=True, slots=True)
class _Fit:
    move: Array
    covariance: Array
    bend: Array
    spread: float
    unchanged: float
    agreed: float


def _thin(height: HeightMap) -> _Few:
    grid: Grid = height.grid
    whole = height.height_mm + height.form_mm
    skip = max(1, int(np.sqrt(np.isfinite(whole).sum() / CELLS)))
    cut = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    x, y = (a[cut] for a in np.meshgrid(grid.x_mm, grid.y_mm))
    known = np.isfinite(whole[cut])
    return _Few(x[known], y[known], whole[cut][known], grid.step_mm * skip)


def _carried(x: Array, y: Array, move: Array) -> tuple[Array, Array]:
    c, s = np.cos(move[2]), np.sin(move[2])
    return c * x - s * y + move[0], s * x + c * y + move[1]


def _consensus(few: _Few, sampler: Sampler, reach: float) -> Array:
    """The plane between both that most cells agree on; of equals, the nearest to the tags' own.

    Random planes through three cells each (random sample consensus, Fischler and Bolles 1981). The tags' plane
    itself is tried first, and a plane far from it has to win by a third of the cells: where filler of one thickness
    covers most of the panel, the tags tell what is old and what is new.
    """
    gap = few.z - sampler.heights(few.x, few.y)
    known = np.isfinite(gap)
    x, y, gap = few.x[known] / reach, few.y[known] / reach, gap[known]
    terms = np.stack([np.ones_like(x), x, y], -1)
    rng = np.random.default_rng(0)  # the same planes for the same maps: a result must not depend on luck
    best, score = np.zeros(3), float(np.sum(np.abs(gap) < NEAR_MM))
    for _ in range(400):
        three = rng.choice(gap.size, 3, replace=False)
        if abs(np.linalg.det(terms[three])) < 0.02:
            continue
        plane = np.linalg.solve(terms[three], gap[three])
        far = float(np.sqrt(np.mean((terms @ plane) ** 2)))
        agreed = np.sum(np.abs(gap - terms @ plane) < NEAR_MM) - PULL * gap.size * min(1.0, far / 0.1)
        if agreed > score:
            best, score = plane, float(agreed)
    return best


def _best_fit(few: _Few, sampler: Sampler, reach: float, prior: Array, start: Array) -> _Fit:
    """The fit that most cells agree with, from each width to start with."""
    fits = [_fit(few, sampler, reach, prior, start, width) for width in STARTS_MM]
    return max(fits, key=lambda fit: fit.agreed)


def _fit(few: _Few, sampler: Sampler, reach: float, prior: Array, start: Array, width: float) -> _Fit:
    """Move and low-order surface together, by Gauss-Newton under a weight that narrows."""
    terms = polynomial_terms(few.x / reach, few.y / reach, ORDER)
    bend = np.zeros(terms.shape[1])
    bend[:3] = start
    move = np.zeros(3)
    inverse = np.diag(1 / prior**2)
    spread, agreed = width, 0.0
    covariance, unchanged = np.diag(prior**2), 0.0
    for turn in range(40):
        u, v = _carried(few.x, few.y, move)
        below = sampler.heights(u, v)
        miss = few.z - below - terms @ bend
        known = np.isfinite(miss)
        miss, t = np.where(known, miss, 0.0), terms
        weight = np.where(known, np.exp(-0.5 * (miss / (2 * width)) ** 2), 0.0)
        close = known & (np.abs(miss) < 3 * width)
        if close.sum() < 30:
            break
        spread = max(float(robust_spread(miss[close])), LEAST_MM)
        unchanged = float(close.sum() / known.sum())
        agreed = float(np.sum(np.exp(-0.5 * (miss[known] / (4 * LEAST_MM)) ** 2)))
        gx, gy = sampler.slopes(u, v)
        by_move = np.stack([gx, gy, -gx * (v - move[1]) + gy * (u - move[0])], -1)
        free = t if width < STIFF_MM else t[:, :3]
        design = np.concatenate([by_move, free], -1)
        # Neighbours are one observation, not many: the information is thinned to one cell a wave.
        share = min((few.step_mm / WAVE_MM) ** 2, 1.0) / spread**2
        weighted = design * weight[:, None]
        normal = share * np.einsum("ni,nj->ij", weighted, design)
        right = share * np.einsum("ni,n->i", weighted, miss)
        normal[:3, :3] += inverse
        right[:3] -= inverse @ move
        normal[3:, 3:] += 1e-9 * np.eye(free.shape[1]) * np.trace(normal[3:, 3:])
        step = np.linalg.solve(normal, right)
        covariance = np.linalg.inv(normal)[:3, :3]
        move = move + step[:3]
        bend[: free.shape[1]] += step[3:]
        still = np.abs(step[:2]).max() < 0.002 and abs(step[2]) < 1e-5
        if turn % 3 == 2 or still:
            least = max(1.5 * spread, 2 * LEAST_MM)
            if width <= least and still:
                break
            width = max(0.5 * width, least)
    return _Fit(move, covariance, bend, spread, unchanged, agreed)
