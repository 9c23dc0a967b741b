"""The panel's grid, the judged region on it, and photos turned into it.

Two grids share one origin: the coarse one carries geometry and heights, the fine one (``FINE`` times denser)
carries the picture, whose stripes need more samples than the surface does.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from surfscan.core.base import Base
from surfscan.core.flags import bit
from surfscan.core.reading import View
from surfscan.core.records import Array, Camera, Grid, Pose
from surfscan.optics.lens import project

__all__ = [
    "FINE",
    "Cutout",
    "cut_out",
    "make_grid",
    "mask_polygon",
    "mask_region",
    "mask_squares",
    "pixel_pitch",
    "rectify",
    "step_within",
    "to_fine",
]

FINE = 2
"""Fine cells along one coarse cell."""

MOST_CELLS = 400_000
"""Coarse cells of the largest grid: a panel of 2 m x 2 m is then read every 3 mm, in seconds and under 2 GB."""


def step_within(step_mm: float, size_mm: tuple[float, float]) -> float:
    """A coarse step held to at least 60 cells across a panel and at most `MOST_CELLS` in all."""
    return float(np.clip(step_mm, np.sqrt(size_mm[0] * size_mm[1] / MOST_CELLS), min(size_mm) / 60))


def make_grid(size_mm: tuple[float, float], step_mm: float) -> Grid:
    """Lay a grid of cell centres over the panel rectangle.

    Parameters
    ----------
    size_mm : (width, height)
    step_mm : float
        Wanted spacing; whole cells are centred on the origin.

    Returns
    -------
    Grid
    """
    count = [max(2, int(np.floor(length / step_mm + 1e-9))) for length in size_mm]
    x, y = ((np.arange(n) - (n - 1) / 2) * step_mm for n in count)
    return Grid(x, y, float(step_mm))


def to_fine(coarse: Array) -> Array:
    """Interpolate a smooth coarse map (H, W) to the fine grid (FINE*H, FINE*W), by the cubic through four cells.

    The outermost fine cells lie beyond the coarse centres; linear extrapolation continues the map there. (The cubic of
    cv2.resize is not exact even for parabolas: on a narrow spot it would bend the stripes drawn by 1 % of its slope.)
    """
    return np.ascontiguousarray(_finer_rows(_finer_rows(coarse).T).T)


def _finer_rows(coarse: Array) -> Array:
    """The same along the first axis alone."""
    count = len(coarse)
    before, after = coarse[0] - coarse[1], coarse[-1] - coarse[-2]
    wide = np.concatenate(
        [[coarse[0] + 2 * before, coarse[0] + before], coarse, [coarse[-1] + after, coarse[-1] + 2 * after]]
    )
    fine = np.empty((FINE * count, *coarse.shape[1:]), coarse.dtype)
    for k in range(FINE):
        place = (k + 0.5) / FINE - 0.5
        first = int(np.floor(place)) + 1  # of the four cells, in `wide`
        fine[k::FINE] = sum(w * wide[first + j : first + j + count] for j, w in enumerate(_cubic(place % 1)))
    return fine


def _cubic(t: float) -> tuple[float, ...]:
    """Lagrange's weights of the cells at -1, 0, 1 and 2 for a place t from 0 to 1."""
    return (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )


def mask_polygon(grid: Grid, polygon_mm: list[tuple[float, float]]) -> Array:
    """Cells whose centre lies inside a polygon, (H, W) bool."""
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    inside = np.zeros(x.shape, bool)
    points = np.asarray(polygon_mm, float)
    for (xa, ya), (xb, yb) in zip(points, np.roll(points, -1, 0), strict=True):
        if ya == yb:
            continue
        crosses = (ya > y) != (yb > y)
        inside ^= crosses & (x < xa + (y - ya) * (xb - xa) / (yb - ya))
    return inside


def mask_squares(
    grid: Grid, centres_mm: dict[int, tuple[float, float]], turns_rad: dict[int, float], half_mm: float
) -> Array:
    """Cells under squares of half-side `half_mm`, each turned about its own centre, (H, W) bool."""
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    under = np.zeros(x.shape, bool)
    for key, (cx, cy) in centres_mm.items():
        cos, sin = np.cos(turns_rad.get(key, 0.0)), np.sin(turns_rad.get(key, 0.0))
        dx, dy = x - cx, y - cy
        under |= (np.abs(cos * dx + sin * dy) < half_mm) & (np.abs(cos * dy - sin * dx) < half_mm)
    return under


def mask_region(
    grid: Grid,
    *,
    region_mm: list[tuple[float, float]] | None,
    leave_out_mm: list[list[tuple[float, float]]],
    tags: Array,
) -> Array:
    """Flags of the judged region.

    Parameters
    ----------
    grid : Grid
    region_mm : polygon or None
        The region to judge instead of the whole grid.
    leave_out_mm : list of polygons
    tags : ndarray (H, W), bool
        Cells under tags.

    Returns
    -------
    ndarray (H, W), int32
        0 inside the judged region, else the bits ``outside``, ``left_out``, ``tag``.
    """
    flags = np.zeros(grid.shape, np.int32)
    if region_mm is not None:
        flags[~mask_polygon(grid, region_mm)] |= bit("outside")
    for polygon in leave_out_mm:
        flags[mask_polygon(grid, polygon)] |= bit("left_out")
    flags[tags] |= bit("tag")
    return flags


