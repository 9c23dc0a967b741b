"""The panel's grid, the judged region on it, and photos turned into it.

Two grids share one origin: the coarse one carries geometry and heights, the fine one (``FINE`` times denser)
carries the picture, whose stripes need more samples than the surface does.
"""

from __future__ import annotations

import cv2
import numpy as np

from surfscan.flags import bit
from surfscan.optics.lens import project
from surfscan.records import Array, Camera, Grid, Pose, View

__all__ = [
    "FINE",
    "make_grid",
    "mask_polygon",
    "mask_region",
    "mask_squares",
    "pixel_pitch",
    "rectify",
    "to_fine",
]

FINE = 2
"""Fine cells along one coarse cell."""


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
    """Interpolate a smooth coarse map (H, W) to the fine grid (FINE*H, FINE*W), float64, cubic.

    The outermost fine cells lie beyond the coarse centres; linear extrapolation continues the map there.
    """
    padded = cv2.copyMakeBorder(coarse, 1, 1, 1, 1, cv2.BORDER_REPLICATE)
    padded[0], padded[-1] = 2 * padded[1] - padded[2], 2 * padded[-2] - padded[-3]
    padded[:, 0], padded[:, -1] = 2 * padded[:, 1] - padded[:, 2], 2 * padded[:, -2] - padded[:, -3]
    h, w = padded.shape
    fine = cv2.resize(padded, (FINE * w, FINE * h), interpolation=cv2.INTER_CUBIC)
    return np.asarray(fine[FINE:-FINE, FINE:-FINE])


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


def rectify(view: View, x_mm: Array, y_mm: Array, z_mm: Array) -> tuple[Array, Array]:
    """Turn a photo into the panel's fine grid, on the surface as known so far.

    Parameters
    ----------
    view : View
        The photo, its camera and pose, and what hides the panel in it.
    x_mm, y_mm, z_mm : ndarray (H, W)
        The surface at the coarse cells, mm.

    Returns
    -------
    picture : ndarray (FINE*H, FINE*W), float32
        Linear luminance; 0 where not seen.
    state : ndarray (FINE*H, FINE*W), int32
        0 good, else the bits ``out_of_view``, ``saturated`` or ``tag``.
    """
    photo = view.photo
    column, row = project(x_mm, y_mm, z_mm, camera=view.camera, pose=view.pose)
    column, row = to_fine(column), to_fine(row)
    height, width = photo.image.shape
    seen = (column > 1) & (column < width - 2) & (row > 1) & (row < height - 2)
    # Only what shows the panel is cut out, and averaged by whole factors: no noise is lost to skipping.
    pitch = np.sqrt(np.abs(np.median(np.diff(column, axis=1)) * np.median(np.diff(row, axis=0))))
    factor = max(1, int(np.floor(np.nan_to_num(pitch, nan=1.0) + 0.25)))
    image, blown = photo.image, photo.saturated
    left = top = 0
    if factor > 1 and seen.any():
        left, top = (int(max(v[seen].min() // factor - 2, 0)) * factor for v in (column, row))
        right, bottom = (int(v[seen].max() // factor + 3) * factor for v in (column, row))
        image, blown = image[top:bottom, left:right], blown[top:bottom, left:right]
        h, w = image.shape[0] // factor * factor, image.shape[1] // factor * factor
        image = cv2.resize(image[:h, :w], (w // factor, h // factor), interpolation=cv2.INTER_AREA)
    maps = (
        ((column - left + 0.5) / factor - 0.5).astype(np.float32),
        ((row - top + 0.5) / factor - 0.5).astype(np.float32),
    )
    picture = cv2.remap(image, *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    state = np.where(seen, 0, bit("out_of_view")).astype(np.int32)
    if blown.any():
        light = blown.astype(np.uint8) * np.uint8(255)
        if factor > 1:
            light = cv2.resize(light[:h, :w], (w // factor, h // factor), interpolation=cv2.INTER_AREA)
        state[cv2.remap(light, *maps, cv2.INTER_LINEAR) > 0] |= bit("saturated")
    if view.hidden_px:
        paper = np.zeros(image.shape, np.uint8)
        for outline in view.hidden_px:
            corners = (outline - (left, top) + 0.5) / factor - 0.5
            cv2.fillConvexPoly(paper, np.rint(corners * 16).astype(np.int32), 1, cv2.LINE_8, 4)
        state[cv2.remap(paper, *maps, cv2.INTER_NEAREST) > 0] |= bit("tag")
    return np.where(seen, picture, 0).astype(np.float32), state
