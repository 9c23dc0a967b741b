"""What a candidate looks like, in figures that tell kinds of fault apart.

Size and shape of its outline; what it does to the light (an even dimming, lost contrast, hidden gloss); and whether
the surface rises or falls at its rim. Inside, a hollow and a bump scramble what they mirror alike; where they run out,
their slopes are small enough to move a stripe by less than its width, one outward and the other inward.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import binary_fill_holes

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
    "hole",
    "hollow",
    "soft",
    "strength",
    "dims",
    "dims_explains",
    "contrast",
    "offset",
    "light_explains",
    "light_rim",
    "light_core",
    "even_rim",
    "even_core",
    "darkest",
    "brightest",
    *(f"energy_{k}" for k in range(5)),
    *(f"light_{k}" for k in range(5)),
    "rises_at_rim",
    "rises_beyond",
    "one_photo",
)
"""In the order of `Looks.features`; what each is stands in `describe`."""

BELTS = (-4.0, -2.5, -1.5, 0.0, 1.5, 3.0)
"""Edges of belts across an outline, pixels, + outside."""

MARGIN_PX = 6
"""Looked at round a candidate."""

HALF = 0.5
"""Share of its energy that a dimming explains from which something may be dust."""

EVEN, EVEN_LARGE = 0.8, 0.62
"""Share of its energy that an even dimming explains of a speck of dust; of one wider than `LARGE_PX`, which hides
more of the stripes' own misfit."""

ROUND, OUT_OF_FOCUS_PX, LARGE_PX = 2.2, 3.6, 6.0
"""Length over width of a speck at most, and its width at least: it lies far in front of what is in focus."""

FAINT = -0.25
"""Log of what a speck leaves over the contrast at most: it is seen through."""

TOLD = 4.0
"""Standard deviations from which the rim tells a hollow from a bump."""


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

    @property
    def only_dims(self) -> bool:
        """Whether an even dimming explains most of it, as dust on the camera does."""
        dims, explains = (self.features[FEATURES.index(name)] for name in ("dims", "dims_explains"))
        return bool(dims < 0 and explains > HALF)

    @property
    def like_dust(self) -> bool:
        """Whether it is a round, even dimming: a speck on the camera, or a dull place of the panel."""
        explains, slim, width, strength = (
            self.features[FEATURES.index(name)] for name in ("dims_explains", "slim", "width", "strength")
        )
        enough = EVEN_LARGE if width > np.log(LARGE_PX) else EVEN
        shaped = slim < np.log(ROUND) and width > np.log(OUT_OF_FOCUS_PX)
        return bool(self.only_dims and explains > enough and shaped and strength < FAINT)


