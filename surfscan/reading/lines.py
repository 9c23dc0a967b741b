"""Lines along which one photo of stripes tells the height, each up to a constant of its own.

The photo mixes the two slopes, so the lines lean. The constants are chosen so that the greater part of each line,
and of its step to the next, is fair (robustly, by least absolute deviation).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_array, csc_array, diags_array
from scipy.sparse.linalg import splu

from surfscan.core.errors import NotMeasuredError
from surfscan.core.records import Array
from surfscan.core.robust import robust_spread
from surfscan.surface.slopes import fit_polynomial, polynomial_terms

__all__ = [
    "ORDER",
    "POWERS",
    "Lines",
    "carried",
    "fit_course",
    "integrate_lines",
    "lay_lines",
    "smooth_mixing",
    "trace_lines",
]

ORDER = 4
"""Order of the fair surface that the lines are laid on; its terms across the lines alone stay free."""

POWERS = [(n - j, j) for n in range(ORDER + 1) for j in range(n + 1)]
"""Powers along and across the lines, in the order of `polynomial_terms`."""

SOFT = 0.01
"""Slope noise over the freedom (mm at the rim) of the fair surface's terms across the lines."""

ANCHOR = 0.4
"""Weight of a line's agreement with the fair surface against that with its neighbours."""

ATTRIBUTED = 0.04
"""Share of the deepest faults that the lines' constants may have taken up, as a standard uncertainty: reading the
known panels by either of their photos alone leaves errors of up to 14 um where the deepest fault is 350 um."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Height along the lines and the runs it is known on.

    Attributes
    ----------
    height : ndarray (H, W)
        Integrated along the lines, zero mean on each run; 0 where not measured.
    run : ndarray (H, W), int
        Number of the unbroken run of cells, from 0; -1 where not measured.
    count : int
    """

    height: Array
    run: Array
    count: int


LARGEST_PX = 32767
"""Sides that OpenCV's remap takes."""


def smooth_mixing(mixing: Array, valid: Array, s: Array, t: Array) -> Array:
    """The mixing of the slopes as a smooth field, everywhere."""
    pick = np.zeros(valid.shape, bool)
    pick[::4, ::4] = True
    pick &= valid
    terms = polynomial_terms(s, t, 3)
    return np.asarray(terms @ fit_polynomial(s[pick], t[pick], mixing[pick], 3, rounds=3))


def trace_lines(mixing: Array) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """Lines along which the photo tells the height's change: they lean by the mixing of the two slopes.

    Returns
    -------
    there : (column, row)
        Of each cell of the leaning lines (L, W) on the map (H, W); a line keeps its column.
    back : (column, row)
        Of each cell of the map on the lines.
    """
    rows, width = mixing.shape
    middle = width // 2
    drift = int(np.ceil(np.abs(mixing).max() * (width - middle) * 1.3)) + 2
    start = np.arange(-drift, rows + drift, dtype=float)
    at = np.empty((start.size, width))
    index = np.arange(rows)
    for way in (1, -1):
        place = start.copy()
        at[:, middle] = place
        for j in range(middle, width - 1 if way > 0 else 0, way):
            # Heun's rule: the field is smooth, a cell is a small step.
            first = np.interp(place, index, mixing[:, j])
            second = np.interp(place + way * first, index, mixing[:, j + way])
            place = place + way * 0.5 * (first + second)
            at[:, j + way] = place
    inverse = np.stack([np.interp(index, at[:, j], np.arange(start.size)) for j in range(width)], 1)
    columns = np.arange(width, dtype=np.float32)
    there = np.broadcast_to(columns, at.shape).copy(), at.astype(np.float32)
    return there, (np.broadcast_to(columns, inverse.shape).copy(), inverse.astype(np.float32))


