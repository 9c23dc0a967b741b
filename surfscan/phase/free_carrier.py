"""The smooth carrier of one photo of stripes, from the stripe frequencies of its tiles; no geometry is known."""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.robust import robust_spread
from surfscan.phase.carrier import Tiles, tile_frequencies

__all__ = ["TILE_PX", "find_tiles", "fit_carrier", "median_of_weighted", "rescaled", "shrink_picture"]

TILE_PX = 48
"""Side of a tile; at least 2.4 cycles of a stripe must fit for its peak to stand clear of the level's."""

PERIODS_PX = (6.0, 20.0)
"""Stripe periods looked for at each level of the pyramid; the levels overlap, so that none is missed."""


def find_tiles(picture: Array, good: Array, direction: float | None) -> Tiles:
    """Tile frequencies at the level of the pyramid whose stripes stand out most; in pixels of the picture."""
    best: tuple[float, Tiles] | None = None
    small, seen, factor = picture, good, 1
    while min(small.shape) >= TILE_PX:
        tiles = _tiles(small, seen)
        frequency = np.hypot(tiles.fx, tiles.fy)
        fits = (frequency > 1 / PERIODS_PX[1]) & (frequency < 1 / PERIODS_PX[0])
        if direction is not None:
            angle = np.degrees(np.arctan2(tiles.fy, tiles.fx)) - direction
            fits &= np.abs((angle + 90) % 180 - 90) < 30
        score = float(np.sum(tiles.strength[fits]) / max(tiles.strength.size, 1))
        if fits.sum() >= min(3, tiles.strength.size) and fits.any() and (best is None or score > best[0]):
            found = Tiles(*(v[fits] for v in (tiles.column, tiles.row, tiles.fx, tiles.fy, tiles.strength)))
            best = score, rescaled(found, 1 / factor)
        small, seen = shrink_picture(small, seen, 2)
        factor *= 2
    if best is None:
        raise NotMeasuredError(
            "no stripes in this photo",
            found="no place where brightness repeats",
            cure="place the board so that the whole panel reflects it, and look at the reflection's focus",
            allowed="stripes that run over the panel",
        )
    return best[1]


def _tiles(picture: Array, good: Array) -> Tiles:
    """Tiles of a picture; of a large one, those of sixteen windows spread over it."""
    h, w = picture.shape
    side = 3 * TILE_PX
    if h * w <= 20 * side * side:
        return tile_frequencies(picture, good, tile_px=TILE_PX)
    parts = []
    for r in np.linspace(0, h - min(side, h), 4).astype(int):
        for c in np.linspace(0, w - min(side, w), 4).astype(int):
            cut = np.s_[r : r + side, c : c + side]
            part = tile_frequencies(picture[cut], good[cut], tile_px=TILE_PX)
            parts.append(np.stack([part.column + c, part.row + r, part.fx, part.fy, part.strength]))
    return Tiles(*np.concatenate(parts, axis=1))


def rescaled(tiles: Tiles, factor: float) -> Tiles:
    """Tiles in pixels `factor` times as large."""
    column, row = ((v + 0.5) / factor - 0.5 for v in (tiles.column, tiles.row))
    return Tiles(column, row, tiles.fx * factor, tiles.fy * factor, tiles.strength)


def shrink_picture(picture: Array, good: Array, factor: int) -> tuple[Array, Array]:
    """Average blocks of pixels over their good ones; a block counts when at least half of it is good."""
    if factor == 1:
        return picture, good
    h, w = (n // factor for n in picture.shape)
    cut = np.s_[: h * factor, : w * factor]
    share = cv2.resize(good[cut].astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
    total = cv2.resize(np.where(good, picture, 0)[cut], (w, h), interpolation=cv2.INTER_AREA)
    return np.asarray(total / np.maximum(share, 1e-6)), np.asarray(share > 0.5)


def median_of_weighted(value: Array, weight: Array) -> float:
    """Median of values (N,) by weight."""
    order = np.argsort(value, kind="stable")
    part = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(part, 0.5 * part[-1])])


def _powers(order: int) -> list[tuple[int, int]]:
    return [(i, j) for n in range(1, order + 1) for i in range(n, -1, -1) for j in [n - i]]


def fit_carrier(tiles: Tiles, shape: tuple[int, ...]) -> Array:
    """Polynomial phase whose gradient fits the tiles' frequencies, robustly; radians, (H, W)."""
    h, w = shape
    scale = max(h, w) / 2
    x, y = (tiles.column - (w - 1) / 2) / scale, (tiles.row - (h - 1) / 2) / scale
    # Each tile knows its frequency but for its sign: one sign for all, that of the main direction.
    main = np.sqrt(complex(np.sum(tiles.strength * (tiles.fx + 1j * tiles.fy) ** 2)))
    if (main.real if abs(main.real) >= abs(main.imag) else main.imag) < 0:
        main = -main
    sign = np.where(tiles.fx * main.real + tiles.fy * main.imag < 0, -1.0, 1.0)
    wanted = 2 * np.pi * scale * np.r_[sign * tiles.fx, sign * tiles.fy]
    order = 4 if tiles.fx.size >= 40 else 3 if tiles.fx.size >= 20 else 2 if tiles.fx.size >= 9 else 1
    powers = _powers(order)
    dx = np.stack([i * x ** max(i - 1, 0) * y**j for i, j in powers], 1)
    dy = np.stack([j * x**i * y ** max(j - 1, 0) for i, j in powers], 1)
    design = np.vstack([dx, dy])
    weight = np.tile(tiles.strength, 2)
    found = np.zeros(len(powers))
    for turn in range(12):
        rest = wanted - design @ found
        size = np.hypot(*np.split(rest, 2))
        spread = max(float(robust_spread(size)), 1e-6) if turn else 1.0
        trusted = np.ones(size.size) if turn == 0 else 1 / (1 + (size / (2 * spread)) ** 2) ** 2
        root = np.sqrt(weight * np.tile(trusted, 2))
        # A weak ridge keeps high orders quiet where few tiles hold them.
        ridge = 1e-3 * np.sqrt(weight.sum()) * np.diag([float(i + j) for i, j in powers])
        found = np.linalg.lstsq(
            np.vstack([design * root[:, None], ridge]),
            np.r_[wanted * root, np.zeros(len(powers))],
            rcond=None,
        )[0]
    gx, gy = (np.arange(w) - (w - 1) / 2) / scale, (np.arange(h) - (h - 1) / 2) / scale
    phase = np.zeros((h, w))
    for (i, j), value in zip(powers, found, strict=True):
        phase += value * np.outer(gy**j, gx**i)
    return phase
