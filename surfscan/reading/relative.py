"""Highs and lows without a scale: from the bend of a reflected pattern alone.

A stripe's phase on a fair panel runs smoothly over the picture; what it is off by is a displacement of the reflection.
To first order that is ``-G * L * grad z``: G lumps the unknown distances together, and L is what a slanted view
does to both slopes (cos of the incidence across the plane of incidence, its inverse within). In the photo's own pixels
L is the same both ways, because foreshortening makes up for it, so no camera is needed there either.

The sign is told by the pattern itself: a flat or crowned panel shows its reflection the right way round, and there
a hollow spreads the stripes and a bump crowds them, whichever way the board runs. Only a panel hollow past
its own focus would turn both round; that assumption is the caller's to state.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from surfscan.core.errors import NotMeasuredError
from surfscan.core.poisson import label_islands
from surfscan.core.records import Array
from surfscan.phase.dots import find_blobs, number_lattice
from surfscan.surface.integrate import integrate_slopes
from surfscan.surface.slopes import evaluate_polynomial, fit_polynomial, polynomial_terms

__all__ = ["Bend", "bend_of_dots", "bend_of_phase", "height_of_bends"]

CARRIER_ORDER = 4
"""Order of the fair course of the phase: a plane in perspective, and a crown, stay within a thousandth of a stripe."""

SPACINGS_PX = (7.0, 10.0, 14.0, 20.0, 28.0, 40.0, 56.0, 80.0)
"""Dot spacings looked for."""

FEWEST_DOTS = 30

SAME_WAY = 0.5
"""Sine of the angle between both patterns' directions under which they tell the same slope twice."""

SLIPPED = 1.5
"""Step of the phase from cell to cell, beyond the course's own, that no slope makes: the stripes were followed wrongly
there (a stripe that folds over, or stands so wide that another was taken for it), radians."""

ALONE = 0.2
"""Weight of slopes that one photo alone tells."""

RIM = 0.3
"""Width along the rim of what was seen, in stripes, that is not drawn: half a window is missing there."""


@dataclass(frozen=True, slots=True)
class Bend:
    """What one pattern tells: ``direction . grad z = slope``, in cells and in a unit of its own.

    Attributes
    ----------
    direction : ndarray (2, H, W)
        Along columns and rows of the picture.
    slope : ndarray (H, W)
        NaN where not told.
    period_cells : float
        Median stripe period (or dot spacing), in cells.
    wobble : float
        Standard deviation of the displacement (in periods) that is no shape: what the phase's own noise makes.
    """

    direction: Array
    slope: Array
    period_cells: float
    wobble: float


def _axes(shape: tuple[int, ...]) -> tuple[Array, Array, float]:
    """Scaled places of columns and rows, within 1, and the cells that 1 stands for."""
    reach = max(shape) / 2
    h, w = shape
    return (np.arange(w) - (w - 1) / 2) / reach, (np.arange(h) - (h - 1) / 2) / reach, reach


