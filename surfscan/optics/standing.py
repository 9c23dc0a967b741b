"""Where to stand so that a part of a panel mirrors the board: places for the photos of a sweep.

A place shows the board where the ray from the camera, mirrored by the surface, meets it (`mirror.hit_board`). Places
are chosen one after the other, each the one that shows most of what no photo shows yet: the greedy cover, which needs
at most 1 + ln(n) times as many as the best choice (Chvatal 1979, Mathematics of Operations Research 4, 233; from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from surfscan.core.records import Array, Board, Camera
from surfscan.optics.mirror import hit_board

__all__ = ["Sightline", "Standing", "between", "choose_places"]

TURNS_DEG = tuple(range(-48, 49, 8))
"""How far a place may lie off the way in which the panel's middle mirrors the board's, to the side and up and down."""

DISTANCES = (1.0, 1.3, 0.8, 1.7)
"""Of the usual distance, the usual one first."""

STEEPEST_COS = 0.35
"""Cosine of the largest angle of incidence: flatter, a photo has too few pixels for the panel (our choice)."""

OVERLAP = 0.15
"""Share of what a photo shows that others show as well: they are brought into agreement there."""

WORTH = 0.01
"""A photo that shows less of the panel than this for the first time is not asked for."""

IN_PHOTO = 0.94
"""Share of the photo's width and height that the tags must lie within."""


@dataclass(frozen=True, slots=True)
class Sightline:
    """What a place for the camera is judged by.

    Attributes
    ----------
    xyz_mm : ndarray (3, H, W)
        Places on the surface, mm; NaN where there is no panel to judge.
    p, q : ndarray (H, W)
        Its slopes.
    board : Board
    tags_mm : ndarray (N, 2)
        Centres of the tags on the panel.
    camera : Camera
    image_px : tuple of int
        Width and height of the photo.
    """

    xyz_mm: Array
    p: Array
    q: Array
    board: Board
    tags_mm: Array
    camera: Camera
    image_px: tuple[int, int]

    @property
    def judged(self) -> Array:
        """(H, W), bool: where there is something to see."""
        return np.asarray(np.isfinite(self.xyz_mm).all(0))

    def shows(self, camera_mm: Array) -> Array:
        """Places (H, W) that mirror the board into a camera there, all but half a stripe along the board's rim."""
        x, y, z = self.xyz_mm
        hit = hit_board(x, y, z, self.p, self.q, camera_mm=camera_mm, board=self.board)
        half_a, half_b = ((side - self.board.period_mm) / 2 for side in self.board.size_mm)
        away = camera_mm - np.moveaxis(self.xyz_mm, 0, -1)
        with np.errstate(invalid="ignore"):
            cos = away[..., 2] - self.p * away[..., 0] - self.q * away[..., 1]
            cos = cos / np.linalg.norm(away, axis=-1) / np.sqrt(1 + self.p**2 + self.q**2)
            on = (np.abs(hit.across_mm) <= half_a) & (np.abs(hit.up_mm) <= half_b)
        return np.asarray(
            on & (cos >= STEEPEST_COS) & ~between(np.moveaxis(self.xyz_mm, 0, -1), camera_mm, self.board)
        )

    def holds_tags(self, camera_mm: Array) -> bool:
        """Whether a photo from there, aimed at the tags' middle, holds all tags (of many, four)."""
        middle = np.append(self.tags_mm.mean(0), 0.0)
        ahead = (middle - camera_mm) / np.linalg.norm(middle - camera_mm)
        right = np.cross(ahead, (0.0, 1.0, 0.0))
        if np.linalg.norm(right) < 1e-6:
            right = np.array([1.0, 0.0, 0.0])
        right /= np.linalg.norm(right)
        rays = np.column_stack([self.tags_mm, np.zeros(len(self.tags_mm))]) - camera_mm
        depth = rays @ ahead
        place = np.abs(np.stack([rays @ right, rays @ np.cross(ahead, right)], -1)) / depth[:, None]
        half = IN_PHOTO * np.array(self.image_px) / 2 / self.camera.focal_px
        seen = (depth > 0) & (place <= half).all(1)
        return int(seen.sum()) >= min(4, len(seen))


