"""The surface as known so far: what it reflects, its level, and the first guess of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from surfscan.core.base import Base
from surfscan.core.carrier import Array, Carrier, check_shapes, seal
from surfscan.core.errors import NotMeasuredError
from surfscan.core.reading import Context
from surfscan.core.records import Board, Grid, Pose
from surfscan.optics.mirror import Hit, hit_board
from surfscan.optics.rolling import as_exposed, eye_of, ray_of

__all__ = [
    "ENOUGH",
    "Surface",
    "check_region",
    "first_surface",
    "on_board",
    "on_patch",
    "plane_through",
    "scaled_axes",
    "slide",
    "stand_off_mm",
]

ENOUGH = 400
"""Fewest measured cells that make a reading."""


@dataclass(frozen=True, slots=True, eq=False)
class Surface(Carrier):
    """The surface as known so far, everywhere on the coarse grid: places, height (mm) and slopes, all (H, W).

    On a `base` places are distances along it and heights stand on its normals.
    """

    x: Array
    y: Array
    z: Array
    p: Array
    q: Array
    base: Base | None = None

    def __post_init__(self) -> None:
        check_shapes(self, dict.fromkeys(("x", "y", "z", "p", "q"), ("H", "W")))
        seal(self)

    def hit(
        self, camera: Array | Pose, board: Board, *, p: Array | None = None, q: Array | None = None
    ) -> Hit:
        """Where each cell looks on the board from a camera's centre or pose; by other slopes than its own, if given."""
        p, q = self.p if p is None else p, self.q if q is None else q
        x, y, z = self.points
        eye = eye_of(camera, x, y, z) if isinstance(camera, Pose) else camera
        if self.base is None:
            return hit_board(x, y, z, p, q, camera_mm=eye, board=board)
        tilted = self.base.tilted(self.x, self.y, self.z, p, q)
        hit = hit_board(x, y, z, tilted.p, tilted.q, camera_mm=eye, board=board)
        by = [
            tuple(one[0] * tilted.p_by[k] + one[1] * tilted.q_by[k] for k in (0, 1))
            for one in (hit.d_across, hit.d_up)
        ]
        return Hit(hit.across_mm, hit.up_mm, (by[0][0], by[0][1]), (by[1][0], by[1][1]))

    @property
    def points(self) -> tuple[Array, Array, Array]:
        """The same places in the panel frame, mm."""
        return (self.x, self.y, self.z) if self.base is None else self.base.points(self.x, self.y, self.z)

    def at(self, cells: Any) -> Surface:
        """Some cells of it."""
        x, y, z, p, q = (m[cells] for m in (self.x, self.y, self.z, self.p, self.q))
        return Surface(x, y, z, p, q, self.base)

    def level(self, context: Context) -> Surface:
        """Bring the surface to where the tags are: the plane through what it is off there, off height and slopes."""
        tilt = plane_through(self.z, context.grid, context.level_at_mm, context.level_mm)
        z = self.z - (tilt[0] + tilt[1] * self.x + tilt[2] * self.y)
        return replace(self, z=z, p=self.p - tilt[1], q=self.q - tilt[2])


def plane_through(z: Array, grid: Grid, places_mm: Array, less_mm: Array | None = None) -> Array:
    """Plane (constant, x, y) through a map (H, W) at the cells nearest to places (N, 2), by least squares.

    `less_mm` (N,) is what the map ought to be there, 0 by default.
    """
    column = np.clip((places_mm[:, 0] - grid.x_mm[0]) / grid.step_mm, 0, grid.x_mm.size - 1)
    row = np.clip((places_mm[:, 1] - grid.y_mm[0]) / grid.step_mm, 0, grid.y_mm.size - 1)
    at = z[np.rint(row).astype(int), np.rint(column).astype(int)]
    if less_mm is not None:
        at = at - less_mm
    design = np.column_stack([np.ones(len(at)), places_mm])
    return np.asarray(np.linalg.lstsq(design, at, rcond=None)[0])


def first_surface(context: Context, crown: Array | None = None) -> Surface:
    """The quadric of a crown (z_xx, z_xy, z_yy; the context's without one), not levelled."""
    known = context.crown if crown is None else crown
    a, b, c = np.zeros(3) if known is None else np.asarray(known, float)
    x, y = np.meshgrid(context.grid.x_mm, context.grid.y_mm)
    z = 0.5 * (a * x * x + 2 * b * x * y + c * y * y)
    return Surface(x, y, z, a * x + b * y, b * x + c * y, context.base)


def check_region(context: Context) -> None:
    """Refuse a region too small to measure.

    Raises
    ------
    NotMeasuredError
    """
    inside = context.inside
    if inside.sum() < ENOUGH:
        raise NotMeasuredError(
            "the judged region is too small to measure",
            found=f"{int(inside.sum())} cells of {context.grid.step_mm:.2g} mm",
            cure="judge a larger region or leave less out",
            allowed=f"at least {ENOUGH} cells",
        )


def scaled_axes(grid: Grid) -> tuple[Array, Array, float]:
    """Columns' and rows' places within 1 of the middle, and the mm that 1 stands for: for polynomials."""
    reach = float(max(np.abs(grid.x_mm).max(), np.abs(grid.y_mm).max()))
    return grid.x_mm / reach, grid.y_mm / reach, reach


def stand_off_mm(grid: Grid) -> float:
    """How far a panel's surface may stand off the tags' plane: a crown of 1 m radius does less."""
    return 0.1 * float(np.hypot(np.ptp(grid.x_mm), np.ptp(grid.y_mm)))


def on_board(hit: Hit, board: Board) -> Array:
    """Cells whose ray meets the board's stripes, (H, W) bool: not past its edge, and not its own tags."""
    half_w, half_h = board.size_mm[0] / 2, board.size_mm[1] / 2
    with np.errstate(invalid="ignore"):
        return np.asarray(
            (np.abs(hit.across_mm) < half_w) & (np.abs(hit.up_mm) < half_h) & ~on_patch(hit, board)
        )


def on_patch(hit: Hit, board: Board) -> Array:
    """Cells whose ray meets one of the board's own tags, (H, W) bool."""
    found = np.zeros(np.shape(hit.across_mm), bool)
    with np.errstate(invalid="ignore"):
        for a, b, half in board.patches_mm:
            found |= (np.abs(hit.across_mm - a) < half) & (np.abs(hit.up_mm - b) < half)
    return found


def slide(few: Surface, old: Pose, new: Pose, longer: float = 1.0) -> tuple[Array, Array]:
    """How far a pixel's place on the panel moves from the old pose to the new, at its height, mm."""
    here = few.points
    points = np.stack(here, -1)
    x, y, z = np.moveaxis(points @ old.rotation.T + old.shift_mm, -1, 0)
    if old.sway.any():
        x, y, z = as_exposed(x, y, z, old)
    centre, ray = ray_of(new, x / z / longer, y / z / longer)
    if few.base is not None:
        normal = few.base.frame(few.base.along(few.x, few.y)[0])[1]
        off, rise = (
            sum(normal[k] * part[k] for k in range(3))
            for part in ([here[k] - centre[k] for k in range(3)], ray)
        )
        along = off / rise
        moved = tuple(centre[k] + along * ray[k] - here[k] for k in range(3))
        return few.base.moved(few.x, few.y, few.z, (moved[0], moved[1], moved[2]))
    along = (few.z - centre[2]) / ray[2]
    return centre[0] + along * ray[0] - few.x, centre[1] + along * ray[1] - few.y