@dataclass(frozen=True, slots=True, eq=False)
class _Patch:
    """The pixels of one photo in and around a candidate, each (N,): distance from its outline (cells, + outside),
    what is left, its noise, what was drawn, level and contrast, and how a slope away from it changes the light."""

    edge: Array
    rest: Array
    noise: Array
    drawn: Array
    level: Array
    strength: Array
    gain: Array


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
        log of the scatter about an even bend; |sine| of the direction; log of how much wider the lower end is than
        the upper; share of the outline that is a hole; log energy of the rim over that of the middle, and of a belt
        outside over that of the rim; log of the root mean square leftover over the contrast; dimming and the share of
        the energy that it explains; change of contrast and of level, and the share that both explain; mean and spread
        of the light about its level, over the contrast, at the rim and in the middle, and its 5 and 95 % points; log
        energy and mean light of belts across the outline; how surely the surface rises outward at the rim and beyond
        it (square root of standard deviations, signed); share of the score that the better photo has.
    """
    pitch = found.panel.pitch_mm
    whole = binary_fill_holes(candidate.mask)
    edge, normal = _away(whole)
    patches = [
        patch
        for k, lo in enumerate(leftovers)
        if (patch := _patch(candidate, found, lo, k, edge, normal)) is not None
    ]
    length, width = candidate.length_mm / pitch, max(candidate.width_mm / pitch, 0.7)
    rim, beyond = (_rises(patches, *belt) for belt in ((-2.5, 0.5), (0.5, 5.0)))
    scores = np.nan_to_num(np.array(candidate.scores))
    values = [
        np.log(length),
        np.log(width),
        np.log(length / width),
        *_outline(candidate),
        1 - float(candidate.mask.sum() / whole.sum()),
        *_light(patches),
        _root(rim),
        _root(beyond),
        float(scores.max() / max(scores.sum(), 1e-9)),
    ]
    surest = max(rim, beyond, key=abs)
    sign = 0 if abs(surest) < TOLD else -int(np.sign(surest))
    return Looks(np.array(values, float), sign, float(length))


def _root(value: float) -> float:
    return float(np.sign(value) * np.sqrt(abs(value)))


def _away(mask: Array) -> tuple[Array, Array]:
    """Distance from the outline of a mask with `MARGIN_PX` round it, + outside, and the unit direction away from it."""
    wide = np.pad(mask, MARGIN_PX).astype(np.uint8)
    edge = cv2.distanceTransform(1 - wide, cv2.DIST_L2, 5) - cv2.distanceTransform(wide, cv2.DIST_L2, 5)
    dy, dx = np.gradient(cv2.GaussianBlur(edge, (0, 0), 1.0))
    normal = np.stack([dx, dy]) / np.maximum(np.hypot(dx, dy), 1e-6)
    return edge, normal


def _patch(
    candidate: Candidate, found: Found, photo: Leftover, k: int, edge: Array, normal: Array
) -> _Patch | None:
    panel = found.panel
    rows, columns = np.nonzero(candidate.mask)
    rows, columns = rows + candidate.corner[0], columns + candidate.corner[1]
    across, down = (part[rows, columns] for part in panel.maps[k])
    tall, wide = photo.clear.shape
    left, right = max(int(across.min()) - MARGIN_PX, 0), min(int(across.max()) + MARGIN_PX + 2, wide)
    top, bottom = max(int(down.min()) - MARGIN_PX, 0), min(int(down.max()) + MARGIN_PX + 2, tall)
    if right - left < 3 or bottom - top < 3:
        return None
    box = slice(top, bottom), slice(left, right)
    x, y = photo.x_mm[box], photo.y_mm[box]
    column = np.rint((x - panel.left_mm) / panel.pitch_mm).astype(int) - candidate.corner[1] + MARGIN_PX
    row = np.rint((y - panel.low_mm) / panel.pitch_mm).astype(int) - candidate.corner[0] + MARGIN_PX
    use = photo.clear[box] & (row >= 0) & (row < edge.shape[0]) & (column >= 0) & (column < edge.shape[1])
    if use.sum() < 6:
        return None
    at = row[use], column[use]
    gain = sum(
        one.per_rad(box)[use] * (one.lever_rad[0] * normal[0][at] + one.lever_rad[1] * normal[1][at])
        for one in photo.directions
    )
    return _Patch(
        edge[at],
        photo.rest[box][use],
        photo.noise[box][use],
        (photo.level[box] + sum(one.wave[box] for one in photo.directions))[use],
        photo.level[box][use],
        photo.strength[box][use],
        photo.strength[box][use] * gain,
    )


def _rises(patches: Sequence[_Patch], least: float, most: float) -> float:
    """How surely the surface rises away from the candidate in a belt round it, standard deviations."""
    over = under = 0.0
    for patch in patches:
        belt = (patch.edge > least) & (patch.edge <= most)
        z, g = (part[belt] / patch.noise[belt] for part in (patch.rest, patch.gain))
        # A slope that moves a stripe far says no more than one that moves it by its edge.
        over += float(np.sum(np.clip(z, -8, 8) * g))
        under += float(np.sum(g * g))
    return over / np.sqrt(under) if under > 0 else 0.0


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
    """Hollow, soft, strength, dims, dims_explains, contrast, offset, light_explains, and the light itself."""
    if not patches:
        return [0.0] * 24
    edge, rest, noise, drawn, level, strength = (
        np.concatenate([getattr(patch, name) for patch in patches])
        for name in ("edge", "rest", "noise", "drawn", "level", "strength")
    )
    on = edge < 0
    if on.sum() < 3:
        return [0.0] * 24
    energy = (rest / strength) ** 2
    deep = float(-edge.min())
    rim, core, out = on & (edge > -0.4 * deep), on & (edge < -0.6 * deep), (edge > 0.7) & (edge < 3)

    belts = [(edge > low) & (edge <= high) for low, high in pairwise(BELTS)]
    shown = (drawn - level + rest) / strength

    def mean(where: Array) -> float:
        return float(energy[where].mean()) + 1e-4 if where.any() else 1e-4

    z, d, w, one = (part[on] / noise[on] for part in (rest, drawn, drawn - level, level))
    total = max(float(np.sum(z * z)), 1e-9)
    dims = float(np.sum(z * d)) / max(float(np.sum(d * d)), 1e-9)
    dimmed = 1 - float(np.sum((z - dims * d) ** 2)) / total
    design = np.stack([w, one], -1)
    both = np.linalg.lstsq(design, z, rcond=None)[0]
    explained = 1 - float(np.sum((z - design @ both) ** 2)) / total
    return [
        float(np.log(mean(rim) / mean(core))),
        float(np.log(mean(out) / mean(rim))),
        0.5 * float(np.log(mean(on))),
        dims,
        dimmed,
        float(np.clip(both[0], -3, 3)),
        float(np.clip(both[1], -3, 3)),
        explained,
        *(float(np.clip(np.mean(shown[where]), -3, 3)) if where.any() else 0.0 for where in (rim, core)),
        *(float(np.log(np.std(shown[where]) + 0.02)) if where.sum() > 1 else -4.0 for where in (rim, core)),
        *(float(v) for v in np.clip(np.percentile(shown[on], (5, 95)), -4, 4)),
        *(0.5 * float(np.log(mean(belt))) for belt in belts),
        *(float(np.clip(np.mean(shown[belt]), -3, 3)) if belt.any() else 0.0 for belt in belts),
    ]
