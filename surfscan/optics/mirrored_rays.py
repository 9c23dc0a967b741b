"""Rays that leave a camera, meet the panel's smooth form and end on the board: corners of mirrored tags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from surfscan.core.records import Array, Board, Camera, Photo, TagSeen
from surfscan.optics.board_pose import TagSet, move_board
from surfscan.optics.lens import undistort
from surfscan.optics.mirror import hit_board
from surfscan.optics.pose import PoseFit
from surfscan.optics.tag_shape import tag_corners

__all__ = ["POWERS", "MirroredRays", "MirroredTags", "rays_of"]

POWERS = tuple((n - j, j) for n in range(5) for j in range(n + 1))
"""Powers (of x, of y) of the panel's form."""

SLOPE_RAD = 5e-4
"""Standard deviation of the panel's slope about its smooth form where a tag is mirrored: fair metal under gloss."""

MIRRORED_NOISE_PX = 0.15
"""Noise of a mirrored corner: a reflection of a few per cent, less sharp than a print."""


@dataclass(frozen=True, slots=True)
class MirroredTags:
    """The board's tags seen in the panel's mirror in one photo, and where that was taken from.

    Attributes
    ----------
    photo : Photo
        Its picture is not used.
    camera : Camera
    fit : PoseFit
        By the panel's own tags.
    tags : tuple of TagSeen
        Mirrored, with the corners of the print (`job.tags.find_tags`).
    """

    photo: Photo
    camera: Camera
    fit: PoseFit
    tags: tuple[TagSeen, ...]