@dataclass(frozen=True, slots=True)
class Standing:
    """A place for the camera.

    Attributes
    ----------
    camera_mm : ndarray (3,)
        In round figures, mm.
    shows : ndarray (H, W), bool
        What mirrors the board from there.
    fresh_share : float
        Share of the panel that it shows and those before do not.
    """

    camera_mm: Array
    shows: Array
    fresh_share: float


def choose_places(
    sight: Sightline, *, distance_mm: float, seen: Array | None = None, most: int = 60
) -> tuple[Standing, ...]:
    """Choose places until all that can be seen is seen.

    Parameters
    ----------
    sight : Sightline
    distance_mm : float
        Usual distance of the camera from the panel's middle, mm.
    seen : ndarray (H, W), bool, optional
        What photos show already.
    most : int
        Places at most.

    Returns
    -------
    tuple of Standing
        In the order to take them, each beside what is seen already; empty where none shows anything new.
    """
    judged = sight.judged
    count = max(int(judged.sum()), 1)
    done = judged & (np.zeros_like(judged) if seen is None else seen)
    places = _candidates(sight, distance_mm)
    chosen: list[Standing] = []
    while len(chosen) < most:
        best, score = None, WORTH * count
        for off, camera_mm, shows in places:
            fresh = int(np.count_nonzero(shows & ~done))
            if done.any() and np.count_nonzero(shows & done) < OVERLAP * np.count_nonzero(shows):
                continue
            if fresh * (1 - 0.1 * off) > score:
                best, score = (camera_mm, shows, fresh), fresh * (1 - 0.1 * off)
        if best is None:
            break
        chosen.append(Standing(best[0], best[1], best[2] / count))
        done = done | best[1]
    return tuple(chosen)


def _candidates(sight: Sightline, distance_mm: float) -> list[tuple[float, Array, Array]]:
    """Places to stand: how unhandy each is (0 to about 1), the camera's, and what it shows."""
    middle = np.append(sight.tags_mm.mean(0), float(np.nanmedian(sight.xyz_mm[2])))
    to_board = (sight.board.centre_mm - middle) / np.linalg.norm(sight.board.centre_mm - middle)
    back = np.array([-to_board[0], -to_board[1], to_board[2]])
    side = np.cross((0.0, 1.0, 0.0), back)
    side = side / np.linalg.norm(side) if np.linalg.norm(side) > 1e-6 else np.array([1.0, 0.0, 0.0])
    up = np.cross(back, side)
    places = []
    for far in DISTANCES:
        for i in TURNS_DEG:
            for j in TURNS_DEG:
                way = back + np.tan(np.radians(i)) * side + np.tan(np.radians(j)) * up
                camera_mm = middle + far * distance_mm * way / np.linalg.norm(way)
                camera_mm = np.round(camera_mm, -1)
                if camera_mm[2] < 0.2 * distance_mm or not sight.holds_tags(camera_mm):
                    continue
                shows = sight.shows(camera_mm)
                if shows.any():
                    off = np.hypot(i, j) / max(TURNS_DEG) / 2 + abs(np.log(far))
                    places.append((float(min(off, 1.0)), camera_mm, shows))
    return places


def between(points: Array, centre: Array, board: Board) -> Array:
    """Whether the way from each point to the camera passes through the board.

    Parameters
    ----------
    points : ndarray (..., 3)
    centre : ndarray (3,)
        The camera's.
    board : Board

    Returns
    -------
    ndarray (...), bool
    """
    ray = centre - points
    with np.errstate(divide="ignore", invalid="ignore"):
        t = ((board.centre_mm - points) @ board.normal) / (ray @ board.normal)
    met = points + t[..., None] * ray - board.centre_mm
    a, b = np.abs(met @ board.across), np.abs(met @ board.up)
    return np.asarray((t > 0) & (t < 1) & (a <= board.size_mm[0] / 2) & (b <= board.size_mm[1] / 2))
