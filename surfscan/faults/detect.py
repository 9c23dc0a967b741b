"""Small faults found in the leftovers of all photos together, at one false alarm a panel.

A slope kink moves a stripe's edge one way or the other, a pit scrambles what it mirrors, a hair hides it: what they
have in common is that the leftover is larger than its noise. So its energy is taken over windows of several sizes; the
cube root of an average of squares is nearly normal (Wilson and Hilferty 1931, doi 10.1073/pnas.17.12.684), so each
photo's own median and spread of it give a score whose false alarms are the same on every photo. Scores are carried to
the panel, where both photos add up. What dims the same pixels in
both instead is dust on the camera (`surfscan.faults.dust`), and taken off first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.records import Grid
from surfscan.core.robust import robust_spread
from surfscan.faults.dust import Speck, take_dust_off
from surfscan.faults.leftover import Leftover
from surfscan.faults.panel_picture import PanelPicture, blobs_of

__all__ = ["RIM", "Candidate", "Found", "alone", "find_candidates"]

SIGMAS_PX = (0.7, 1.2, 2.0, 3.5, 6.0)
"""Standard widths of the windows."""

WIDE_PX = 2.5
"""A window wider than this is averaged from half the pixels a side."""

MOST = 16.0
"""A pixel's score counts up to this, so that one dead pixel is no larger fault than a pit."""

ALONE = 10.0
"""Score that makes a fault (tests/bench/study_small_faults.py: at most one a clean panel)."""

ALONE_CROSSED, ALONE_CROSSED_TWICE = 7.0, 7.5
"""The same for one photo of crossed stripes, and for more: a fault has half the contrast there (same study)."""

RIM = 5.0
"""Score down to which a fault reaches."""

ECHO, ECHO_PX = 1.8, 12
"""Beside something that many times stronger, within so many pixels, a weaker one is its echo: a JPEG spreads what it
can't code over blocks, and the stripes' places were smoothed over it."""

