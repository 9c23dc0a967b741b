"""What a candidate looks like, in figures that tell kinds of fault apart.

Size and shape of its outline; what it does to the light (an even dimming, lost contrast, hidden gloss); and how well a
hollow, a bump or a ring of its own size explains it, drawn into the photos with the stripes' own waveform: hollow and
bump scramble what they mirror alike, but their rims and middles do not move stripes the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from surfscan.core.carrier import Array
from surfscan.faults.detect import Candidate, Found
from surfscan.faults.leftover import Leftover

__all__ = ["FEATURES", "Looks", "describe"]

FEATURES = (
    "length",
    "width",
    "slim",
    "filled",
    "bent",
    "wanders",
    "upright",
    "taper",
    "hollow",
    "strength",
    "dims",
    "dims_explains",
    "contrast",
    "offset",
    "light_explains",
    "pit",
    "nib",
    "sign",
    "ring",
    "ring_over",
    "slope",
    "one_photo",
)
"""In the order of `Looks.features`; what each is stands in `describe`."""

SLOPES = tuple(float(v) for v in np.geomspace(0.004, 0.5, 11))
"""Steepest slopes that are tried."""

SPREADS = (0.85, 1.15)
"""Sizes that are tried, of the outline's."""

FINE = 3
"""Samples a pixel and direction where a shape is drawn."""

MOST_PX = 2500
"""Pixels of a patch that are drawn at most: of a larger one, every so many."""


@dataclass(frozen=True, slots=True, eq=False)
class Looks:
    """A candidate in figures.

    Attributes
    ----------
    features : ndarray (len(FEATURES),)
    sign : int
        1 for out of the surface, -1 for into it, 0 where that can't be told.
    size_px : float
        Its length in photo pixels.
    """

    features: Array
    sign: int
    size_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Patch:
    """The pixels of one photo in and around a candidate, each (N,)."""

    x: Array
    y: Array
    inside: Array
    rest: Array
    noise: Array
    drawn: Array
    level: Array
    strength: Array
    phases: tuple[Array, ...]
    classes: tuple[Array, ...]
    turns: tuple[Array, ...]
    steps: tuple[Array, ...]
    tables: tuple[Array, ...]
    jacobian: Array


def describe(candidate: Candidate, found: Found, leftovers: Sequence[Leftover]) -> Looks:
    """Work out what a candidate looks like.

    Parameters
    ----------
    candidate : Candidate
    found : Found
    leftovers : sequence of Leftover

    Returns
    -------
    Looks
        Features: log of length and width in pixels, and of their ratio; area over that of the oval; sag over length;
        scatter about an even bend over width; |sine| of the direction; how much wider the lower end is than the upper;
        energy of the rim over that of the middle; log of the root mean square leftover over the contrast; dimming and
        the share of the energy that it explains; change of contrast and of level, and the same of both; share that a
        hollow, a bump explains, and their difference; the same of a ring, and its lead; log of the slope of the best;
        share of the score that the better photo has.
    """
    pitch = found.panel.pitch_mm
    patches = [
        patch for k, lo in enumerate(leftovers) if (patch := _patch(candidate, found, lo, k)) is not None
    ]
    length, width = candidate.length_mm / pitch, max(candidate.width_mm / pitch, 0.7)
    outline = _outline(candidate)
    light = _light(patches)
    hollow, bump, ring, slope = _shapes(candidate, patches)
    sign = bump - hollow
    scores = np.nan_to_num(np.array(candidate.scores))
    values = [
        np.log(length),
        np.log(width),
        np.log(length / width),
        *outline,
        *light,
        hollow,
        bump,
        sign,
        ring,
        ring - max(hollow, bump),
        np.log(slope),
        float(scores.max() / max(scores.sum(), 1e-9)),
    ]
    told = 0 if abs(sign) < 0.08 else int(np.sign(sign))
    return Looks(np.array(values, float), told, float(length))