@dataclass(frozen=True, slots=True)
class MirroredRays:
    """All corners of all mirrored tags of some photos, with what they are fitted by.

    A state is one vector: the board's turn (rad) and shift (mm), the form's numbers (mm), each tag's own turn (rad) and
    offset on the board (mm), each camera's turn and shift.
    """

    ideal: Array  # (N, 4, 2), without the lens
    per_px: Array  # (N,), ideal units a pixel
    shot: Array  # (N,), index of the photo
    tag: Array  # (N,), index of the tag among `ids`
    ids: tuple[int, ...]
    middles: Array  # (N, 2), on the board
    side_mm: float
    rotation: Array  # (S, 3, 3)
    shift: Array  # (S, 3)
    stiff: Array  # (S, 6, 6), the cameras' own: whitens a change of the pose
    places_mm: Array
    reach_mm: float
    u_tag_mm: float

    @property
    def tags(self) -> int:
        return len(self.ids)

    @property
    def size(self) -> int:
        """Numbers of the state: board, form, the tags' own turns, cameras."""
        return 6 + len(POWERS) + 3 * self.tags + 6 * len(self.shift)

    def land(self, state: Array, board: Board) -> tuple[Array, Array, Array]:
        """Where each corner's ray ends on the board (N, 4, 2), and how that moves with the panel's slopes there."""
        n = 6 + len(POWERS) + 3 * self.tags
        form, changes = state[6 : 6 + len(POWERS)], state[n:].reshape(-1, 6)
        turns = np.stack([cv2.Rodrigues(np.ascontiguousarray(c[:3]))[0] for c in changes])
        rotation, shift = turns @ self.rotation, self.shift + changes[:, 3:]
        eyes = -np.einsum("sji,sj->si", rotation, shift)[self.shot]
        rays = np.concatenate([self.ideal, np.ones((*self.ideal.shape[:2], 1))], -1)
        rays = np.einsum("nki,nij->nkj", rays, rotation[self.shot])
        z = np.zeros(rays.shape[:2])
        for _ in range(4):
            along = (z - eyes[:, None, 2]) / rays[..., 2]
            x, y = (eyes[:, None, k] + along * rays[..., k] for k in (0, 1))
            z, p, q = self.form(form, x, y)
            # Newton's step along the ray, not a fixed point: an oblique ray on a crown would swing.
            slope = p * rays[..., 0] + q * rays[..., 1]
            miss = eyes[:, None, 2] + along * rays[..., 2] - z
            along = along - miss / (rays[..., 2] - slope)
            x, y = (eyes[:, None, k] + along * rays[..., k] for k in (0, 1))
            z = eyes[:, None, 2] + along * rays[..., 2]
        _, p, q = self.form(form, x, y)
        hit = hit_board(
            x, y, z, p, q, camera_mm=np.moveaxis(eyes[:, None], -1, 0), board=move_board(board, state[:6])
        )
        lever = np.stack([np.stack(hit.d_across, -1), np.stack(hit.d_up, -1)], -2)
        return np.stack([hit.across_mm, hit.up_mm], -1), lever, np.stack([x, y], -1)

    def form(self, coefficients: Array, x: Array, y: Array) -> tuple[Array, Array, Array]:
        """Height of the panel's form and its slopes."""
        table = np.zeros((5, 5))
        for (i, j), c in zip(POWERS, coefficients, strict=True):
            table[i, j] = c
        n = np.arange(5.0)
        us = np.power.outer(x / self.reach_mm, n)
        vs = np.power.outer(y / self.reach_mm, n)
        # d/du of u^i is i u^(i - 1): the rows moved up by one.
        by_u, by_v = np.roll(n[:, None] * table, -1, 0), np.roll(n * table, -1, 1)
        z, p, q = (np.sum((us @ each) * vs, -1) for each in (table, by_u, by_v))
        return z, p / self.reach_mm, q / self.reach_mm

    def misses(self, state: Array, board: Board) -> tuple[Array, Array]:
        """Miss of each corner on the board, mm, (N, 8), and the levers (N, 4, 2, 2)."""
        found, lever, _ = self.land(state, board)
        k = 6 + len(POWERS)
        own = state[k : k + 3 * self.tags].reshape(-1, 3)[self.tag]
        turns = np.column_stack([own[:, 0], np.zeros((len(own), 2))])
        wanted = tag_corners(turns, self.middles + own[:, 1:], self.side_mm)[..., :2]
        return np.nan_to_num(found - wanted, nan=1e4).reshape(-1, 8), lever

    def by_px(self, state: Array, board: Board) -> Array:
        """How far each corner's ray moves on the board for a pixel right and down: (N, 4, 2, 2), mm."""
        found = self.land(state, board)[0]
        columns = []
        for axis in (0, 1):
            step = np.eye(2)[axis] * self.per_px[:, None, None]
            columns.append(replace(self, ideal=self.ideal + step).land(state, board)[0] - found)
        return np.nan_to_num(np.stack(columns, -1))

    def misses_px(self, state: Array, board: Board) -> Array:
        """Distance of each corner from where it should be, px, (N, 4); very large where a ray misses the board."""
        miss, by_px = self.misses(state, board)[0].reshape(-1, 4, 2, 1), self.by_px(state, board)
        by_px[np.abs(np.linalg.det(by_px)) < 1e-9] = 1e-3 * np.eye(2)
        return np.asarray(np.linalg.norm(np.linalg.solve(by_px, miss), axis=(-2, -1)))

    def whitening(self, state: Array, board: Board) -> Array:
        """(N, 8, 8): what a tag's eight misses must be multiplied by to have unit covariance."""
        by_px, lever = self.by_px(state, board), self.misses(state, board)[1]
        noise = np.zeros((len(self.tag), 8, 8))
        for k in range(4):
            part = by_px[:, k]
            noise[:, 2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = (
                MIRRORED_NOISE_PX**2 * part @ np.swapaxes(part, 1, 2)
            )
        both = np.nan_to_num(lever).reshape(-1, 8, 2)
        noise += SLOPE_RAD**2 * both @ np.swapaxes(both, 1, 2)
        return np.asarray(np.linalg.inv(np.linalg.cholesky(noise + 1e-9 * np.eye(8))))


def rays_of(shots: Sequence[MirroredTags], board: TagSet, places_mm: Array, u_tag_mm: float) -> MirroredRays:
    ids = sorted({tag.id for shot in shots for tag in shot.tags})
    rows = [(k, shot, tag) for k, shot in enumerate(shots) for tag in shot.tags]
    ideal = np.stack([undistort(tag.corners_px, camera=shot.camera) for _, shot, tag in rows])
    stiff = []
    for shot in shots:
        inverse = np.linalg.inv(shot.fit.pose.covariance + 1e-14 * np.eye(6))
        stiff.append(np.linalg.cholesky(0.5 * (inverse + inverse.T)).T)
    return MirroredRays(
        ideal,
        np.array([1.0 / shot.camera.focal_px for _, shot, _ in rows]),
        np.array([k for k, _, _ in rows]),
        np.array([ids.index(tag.id) for _, _, tag in rows]),
        tuple(ids),
        np.array([board.centres_mm[tag.id][:2] for _, _, tag in rows], float),
        board.side_mm,
        np.stack([shot.fit.pose.rotation for shot in shots]),
        np.stack([shot.fit.pose.shift_mm for shot in shots]),
        np.stack(stiff),
        places_mm,
        float(np.linalg.norm(places_mm[:, :2], axis=1).max()),
        u_tag_mm,
    )