def pixel_pitch(size_mm: tuple[float, float], *, camera: Camera, pose: Pose) -> float:
    """Millimetres of panel per photo pixel at the panel's middle (geometric mean of both directions)."""
    x, y = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    column, row = project(x, y, 0.0, camera=camera, pose=pose)
    jacobian = np.array([[column[1] - column[0], column[2] - column[0]], [row[1] - row[0], row[2] - row[0]]])
    return float(1 / np.sqrt(abs(np.linalg.det(jacobian))))


@dataclass(frozen=True, slots=True)
class Cutout:
    """The part of a photo that shows the panel, averaged down to about the fine grid's density.

    Attributes
    ----------
    view : View
    image : ndarray (h, w), float32
        Linear luminance.
    blocked : ndarray (h, w), uint8 or None
        1 where blown out, 2 under a tag's paper; None when there is neither.
    left, top : int
        Photo pixel of the cutout's corner.
    factor : int
        Photo pixels along one cutout pixel.
    """

    view: View
    image: Array
    blocked: Array | None
    left: int
    top: int
    factor: int


def cut_out(view: View, grid: Grid, *, reach_mm: float, base: Base | None = None) -> Cutout:
    """Cut the panel out of a photo.

    Parameters
    ----------
    view : View
    grid : Grid
        The coarse grid, whose density decides how far the photo is averaged: by whole factors, so that no noise
        is lost to skipping.
    reach_mm : float
        How far the surface may stand off the plane z = 0, or off its base.
    base : Base, optional
        What a curved panel's grid lies on.

    Returns
    -------
    Cutout
    """
    photo = view.photo
    height, width = photo.image.shape
    x, y, z = np.meshgrid(grid.x_mm[[0, -1]], grid.y_mm[[0, -1]], [-reach_mm, 0.0, reach_mm])
    if base is not None:
        ends = [np.linspace(axis[0], axis[-1], 16) for axis in (grid.x_mm, grid.y_mm)]
        x, y, z = base.points(*np.meshgrid(*ends, [-reach_mm, reach_mm]))
    column, row = project(x, y, z, camera=view.camera, pose=view.pose)
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    factor = max(1, int(np.floor(grid.step_mm / FINE / pitch + 0.25)))
    edges = []
    for place, size in ((column, width), (row, height)):
        low, high = (np.nan_to_num(v, nan=w) for v, w in ((np.nanmin(place), 0.0), (np.nanmax(place), size)))
        first = int(np.clip(low - 8 * factor, 0, max(size - 16 * factor, 0))) // factor * factor
        last = int(np.clip(high + 8 * factor, first + 8 * factor, size))
        edges.append((first, first + (last - first) // factor * factor))
    (left, right), (top, bottom) = edges
    image, blown = photo.image[top:bottom, left:right], photo.saturated[top:bottom, left:right]
    size_px = image.shape[1] // factor, image.shape[0] // factor
    if factor > 1:
        image = cv2.resize(image, size_px, interpolation=cv2.INTER_AREA)
    blocked: Array | None = None
    if blown.any() or view.hidden_px:
        light: Array = blown.astype(np.uint8)
        if factor > 1:
            light = cv2.resize(light * np.uint8(255), size_px, interpolation=cv2.INTER_AREA)
        paper = (light > 0).astype(np.uint8)
        for outline in view.hidden_px:
            corners = (outline - (left, top) + 0.5) / factor - 0.5
            cv2.fillConvexPoly(paper, np.rint(corners * 16).astype(np.int32), 2, cv2.LINE_8, 4)
        blocked = paper
    return Cutout(view, image, blocked, left, top, factor)


def rectify(cutout: Cutout, x_mm: Array, y_mm: Array, z_mm: Array) -> tuple[Array, Array]:
    """Turn a photo into the panel's fine grid, on the surface as known so far.

    Parameters
    ----------
    cutout : Cutout
    x_mm, y_mm, z_mm : ndarray (H, W)
        The surface at the coarse cells, mm.

    Returns
    -------
    picture : ndarray (FINE*H, FINE*W), float32
        Linear luminance; 0 where not seen.
    state : ndarray (FINE*H, FINE*W), int32
        0 good, else the bits ``out_of_view``, ``saturated`` or ``tag``.
    """
    column, row = project(x_mm, y_mm, z_mm, camera=cutout.view.camera, pose=cutout.view.pose)
    # In pixels of the cutout, single precision: a thousandth of a pixel is enough for a picture.
    column = to_fine(((column - cutout.left + 0.5) / cutout.factor - 0.5).astype(np.float32))
    row = to_fine(((row - cutout.top + 0.5) / cutout.factor - 0.5).astype(np.float32))
    height, width = cutout.image.shape
    seen = (column > 1) & (column < width - 2) & (row > 1) & (row < height - 2)
    picture = cv2.remap(
        cutout.image, column, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=0
    )
    state = np.where(seen, 0, bit("out_of_view")).astype(np.int32)
    if cutout.blocked is not None:
        what = cv2.remap(cutout.blocked, column, row, cv2.INTER_NEAREST)
        state[what == 1] |= bit("saturated")
        state[what == 2] |= bit("tag")
    picture[~seen] = 0
    return picture, state
