"""Stripe edges that the board shows in the wrong place, found and taken out of the picture.

A board printed or shown from pixels rounds its stripe edges to whole pixels; where an edge falls between two
pixels, some edges land one pixel off. In the panel that reads as a false ripple along whole stripes. An edge
that is off stands out because its neighbours, half a period away on either side, are not: a surface can't do
that. The edge positions along the board are compared with a smooth course plus displacements of one size and
sign, and the best such explanation is accepted only when it explains nearly all of the unevenness.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.records import Array

__all__ = ["Misprint", "displace", "find_misprint", "repair"]

LARGEST = 0.06
"""Largest displacement looked for, in periods. A real ripple that could be mistaken for it is then under
0.06 * period * wavelength / (4 pi * distance to the board): about 7 um for 30 mm stripes 1 m away."""

REACH = 0.2
"""Half width of the neighbourhood of an edge whose light is summed, in periods."""

LEAST_EDGES = 24
"""Fewer edges than this can be explained by chance."""

LEAST_REACH = 0.07
"""What must be seen of it on either side."""

PRICE = 0.5
"""Cost of calling an edge displaced, in squared displacements; a lone displaced edge saves six."""


@dataclass(frozen=True, slots=True)
class Misprint:
    """Displacement of each stripe edge.

    Attributes
    ----------
    first : int
        Number of the first edge; edge j lies where the pattern's phase is (j + 1/2) pi.
    shift_mm : ndarray (N,)
        How far each edge is from where it should be, along the board axis.
    """

    first: int
    shift_mm: Array


def find_misprint(
    picture: Array,
    valid: Array,
    phase_rad: Array,
    level: Array,
    amplitude: Array,
    *,
    period_mm: float,
    period_px: float,
) -> Misprint | None:
    """Find displaced stripe edges.

    Parameters
    ----------
    picture : ndarray (H, W), float32
    valid : ndarray (H, W), bool
        Where the picture counts: seen, and away from spots.
    phase_rad : ndarray (H, W)
        Phase of the stripes as a smooth surface would show them.
    level, amplitude : ndarray (H, W)
        Local mean and amplitude of the stripes.
    period_mm, period_px : float
        Stripe period on the board, and in the picture.

    Returns
    -------
    Misprint or None
        None when the edges are even.
    """
    turns = phase_rad[valid] / (2 * np.pi)
    if turns.size < 2000:
        return None
    # Stripes in line with the grid sample the board at whole cells only: bins must not be finer than that.
    bins = int(np.clip(period_px / 1.25, 6, 48))
    shade = (picture[valid] - level[valid]) / np.maximum(amplitude[valid], 1e-6)
    low = int(np.floor(turns.min()))
    place = (turns - low) * bins - 0.5
    slot = np.floor(place).astype(np.int64)
    part = place - slot
    slot = np.maximum(slot, 0)
    size = int(slot.max()) + 2
    count = np.bincount(slot, 1 - part, size) + np.bincount(slot + 1, part, size)
    total = np.bincount(slot, (1 - part) * shade, size) + np.bincount(slot + 1, part * shade, size)
    profile = total / np.maximum(count, 1e-9)
    enough = count > 0.15 * np.median(count[count > 1])
    first, places = _edges(profile, enough, bins, low)
    if places.size < LEAST_EDGES:
        return None
    shift = _explain(places)
    if shift is None:
        return None
    return Misprint(first, shift * period_mm)


def _edges(profile: Array, enough: Array, bins: int, low: int) -> tuple[int, Array]:
    """Deviation of each edge from its place, in periods, and the first edge's number (longest run without gaps).

    The light gained or lost around an edge tells how far it moved, whatever its blur: a stripe of unit
    fundamental amplitude swings from +pi/4 to -pi/4.
    """
    centre = low + (np.arange(profile.size) + 0.5) / bins
    found: dict[int, float] = {}
    for number in range(int(np.floor(2 * centre[0])), int(np.ceil(2 * centre[-1])) + 1):
        edge = (number + 0.5) / 2
        around = np.flatnonzero(np.abs(centre - edge) < REACH)
        # The stretch around the edge that was seen: at a rim it may be cut on one side.
        seen = around[enough[around]]
        if seen.size < 3 or np.any(np.diff(seen) != 1):
            continue
        first, last = max(centre[seen[0]], edge - REACH), min(centre[seen[-1]], edge + REACH)
        if edge - first < LEAST_REACH or last - edge < LEAST_REACH:
            continue
        place = np.unique(np.r_[first, centre[seen], edge, last].clip(first, last))
        light = np.interp(place, centre, profile)
        falling = 1.0 if number % 2 == 0 else -1.0
        level = 0.25 * np.pi * falling * ((edge - first) - (last - edge))
        gained = float(np.sum(0.5 * (light[1:] + light[:-1]) * np.diff(place))) - level
        found[number] = falling * gained / (0.5 * np.pi)
    if not found:
        return 0, np.zeros(0)
    numbers = np.array(sorted(found))
    runs = np.split(numbers, np.flatnonzero(np.diff(numbers) != 1) + 1)
    run = max(runs, key=len)
    return int(run[0]), np.array([found[int(n)] for n in run])


def _explain(places: Array) -> Array | None:
    """Best displacements of one size and sign (periods), by dynamic programming; None when not convincing."""
    # Even and odd edges may differ by a constant: stripes need not be as wide as their gaps.
    places = places - np.where(np.arange(places.size) % 2, np.median(places[1::2]), np.median(places[::2]))
    bends = np.diff(places, 2)
    plain = float(np.sum(bends**2))
    sizes = np.geomspace(0.004, LARGEST, 28)
    sizes = np.concatenate([sizes, -sizes])
    for _ in range(3):  # the size itself by least squares, then the states again
        states = _cheapest(places, sizes)
        turned = np.diff(states.astype(float), 2, axis=1)
        power = np.sum(turned**2, 1)
        sizes = np.where(power > 0, turned @ bends / np.maximum(power, 1e-9), 0.0)
        rest = np.sum((bends - sizes[:, None] * turned) ** 2, 1)
        cost = rest + PRICE * sizes**2 * states.sum(1)
        alive = (power > 0) & (np.abs(sizes) > 0.002) & (np.abs(sizes) < 1.2 * LARGEST)
        if not alive.any():
            return None
        keep = np.flatnonzero(alive)[np.argsort(cost[alive], kind="stable")[:6]]
        sizes, states, rest = sizes[keep], states[keep], rest[keep]
    noise = np.sqrt(rest[0] / (6 * places.size))
    if rest[0] > 0.15 * plain or noise > 0.2 * abs(sizes[0]):
        return None
    return np.asarray(sizes[0] * states[0])


def _cheapest(places: Array, sizes: Array) -> Array:
    """Which edges to call displaced by each size, (S, N): squared second differences plus the price (Viterbi)."""
    count, n = sizes.size, places.size
    options = np.stack([np.zeros(count), sizes], -1)
    price = PRICE * options**2
    value = places[None, :, None] - options[:, None, :]  # what is left of each edge under either option
    cost = price[:, :, None] + price[:, None, :]  # options of edges 0 and 1
    back = np.zeros((n, count, 2, 2), np.int8)
    for k in range(2, n):
        bend = (
            value[:, k - 2, :, None, None] - 2 * value[:, k - 1, None, :, None] + value[:, k, None, None, :]
        )
        total = cost[..., None] + bend * bend
        back[k] = total.argmin(1)
        cost = total.min(1) + price[:, None, :]
    best = cost.reshape(count, 4).argmin(1)
    a, b = best // 2, best % 2
    states = np.zeros((count, n), bool)
    each = np.arange(count)
    for k in range(n - 1, 1, -1):
        states[:, k] = b == 1
        a, b = back[k, each, a, b], a
    states[:, 1], states[:, 0] = b == 1, a == 1
    return states


def displace(phase_rad: Array, *, misprint: Misprint, period_mm: float) -> Array:
    """Phase that an evenly printed board would show where the uneven one shows `phase_rad`, for drawing its edges.

    Parameters
    ----------
    phase_rad : ndarray
    misprint : Misprint
    period_mm : float

    Returns
    -------
    ndarray
        Shifted by each edge's displacement within a quarter period on either side of it.
    """
    _, shift = _nearest_edge(phase_rad / (2 * np.pi), misprint, period_mm)
    return np.asarray(phase_rad - 2 * np.pi * shift)


def _nearest_edge(turns: Array, misprint: Misprint, period_mm: float) -> tuple[Array, Array]:
    """Number of the nearest edge and its displacement in periods."""
    number = np.rint(2 * turns - 0.5)
    shifts = np.concatenate([[0.0], misprint.shift_mm / period_mm, [0.0]])
    return number, shifts[np.clip(number - misprint.first + 1, 0, shifts.size - 1).astype(np.int64)]


def repair(
    picture: Array,
    phase_rad: Array,
    amplitude: Array,
    *,
    misprint: Misprint,
    period_mm: float,
    slope_turns: float,
) -> Array:
    """Take displaced edges out of a picture.

    Parameters
    ----------
    picture : ndarray (H, W), float32
    phase_rad : ndarray (H, W)
        Phase of the stripes as seen now.
    amplitude : ndarray (H, W)
        Amplitude of their fundamental; a square stripe swings pi/2 of it.
    misprint : Misprint
    period_mm : float
    slope_turns : float
        Change of phase per pixel, in turns: how sharp an edge is drawn.

    Returns
    -------
    ndarray (H, W), float32
    """
    turns = phase_rad / (2 * np.pi)
    number, shift = _nearest_edge(turns, misprint, period_mm)
    moved = shift != 0
    away = turns[moved] - (number[moved] + 0.5) / 2
    width = max(slope_turns, 1e-4)
    pulse = np.clip(away / width + 0.5, 0, 1) - np.clip((away - shift[moved]) / width + 0.5, 0, 1)
    sign = np.where(number[moved] % 2 == 0, 1.0, -1.0)
    out = picture.copy()
    out[moved] -= (0.5 * np.pi * amplitude[moved] * sign * pulse).astype(np.float32)
    return out