def _patch(candidate: Candidate, found: Found, photo: Leftover, k: int) -> _Patch | None:
    panel = found.panel
    rows, columns = np.nonzero(candidate.mask)
    rows, columns = rows + candidate.corner[0], columns + candidate.corner[1]
    across, down = (part[rows, columns] for part in panel.maps[k])
    margin = 4
    tall, wide = photo.clear.shape
    left, right = max(int(across.min()) - margin, 0), min(int(across.max()) + margin + 2, wide)
    top, bottom = max(int(down.min()) - margin, 0), min(int(down.max()) + margin + 2, tall)
    if right - left < 3 or bottom - top < 3:
        return None
    thin = int(np.ceil(np.sqrt((right - left) * (bottom - top) / MOST_PX)))
    box = slice(top, bottom, thin), slice(left, right, thin)
    use = photo.clear[box]
    if use.sum() < 6:
        return None
    x, y = photo.x_mm[box], photo.y_mm[box]
    column = np.rint((x - panel.left_mm) / panel.pitch_mm).astype(int) - candidate.corner[1]
    row = np.rint((y - panel.low_mm) / panel.pitch_mm).astype(int) - candidate.corner[0]
    on = (row >= 0) & (row < candidate.mask.shape[0]) & (column >= 0) & (column < candidate.mask.shape[1])
    inside = np.zeros(on.shape, bool)
    inside[on] = candidate.mask[row[on], column[on]]
    jacobian = np.array(
        [[np.median(d) / thin for d in np.gradient(v)[::-1]] for v in (x.astype(float), y.astype(float))]
    )
    steps = tuple(
        np.array([np.median(d) / thin for d in np.gradient(one.phase[box])[::-1]]) for one in photo.directions
    )
    return _Patch(
        x[use],
        y[use],
        inside[use],
        photo.rest[box][use],
        photo.noise[box][use],
        (photo.level[box] + sum(one.wave[box] for one in photo.directions))[use],
        photo.level[box][use],
        photo.strength[box][use],
        tuple(one.phase[box][use] for one in photo.directions),
        tuple(one.class_at[box][use] for one in photo.directions),
        tuple(one.lever_rad for one in photo.directions),
        steps,
        tuple(one.tables for one in photo.directions),
        jacobian,
    )