def carried(value: Array, to: tuple[Array, Array]) -> Array:
    """Interpolate a map at the places `to`; zero outside."""
    largest = max(*value.shape, *to[0].shape)
    if largest >= LARGEST_PX:
        raise NotMeasuredError(
            "the stripes can't be followed along themselves",
            found=f"a picture {largest} cells long once it is straightened",
            allowed=f"under {LARGEST_PX}",
            cure="hold the phone so that the stripes run along or across the photo, and leave out what is no panel",
        )
    out = cv2.remap(
        np.ascontiguousarray(value, dtype=np.float64), *to, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    return np.asarray(out)


def fit_course(
    s: Array, t: Array, told: Array, mixing: Array, valid: Array, bend: float, reach: float
) -> Array:
    """Coefficients of the fair surface that explains best what the photo tells: main slope + mixing * cross slope.

    Where the photo mixes the two slopes, its crown across the lines shows too; where it does not, that crown stays
    with the tags' tilts, and does no harm to the slope along the lines.
    """
    skip = max(1, int(np.sqrt(valid.sum() / 3000)))
    pick = np.zeros(valid.shape, bool)
    pick[::skip, ::skip] = True
    pick &= valid & np.isfinite(told) & np.isfinite(mixing)
    ss, tt, m = s[pick], t[pick], mixing[pick]
    columns, prior, hold = [], [], []
    for i, j in POWERS:
        by_s = i * ss ** max(i - 1, 0) * tt**j
        by_t = j * ss**i * tt ** max(j - 1, 0)
        columns.append((by_s + m * by_t) / reach)
        prior.append(bend if (i, j) == (0, 2) else 0.0)
        # The constant and the tilt across the lines are the tags' business; the rest of the free terms are held softly.
        hold.append(1e3 if i == 0 and j < 2 else SOFT / (1.0 if j == 2 else 0.3) if i == 0 else 0.0)
    design = np.vstack([np.stack(columns, 1), np.diag(hold)])
    right = np.r_[told[pick], np.array(hold) * np.array(prior)]
    root = np.ones(right.size)
    found: Array = np.zeros(len(POWERS))
    for _ in range(6):
        found = np.linalg.lstsq(design * root[:, None], right * root, rcond=None)[0]
        miss = (design @ found - right)[: ss.size]
        root[: ss.size] = 1 / np.hypot(1, miss / (robust_spread(miss, 2) + 1e-9))
    return np.asarray(found)


def integrate_lines(main: Array, valid: Array, step_mm: float) -> Lines:
    """Trapezes along each row over unbroken runs; each run with zero mean."""
    if not valid.any():
        raise NotMeasuredError(
            "the panel can't be seen in these photos",
            found="no stripes that can be followed over a stretch",
            cure="place the board so that the whole panel reflects it once, not also in a second face behind it",
            allowed="stripes that run over the panel",
        )
    starts = valid.copy()
    starts[:, 1:] &= ~valid[:, :-1]
    run = np.cumsum(starts.ravel()).reshape(valid.shape) - 1
    run = np.where(valid, run, -1)
    slope = np.where(valid, main, 0.0)
    gain = np.zeros(valid.shape)
    gain[:, 1:] = 0.5 * step_mm * (slope[:, 1:] + slope[:, :-1]) * (valid[:, 1:] & valid[:, :-1])
    height = np.cumsum(gain, 1)
    count = int(starts.sum())
    index = run[valid]
    size = np.maximum(np.bincount(index, minlength=count), 1)
    mean = np.bincount(index, height[valid], minlength=count) / size
    return Lines(np.where(valid, height - mean[np.maximum(run, 0)], 0.0), run, count)


def lay_lines(lines: Lines, s: Array, t: Array, fixed: Array) -> tuple[Array, float]:
    """Find the constants of all runs; returns the height and its standard uncertainty from them, mm.

    Least absolute deviations by reweighting, of two kinds at once: cells from the fair surface, and steps from
    line to line from the fair surface's.
    """
    valid = lines.run >= 0
    skip = max(1, int(np.sqrt(valid.sum() / 4000)))
    pick = np.zeros(valid.shape, bool)
    pick[:, ::skip] = True
    pick &= valid
    terms = polynomial_terms(s[pick], t[pick], ORDER)
    bent = [k for k, (i, _) in enumerate(POWERS) if i > 0]
    terms = terms[:, bent]
    everywhere = polynomial_terms(s, t, ORDER)[..., bent]
    offset = np.zeros(lines.count)
    fair = fixed.copy()
    for turn in range(8):
        rest = (lines.height - fixed)[pick] + offset[lines.run[pick]]
        weight = np.ones(rest.size)
        if turn:
            miss = rest - (fair - fixed)[pick]
            weight = 1 / np.hypot(1, miss / (robust_spread(miss, 2) + 1e-9)) ** 2
        # Each run's own weighted mean is taken off both sides: the constants are not the fair surface's business.
        index = lines.run[pick]
        total = np.maximum(np.bincount(index, weight, minlength=lines.count), 1e-12)

        def bare(v: Array, index: Array = index, weight: Array = weight, total: Array = total) -> Array:
            return np.asarray(v - (np.bincount(index, weight * v, minlength=lines.count) / total)[index])

        design = np.stack([bare(column) for column in terms.T], 1)
        root = np.sqrt(weight)
        found = np.linalg.lstsq(design * root[:, None], bare(rest) * root, rcond=None)[0]
        fair = fixed + everywhere @ found
        offset = _constants(lines, lines.height - fair, valid, offset, rounds=4)
    blocks = _block_spread(lines, lines.height - fair, valid, offset)
    own = lines.height + offset[np.maximum(lines.run, 0)]
    deepest = float(np.percentile(np.abs(own - fair)[valid], 99.5))
    return own, float(np.hypot(blocks, ATTRIBUTED * deepest))


def _constants(lines: Lines, gap: Array, valid: Array, start: Array, *, rounds: int) -> Array:
    """Constants that bring most cells onto the fair surface, and most steps between lines to zero."""
    offset = start
    below, above = lines.run[:-1], lines.run[1:]
    both = (below >= 0) & (above >= 0)
    one, two = below[both], above[both]
    step = (gap[1:] - gap[:-1])[both]
    cells, own = gap[valid], lines.run[valid]
    for _ in range(rounds):
        off = cells + offset[own]
        jump = step + offset[two] - offset[one]
        w_cell = ANCHOR / np.hypot(off, 0.3 * np.median(np.abs(off)) + 1e-7)
        w_step = 1 / np.hypot(jump, 0.3 * np.median(np.abs(jump)) + 1e-7)
        diagonal = np.bincount(own, w_cell, minlength=lines.count)
        diagonal += np.bincount(one, w_step, minlength=lines.count)
        diagonal += np.bincount(two, w_step, minlength=lines.count)
        size = (lines.count, lines.count)
        pair = csc_array(coo_array((w_step, (one, two)), shape=size))
        tiny = 1e-9 * float(diagonal.mean())
        normal = csc_array(diags_array(diagonal + tiny) - pair - pair.T)
        right = -np.bincount(own, w_cell * cells, minlength=lines.count)
        right += np.bincount(one, w_step * step, minlength=lines.count)
        right -= np.bincount(two, w_step * step, minlength=lines.count)
        offset = splu(normal).solve(right)
    return np.asarray(offset)


def _block_spread(lines: Lines, gap: Array, valid: Array, offset: Array) -> float:
    """How far four blocks of columns disagree about the constants of their lines, robustly, mm."""
    width = valid.shape[1]
    seen = []
    for block in range(4):
        cut = np.s_[:, block * width // 4 : (block + 1) * width // 4]
        rows = np.full(valid.shape[0], np.nan)
        part, ok = (gap + offset[np.maximum(lines.run, 0)])[cut], valid[cut]
        for i in np.flatnonzero(ok.sum(1) > 3):
            rows[i] = np.median(part[i][ok[i]])
        seen.append(rows - np.nanmedian(rows) if np.isfinite(rows).any() else rows)
    stack = np.stack(seen)
    full = np.isfinite(stack).all(0)
    if full.sum() < 4:
        return 0.0
    return float(robust_spread(stack[:, full] - np.median(stack[:, full], 0)))