def _carrier(x: Array, y: Array, phase: Array, shape: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """Fair course of a phase known at places (N,) in cells, with its gradient per cell, on the grid (H, W)."""
    xs, ys, reach = _axes(shape)
    h, w = shape
    skip = max(1, phase.size // 6000)
    scaled = (x - (w - 1) / 2) / reach, (y - (h - 1) / 2) / reach
    order = CARRIER_ORDER if phase.size >= 200 else 3
    found = fit_polynomial(scaled[0][::skip], scaled[1][::skip], phase[::skip], order, rounds=12)
    course = evaluate_polynomial(found, xs, ys, order)
    down, across = np.gradient(course)
    return course, across, down


def _straight(across: Array, down: Array, lean: Array | None) -> tuple[Array, Array]:
    """Direction that the displacement's share along the carrier tells, and the carrier's gradient."""
    size = np.hypot(across, down)
    unit = np.stack([across, down]) / np.maximum(size, 1e-12)
    if lean is None:
        return unit, size
    return np.stack([lean[0] * unit[0] + lean[1] * unit[1], lean[1] * unit[0] + lean[2] * unit[1]]), size


def bend_of_phase(
    phase_rad: Array, valid: Array, *, sigma_rad: float = 0.0, lean: Array | None = None
) -> Bend:
    """Read the bend of a continuous phase.

    Parameters
    ----------
    phase_rad : ndarray (H, W)
        Continuous over the largest part of `valid`; its direction of growth does not matter.
    valid : ndarray (H, W), bool
    sigma_rad : float
        Noise of the phase.
    lean : ndarray (3, H, W), optional
        L as (columns, mixed, rows); the unit matrix without it: a photo's own pixels.

    Returns
    -------
    Bend

    Raises
    ------
    NotMeasuredError
        When hardly anything is valid.
    """
    main = _main(valid & np.isfinite(phase_rad))
    row, column = np.nonzero(main)
    course, across, down = _carrier(column.astype(float), row.astype(float), phase_rad[main], phase_rad.shape)
    direction, size = _straight(across, down, lean)
    period = 2 * np.pi / float(np.median(size[main]))
    main = _main(main & ~_slipped(phase_rad - course, period))
    reach = 2 * max(1, round(RIM * period)) + 1
    inner = cv2.erode(main.astype(np.uint8), np.ones((reach, reach), np.uint8), borderValue=0) > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.where(inner, -(phase_rad - course) / size, np.nan)
    return Bend(direction, slope, period, sigma_rad / (2 * np.pi))


def _main(seen: Array) -> Array:
    """The largest part."""
    count, labels = label_islands(seen)
    main = labels == 1
    if count == 0 or main.sum() < 400:
        raise NotMeasuredError(
            "no stripes in this photo can be followed",
            found=f"{int(main.sum())} places",
            cure="place the board so that the whole panel reflects it, and look at the reflection's focus",
            allowed="stripes that run over the panel",
        )
    return np.asarray(main)


def _slipped(off: Array, period: float) -> Array:
    """Half a stripe around every jump of the phase."""
    jump = np.zeros(off.shape, np.uint8)
    for axis in (0, 1):
        wide = np.abs(np.nan_to_num(np.diff(off, axis=axis))) > SLIPPED
        jump[(slice(1, None), slice(None)) if axis == 0 else (slice(None), slice(1, None))] |= wide
    reach = 2 * max(1, round(0.5 * period)) + 1
    return np.asarray(cv2.dilate(jump, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))) > 0)


def bend_of_dots(
    image: Array, usable: Array, *, lean: Array | None = None
) -> tuple[tuple[Bend, Bend], Array]:
    """Read both bends of one photo of a lattice of dots.

    Parameters
    ----------
    image : ndarray (H, W), float32
        Linear light, the lattice roughly upright in it.
    usable : ndarray (H, W), bool
    lean : ndarray (3, H, W), optional
        As in `bend_of_phase`.

    Returns
    -------
    bends : pair of Bend
    places : ndarray (N, 2)
        Column and row of the dots that were numbered.

    Raises
    ------
    NotMeasuredError
        Without a lattice.
    """
    best = None
    for spacing in SPACINGS_PX:
        blobs = find_blobs(image, usable, spacing_px=spacing)
        if blobs.column.size < FEWEST_DOTS:
            continue
        own = _spacing(blobs.column, blobs.row)
        number, known = number_lattice(blobs.column, blobs.row, spacing=own)
        if known.sum() >= FEWEST_DOTS and (best is None or known.sum() > 1.05 * best[2].sum()):
            best = blobs, number, known
    if best is None:
        raise NotMeasuredError(
            "no lattice of dots in this photo",
            cure="place the board so that the whole panel reflects it, and look at the reflection's focus",
            found="dots in no even rows, or none",
            allowed="dots that run over the panel",
        )
    blobs, number, known = best
    x, y, at = blobs.column[known], blobs.row[known], 2 * np.pi * number[known].astype(float)
    bends = []
    for axis in (0, 1):
        course, across, down = _carrier(x, y, at[:, axis], image.shape)
        direction, size = _straight(across, down, lean)
        place = np.rint(y).astype(int), np.rint(x).astype(int)
        off = -(at[:, axis] - _at(course, x, y)) / size[place]
        period = 2 * np.pi / float(np.median(size[place]))
        bends.append(Bend(direction, _filled(x, y, off, image.shape, period), period, 0.01))
    return (bends[0], bends[1]), np.stack([x, y], -1)


def _spacing(column: Array, row: Array) -> float:
    """Median distance to the fourth neighbour at most, the first of a square lattice."""
    from scipy.spatial import cKDTree

    points = np.stack([column, row], -1)
    return float(np.median(cKDTree(points).query(points, k=3)[0][:, 1:].mean(1)))


def _at(value: Array, x: Array, y: Array) -> Array:
    return cv2.remap(value, x.astype(np.float32)[None], y.astype(np.float32)[None], cv2.INTER_LINEAR).ravel()