def _outline(candidate: Candidate) -> list[float]:
    """Filled, bent, wanders, upright, taper."""
    rows, columns = np.nonzero(candidate.mask)
    place = np.stack([columns, rows], -1).astype(float)
    turn = np.radians(candidate.direction_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    u, v = (place - place.mean(0)) @ along, (place - place.mean(0)) @ across
    length, width = float(np.ptp(u)) + 1, float(np.ptp(v)) + 1
    filled = len(place) / (np.pi / 4 * length * width)
    bent = wanders = 0.0
    slots = np.rint(u - u.min()).astype(int)
    many = np.bincount(slots)
    middle = np.bincount(slots, v) / np.maximum(many, 1)
    at = np.flatnonzero(many)
    if len(at) >= 6:
        fit = np.polyfit(at, middle[at], 2)
        bent = abs(float(fit[0])) * length / 4
        wanders = float(np.std(middle[at] - np.polyval(fit, at)))
    upright = abs(float(along[1]))
    ends = [many[at[: max(len(at) // 3, 1)]].mean(), many[at[-max(len(at) // 3, 1) :]].mean()]
    low, high = ends if along[1] >= 0 else ends[::-1]
    return [filled, bent, np.log1p(wanders), upright, float(np.log(low / high))]


def _light(patches: Sequence[_Patch]) -> list[float]:
    """Hollow, strength, dims, dims_explains, contrast, offset, light_explains; the photos together."""
    rest, drawn, wave, level, strength, noise, inside, far = (
        np.concatenate([part(p) for p in patches]) if patches else np.zeros(1)
        for part in (
            lambda p: p.rest,
            lambda p: p.drawn,
            lambda p: p.drawn - p.level,
            lambda p: p.level,
            lambda p: p.strength,
            lambda p: p.noise,
            lambda p: p.inside,
            _far,
        )
    )
    on = inside.astype(bool)
    if on.sum() < 3:
        return [0.0] * 7
    energy = (rest / strength) ** 2
    rim, core = on & (far > 0.65), on & (far < 0.45)
    hollow = (
        np.log((energy[rim].mean() + 1e-3) / (energy[core].mean() + 1e-3))
        if rim.any() and core.any()
        else 0.0
    )
    z, d, w, one = (part[on] / noise[on] for part in (rest, drawn, wave, level))
    total = max(float(z @ z), 1e-9)
    dims = float(z @ d) / max(float(d @ d), 1e-9)
    dimmed = 1 - float(np.sum((z - dims * d) ** 2)) / total
    design = np.stack([w, one], -1)
    both = np.linalg.lstsq(design, z, rcond=None)[0]
    explained = 1 - float(np.sum((z - design @ both) ** 2)) / total
    return [
        float(hollow),
        float(0.5 * np.log(energy[on].mean() + 1e-6)),
        dims,
        dimmed,
        float(np.clip(both[0], -3, 3)),
        float(np.clip(both[1], -3, 3)),
        explained,
    ]


def _far(patch: _Patch) -> Array:
    """Distance of each pixel from the middle of the inside, in its own half extents."""
    if not patch.inside.any():
        return np.zeros(patch.x.shape)
    x, y = patch.x - patch.x[patch.inside].mean(), patch.y - patch.y[patch.inside].mean()
    reach = np.sqrt(2 * np.mean(x[patch.inside] ** 2 + y[patch.inside] ** 2)) + 1e-9
    return np.asarray(np.hypot(x, y) / reach)


def _dome(rho2: Array) -> Array:
    """Slope by rho of a compact dome of height 1, over rho."""
    return np.asarray(-4 * np.clip(1 - rho2, 0, None))


def _ring(rho2: Array) -> Array:
    """The same of a Gaussian ring of radius 0.8 and standard width 0.1."""
    rho = np.sqrt(np.maximum(rho2, 1e-9))
    off = (rho - 0.8) / 0.1
    return np.asarray(-off / 0.1 * np.exp(-(off**2) / 2) / rho)


_STEEPEST = {_dome: 1.54, _ring: 6.07}
"""Greatest slope by rho of each."""


def _shapes(candidate: Candidate, patches: Sequence[_Patch]) -> tuple[float, float, float, float]:
    """Share of the energy that a hollow, a bump and a ring explain, and the steepest slope of the best of them."""
    best = {"hollow": (-1.0, SLOPES[0]), "bump": (-1.0, SLOPES[0]), "ring": (-1.0, SLOPES[0])}
    total = sum(float(np.sum((p.rest / p.noise) ** 2)) for p in patches)
    if total <= 0:
        return 0.0, 0.0, 0.0, SLOPES[0]
    for shape in (_dome, _ring):
        for spread in SPREADS:
            slopes = [_unit_slopes(candidate, p, shape, spread) for p in patches]
            for steepest in SLOPES:
                for sign in (-1, 1):
                    left = sum(
                        float(np.sum(((p.rest - _changed(p, own, sign * steepest)) / p.noise) ** 2))
                        for p, own in zip(patches, slopes, strict=True)
                    )
                    name = "ring" if shape is _ring else "bump" if sign > 0 else "hollow"
                    best[name] = max(best[name], (1 - left / total, steepest))
    slope = max(best.values())[1]
    return best["hollow"][0], best["bump"][0], best["ring"][0], slope


def _unit_slopes(
    candidate: Candidate, patch: _Patch, shape: Callable[[Array], Array], spread: float
) -> tuple[Array, Array, Array]:
    """Slopes (FINE^2, N) of a shape of the candidate's outline, steepest 1; and the samples' places in their pixels."""
    t = (np.arange(FINE) + 0.5) / FINE - 0.5
    sub = np.stack([a.ravel() for a in np.meshgrid(t, t)], -1)
    dx, dy = (sub @ patch.jacobian.T).T
    x = patch.x - candidate.x_mm + dx[:, None]
    y = patch.y - candidate.y_mm + dy[:, None]
    turn = np.radians(candidate.direction_deg)
    u, v = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    half_u, half_v = spread * candidate.length_mm / 2, spread * candidate.width_mm / 2
    by_rho = shape((u / half_u) ** 2 + (v / half_v) ** 2) / _STEEPEST[shape]
    small = min(half_u, half_v)
    zu, zv = by_rho * u / half_u**2 * small, by_rho * v / half_v**2 * small
    p, q = np.cos(turn) * zu - np.sin(turn) * zv, np.sin(turn) * zu + np.cos(turn) * zv
    return p, q, sub


def _changed(patch: _Patch, slopes: tuple[Array, Array, Array], steepest: float) -> Array:
    """How the brightness changes when a shape of that slope is there."""
    p, q, sub = slopes
    change = np.zeros(patch.x.shape)
    for phase, at, lever, step, table in zip(
        patch.phases, patch.classes, patch.turns, patch.steps, patch.tables, strict=True
    ):
        bins = table.shape[1]
        own = phase + (sub @ step)[:, None]
        moved = own + steepest * (lever[0] * p + lever[1] * q)
        base, flat = at * bins, table.ravel()
        turns = bins / (2 * np.pi)
        there = flat[base + (np.rint(moved * turns).astype(np.int64) % bins)].mean(0)
        here = flat[base + (np.rint(own * turns).astype(np.int64) % bins)].mean(0)
        change += patch.strength * (there - here)
    return change