MOST_FAULTS = 300
"""More than this is a texture, not faults: the strongest are kept."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """Something that stands out of the leftovers.

    Attributes
    ----------
    x_mm, y_mm : float
        Its middle on the panel.
    length_mm, width_mm, direction_deg : float
        Its box along and across its longest direction, counted from x to y.
    score : float
        Greatest score, all photos together.
    scores : tuple of float
        Of each photo at that place; NaN where a photo does not show it.
    area_mm2 : float
    corner : (int, int)
        Row and column of `mask` on the panel picture.
    mask : ndarray, bool
        Where it is.
    """

    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    direction_deg: float
    score: float
    scores: tuple[float, ...]
    area_mm2: float
    corner: tuple[int, int]
    mask: Array


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """All candidates of a panel, the strongest first.

    Attributes
    ----------
    candidates : tuple of Candidate
    panel : PanelPicture
        What the candidates' masks lie on.
    looked : ndarray (H, W), int
        How many photos show each cell.
    specks : tuple of Speck
        Dust on the camera, which is no fault of the panel.
    """

    candidates: tuple[Candidate, ...]
    panel: PanelPicture
    looked: Array
    specks: tuple[Speck, ...] = ()


def alone(leftovers: Sequence[Leftover]) -> float:
    """Score that makes a fault in such photos."""
    if len(leftovers[0].directions) == 1:
        return ALONE
    return ALONE_CROSSED if len(leftovers) == 1 else ALONE_CROSSED_TWICE


def find_candidates(leftovers: Sequence[Leftover], *, grid: Grid, height_mm: Array) -> Found:
    """Find what stands out.

    Parameters
    ----------
    leftovers : sequence of Leftover
        One a photo, at least one.
    grid : Grid
        The coarse grid.
    height_mm : ndarray (H, W)
        The surface; NaN where not measured.

    Returns
    -------
    Found
    """
    panel = PanelPicture(leftovers, grid, height_mm)
    scores, masks = [], []
    for leftover in leftovers:
        score, core = _scored(leftover)
        scores.append(score)
        masks.append(core)
    specks = take_dust_off(leftovers, scores, masks, panel) if len(leftovers) > 1 else []
    carried = [panel.carry(k, score) for k, score in enumerate(scores)]
    cores = [panel.carry(k, core.astype(np.float32)) > 0.5 for k, core in enumerate(masks)]
    seen = [panel.carry(k, lo.clear.astype(np.float32)) > 0.5 for k, lo in enumerate(leftovers)]
    together = np.sqrt(
        np.sum([np.maximum(np.where(s, c, 0), 0) ** 2 for c, s in zip(carried, seen, strict=True)], 0)
    )
    looked = np.sum(seen, axis=0)
    core = np.any(cores, axis=0) & (looked > 0)
    found = []
    for mask, corner in blobs_of(core):
        box = slice(corner[0], corner[0] + mask.shape[0]), slice(corner[1], corner[1] + mask.shape[1])
        best = float(together[box][mask].max())
        if best < alone(leftovers):
            continue
        own = tuple(
            float(c[box][mask].max()) if s[box][mask].mean() > 0.5 else float("nan")
            for c, s in zip(carried, seen, strict=True)
        )
        found.append(_described(panel, mask, corner, best, own))
    found.sort(key=lambda one: -one.score)
    return Found(tuple(_without_echoes(found, panel.pitch_mm)[:MOST_FAULTS]), panel, looked, tuple(specks))


def _without_echoes(found: list[Candidate], pitch_mm: float) -> list[Candidate]:
    """Candidates, the strongest first, less what stands beside a much stronger one."""
    kept: list[Candidate] = []
    for one in found:
        reach = 0.5 * one.length_mm + ECHO_PX * pitch_mm
        if not any(
            other.score > ECHO * one.score
            and np.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) < reach + 0.5 * other.length_mm
            for other in kept
        ):
            kept.append(one)
    return kept


def _scored(leftover: Leftover) -> tuple[Array, Array]:
    """Score of each pixel over all windows, and the pixels that belong to something."""
    clear = leftover.clear.astype(np.float32)
    energy = np.minimum((leftover.shapeless / leftover.noise) ** 2, MOST**2) * clear
    some = leftover.clear[::3, ::3]
    best = np.zeros_like(clear)
    core = np.zeros(clear.shape, bool)
    for sigma in SIGMAS_PX:
        root = cv2.pow(_averaged(energy, sigma) / np.maximum(_averaged(clear, sigma), 0.05), 1 / 3)
        usual = root[::3, ::3][some]
        middle = float(np.median(usual))
        spread = float(robust_spread(usual - middle))
        score = np.where(leftover.clear, (root - middle) * np.float32(1 / max(spread, 1e-9)), np.float32(0))
        reach = score > RIM
        if core.any():  # what a narrower window has found is not widened by a wider one
            size = 2 * int(np.ceil(2.2 * sigma)) + 1
            near = cv2.dilate(core.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_RECT, (size, size)))
            reach &= near == 0
        core |= reach
        best = np.maximum(best, score)
    return best, core


def _averaged(value: Array, sigma: float) -> Array:
    """Gaussian mean; a wide one from half the pixels a side."""
    if sigma < WIDE_PX:
        return np.asarray(cv2.GaussianBlur(value, (0, 0), sigma))
    size = value.shape[1] // 2, value.shape[0] // 2
    small = cv2.GaussianBlur(cv2.resize(value, size, interpolation=cv2.INTER_AREA), (0, 0), sigma / 2)
    return np.asarray(cv2.resize(small, value.shape[::-1]))


def _described(
    panel: PanelPicture, mask: Array, corner: tuple[int, int], best: float, own: tuple[float, ...]
) -> Candidate:
    rows, columns = np.nonzero(mask)
    place = np.stack([columns, rows], -1).astype(float)
    middle = place.mean(0)
    spread = np.cov((place - middle).T) if len(place) > 2 else np.zeros((2, 2))
    vectors = np.linalg.eigh(spread + np.eye(2) / 12)[1]
    along = vectors[:, 1]
    u, v = (place - middle) @ along, (place - middle) @ vectors[:, 0]
    length, width = (float(np.ptp(t)) + 1 for t in (u, v))
    # A box holds a bent line's sag too: its own width is its area over its length.
    width = min(width, 1.3 * len(place) / length) if length > 3 * width else width
    return Candidate(
        x_mm=panel.left_mm + panel.pitch_mm * float(middle[0] + corner[1]),
        y_mm=panel.low_mm + panel.pitch_mm * float(middle[1] + corner[0]),
        length_mm=length * panel.pitch_mm,
        width_mm=width * panel.pitch_mm,
        direction_deg=float(np.degrees(np.arctan2(along[1], along[0])) % 180),
        score=best,
        scores=own,
        area_mm2=len(place) * panel.pitch_mm**2,
        corner=corner,
        mask=mask,
    )