def _filled(x: Array, y: Array, value: Array, shape: tuple[int, ...], period: float) -> Array:
    """Scattered values carried to a grid by Gaussians of 0.4 spacings, and of 0.8 where a hollow spreads the dots;
    NaN away from any dot."""
    total, weight = np.zeros(shape), np.zeros(shape)
    row, column = np.rint(y).astype(int), np.rint(x).astype(int)
    np.add.at(total, (row, column), value)
    np.add.at(weight, (row, column), 1.0)
    out = np.full(shape, np.nan)
    for sigma in (0.4 * period, 0.8 * period):
        near, share = (np.asarray(cv2.GaussianBlur(v, (0, 0), sigma), float) for v in (total, weight))
        # One dot's own weight at half a spacing's diagonal: closer cells have a dot beside them.
        least = np.exp(-0.5 * (0.71 / 0.4) ** 2) / (2 * np.pi * sigma**2)
        out = np.where(np.isnan(out) & (share > least), near / np.maximum(share, 1e-30), out)
    return out


def height_of_bends(bends: list[Bend]) -> tuple[Array, bool]:
    """Put bends together to a height in a unit of its own.

    Parameters
    ----------
    bends : list of Bend
        One or more, on one grid; the first two that tell different slopes count.

    Returns
    -------
    height : ndarray (H, W)
        NaN where not told; only the largest part is given.
    one_way : bool
        Only one slope was told: what fills most of a line across it goes unseen.

    Raises
    ------
    NotMeasuredError
        When two bends have hardly a place in common.
    """
    for pair in combinations(bends, 2):
        (a, b), (c, d) = pair[0].direction, pair[1].direction
        both = np.isfinite(pair[0].slope) & np.isfinite(pair[1].slope)
        det = a * d - b * c
        sine = np.abs(det) / np.maximum(np.hypot(a, b) * np.hypot(c, d), 1e-12)
        if both.sum() >= 400 and np.median(sine[both]) > SAME_WAY:
            u, v = pair[0].slope, pair[1].slope
            p, q = (u * d - v * b) / det, (a * v - c * u) / det
            p, q, weight = _filled_by_one(pair, p, q)
            height, _ = integrate_slopes(p, q, step_mm=1.0, weight=weight, tolerance=1e-5)
            return _largest(height), False
    return _one_way(max(bends, key=lambda one: int(np.isfinite(one.slope).sum()))), True


def _filled_by_one(bends: tuple[Bend, ...], p: Array, q: Array) -> tuple[Array, Array, Array]:
    """Slopes where one photo alone tells, from its own height: a low that folds the stripes one way keeps the other."""
    p, q = p.copy(), q.copy()
    told = np.isfinite(p) & np.isfinite(q)
    weight = told.astype(float)
    for bend in bends:
        alone = np.isfinite(bend.slope) & (weight == 0)
        if alone.sum() < 0.002 * told.sum():
            continue
        down, across = np.gradient(_one_way(bend))
        alone &= np.isfinite(down) & np.isfinite(across)
        p[alone], q[alone], weight[alone] = across[alone], down[alone], ALONE
    return p, q, weight


def _one_way(bend: Bend) -> Array:
    from surfscan.reading.lines import (
        ORDER,
        POWERS,
        carried,
        fit_course,
        integrate_lines,
        lay_lines,
        smooth_mixing,
        trace_lines,
    )

    known = np.isfinite(bend.slope)
    flat = np.median(np.abs(bend.direction[0][known])) >= np.median(np.abs(bend.direction[1][known]))

    def lay(value: Array) -> Array:
        return np.ascontiguousarray(value if flat else value.T)

    main, cross = (bend.direction[0], bend.direction[1]) if flat else (bend.direction[1], bend.direction[0])
    xs, ys, reach = _axes(bend.slope.shape)
    x, y = np.meshgrid(xs, ys)
    s, t = (lay(x), lay(y)) if flat else (lay(y), lay(x))
    valid = lay(known)
    told = np.where(valid, np.nan_to_num(lay(bend.slope / main)), 0.0)
    mixed = smooth_mixing(np.nan_to_num(lay(cross / main)), valid, s, t)
    course = fit_course(s, t, told, mixed, valid, 0.0, reach)
    there, back = trace_lines(mixed)
    lines = integrate_lines(carried(told, there), carried(valid.astype(float), there) > 0.999, 1.0)
    lean_s, lean_t = carried(s, there), carried(t, there)
    free = [k for k, (i, _) in enumerate(POWERS) if i == 0]
    own, _ = lay_lines(
        lines, lean_s, lean_t, polynomial_terms(lean_s, lean_t, ORDER)[..., free] @ course[free]
    )
    on = (lines.run >= 0).astype(float)
    seen = (carried(on, back) > 0.999) & valid
    height = np.where(seen, carried(own * on, back), np.nan)
    return _largest(height if flat else height.T)


def _largest(height: Array) -> Array:
    _, labels = label_islands(np.isfinite(height))
    return np.where(labels == 1, height, np.nan)
