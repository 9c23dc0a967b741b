"""The dots of one photo and the lattice they lie in: which dot is which, where on the panel, and which fit nothing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.spatial import cKDTree

from surfscan.core.carrier import Array
from surfscan.core.reading import Context, View
from surfscan.core.records import Grid
from surfscan.core.robust import robust_spread
from surfscan.optics.field import pixel_pitch
from surfscan.optics.lens import project, undistort
from surfscan.optics.mirror import hit_board
from surfscan.phase.dots import Blobs, number_lattice
from surfscan.reading.surface import Surface
from surfscan.surface.scattered import Spline, fit_slopes

__all__ = [
    "FEWEST",
    "Dots",
    "adopt",
    "centroid_noise_px",
    "cover",
    "crossed_misfit",
    "disc_shift",
    "number_dots",
    "on_panel",
    "sample",
    "usable_part",
]

FEWEST = 30
"""Fewest dots that make a surface."""

REACH = 0.5
"""How far beyond the outermost dots the surface is still given, in reflected spacings."""

ADOPTED = 0.35
"""A dot without a number takes the one that the surface gives it when it lies within this many lattice steps."""

AROUND = 2.5
"""How far around dots that fit nothing the surface is not given, in reflected spacings."""


@dataclass(slots=True)
class Dots:
    """The dots in use: photo places, lattice numbers; what the last round made of them.

    Attributes
    ----------
    blobs : Blobs
        N dots.
    number : ndarray (N, 2), int
        Column and row in the lattice, where `known`.
    known, used : ndarray (N,), bool
    x, y : ndarray (N,)
        Places on the panel, mm.
    spacing_mm : float
        Median distance of neighbours on the panel.
    """

    blobs: Blobs
    number: Array
    known: Array
    x: Array
    y: Array
    used: Array
    spacing_mm: float

    def box_mm(self, grid: Grid) -> tuple[float, float, float, float]:
        """The grid's rectangle grown by a spacing: x from, x to, y from, y to."""
        gap = self.spacing_mm
        return (grid.x_mm[0] - gap, grid.x_mm[-1] + gap, grid.y_mm[0] - gap, grid.y_mm[-1] + gap)


def usable_part(view: View, grid: Grid) -> Array:
    """Where in the photo the panel is: inside its rectangle, off the tags. Dots beyond the judged region help."""
    x, y = grid.x_mm, grid.y_mm
    edge = 0.5 * grid.step_mm
    n = 40
    top, side = np.linspace(x[0] - edge, x[-1] + edge, n), np.linspace(y[0] - edge, y[-1] + edge, n)
    ring_x = np.concatenate([top, np.full(n, x[-1] + edge), top[::-1], np.full(n, x[0] - edge)])
    ring_y = np.concatenate([np.full(n, y[0] - edge), side, np.full(n, y[-1] + edge), side[::-1]])
    column, row = project(ring_x, ring_y, 0.0, camera=view.camera, pose=view.pose)
    outline = np.nan_to_num(np.column_stack([column, row]), nan=-1e4)
    mask = np.zeros(view.photo.image.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(np.clip(outline, -1e5, 1e5) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
    for hidden in view.hidden_px:
        cv2.fillConvexPoly(mask, np.rint(hidden * 16).astype(np.int32), 0, cv2.LINE_8, 4)
    return np.asarray(cv2.erode(mask, np.ones((3, 3), np.uint8), borderValue=0) > 0)


def on_panel(
    view: View, blobs: Blobs, spline: Spline | None, surface: Surface, grid: Grid
) -> tuple[Array, Array]:
    """Panel places (N,) that the dots' pixels look at, on the surface as known so far."""
    ideal = undistort(np.column_stack([blobs.column, blobs.row]), camera=view.camera)
    ray = np.column_stack([ideal, np.ones(len(ideal))]) @ view.pose.rotation
    centre = view.camera_mm
    z = np.zeros(len(ideal))
    x = y = z
    for _ in range(4):
        t = (z - centre[2]) / ray[:, 2]
        x, y = centre[0] + t * ray[:, 0], centre[1] + t * ray[:, 1]
        z = sample(surface.z, x, y, grid) if spline is None else spline.at(x, y)[0]
    return x, y


def sample(value: Array, x: Array, y: Array, grid: Grid) -> Array:
    """Linear interpolation of a grid map at places (N,)."""
    column = ((x - grid.x_mm[0]) / grid.step_mm).astype(np.float32)
    row = ((y - grid.y_mm[0]) / grid.step_mm).astype(np.float32)
    flat = cv2.remap(value, column[None], row[None], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(flat[0], dtype=float)


def number_dots(blobs: Blobs, surface: Surface, context: Context) -> Dots:
    """Number the dots along the board's axes, as the surface makes them look; the start is anyone's."""
    view, board, grid = context.views[0], context.mirrored_board, context.grid
    x, y = on_panel(view, blobs, None, surface, grid)
    z, p, q = (sample(v, x, y, grid) for v in (surface.z, surface.p, surface.q))
    hit = hit_board(x, y, z, p, q, camera_mm=view.camera_mm, board=board)
    u, v = np.nan_to_num(hit.across_mm, nan=1e6), np.nan_to_num(hit.up_mm, nan=1e6)
    number, known = number_lattice(u, v, spacing=board.period_mm)
    dots = Dots(blobs, number, known, x, y, known.copy(), 1.0)
    dots.spacing_mm = _seen_spacing(dots)
    return dots


def _seen_spacing(dots: Dots) -> float:
    """Median distance on the panel of dots that are neighbours in the lattice, mm."""
    place = {tuple(n): k for k, n in enumerate(dots.number) if dots.known[k]}
    gaps = [
        np.hypot(dots.x[k] - dots.x[other], dots.y[k] - dots.y[other])
        for (i, j), k in place.items()
        for other in (place.get((i + 1, j)), place.get((i, j + 1)))
        if other is not None
    ]
    return float(np.median(gaps)) if gaps else 1.0


def disc_shift(dots: Dots, spline: Spline, x: Array, y: Array, context: Context) -> tuple[Array, Array]:
    """How far the centroid of a light's image lies from the image of its centre, mm on the panel.

    The image of a disc of radius r, with K = dx/du the inverse of the reflection's Jacobian: its mean is off by
    r^2/4 (1/2 tr(d2x/du2) + K grad ln det K), to second order in r.
    """
    view, board = context.views[0], context.mirrored_board
    camera_mm = view.camera_mm
    step = 0.25 * spline.step_mm

    def hits(dx: float, dy: float) -> Array:
        z, p, q = spline.at(x + dx, y + dy)
        hit = hit_board(x + dx, y + dy, z, p, q, camera_mm=camera_mm, board=board)
        return np.stack([hit.across_mm, hit.up_mm])

    mid, right, left = hits(0, 0), hits(step, 0), hits(-step, 0)
    above, below = hits(0, step), hits(0, -step)
    mixed = hits(step, step) - hits(step, -step) - hits(-step, step) + hits(-step, -step)
    jacobian = np.moveaxis(np.stack([right - left, above - below]) / (2 * step), (1, 0), (1, 2))  # (N, a, i)
    bend = np.empty((x.size, 2, 2, 2))  # (N, a, i, m)
    bend[:, :, 0, 0] = ((right - 2 * mid + left) / step**2).T
    bend[:, :, 1, 1] = ((above - 2 * mid + below) / step**2).T
    bend[:, :, 0, 1] = bend[:, :, 1, 0] = (mixed / (4 * step**2)).T
    det = np.linalg.det(jacobian)
    usual = np.nanmedian(np.abs(det))
    fine = np.isfinite(bend).all((1, 2, 3)) & (np.abs(det) > 0.1 * usual)
    inverse = np.linalg.inv(np.where(fine[:, None, None], jacobian, np.eye(2)))  # K (N, i, a)
    bend = np.where(fine[:, None, None, None], bend, 0.0)
    square = np.einsum("nia,nma->nim", inverse, inverse)  # K K^T
    first = -0.5 * np.einsum(
        "nia,naim->nm", inverse, np.einsum("nakl,nkl->na", bend, square)[:, :, None, None] * np.eye(2)
    )
    slope = -np.einsum("nia,naim->nm", inverse, bend)  # grad_x ln det K
    second = np.einsum("nim,nm->ni", square, slope)
    # The light's radius from the area of its image: px to panel to board.
    pitch = pixel_pitch((0.0, 0.0), camera=view.camera, pose=view.pose)
    radius2 = float(np.nanmedian((dots.blobs.area_px * pitch**2 * np.abs(det))[dots.used])) / np.pi
    shift = 0.25 * radius2 * (first + second)
    limit = 0.1 * spline.step_mm * 2.5
    shift = np.where(fine[:, None], np.clip(shift, -limit, limit), 0.0)
    return shift[:, 0], shift[:, 1]


def adopt(dots: Dots, surface: Surface, context: Context) -> bool:
    """Number dots that the chain did not reach, where the surface found says which they are."""
    view, board, grid = context.views[0], context.mirrored_board, context.grid
    z, p, q = (sample(v, dots.x, dots.y, grid) for v in (surface.z, surface.p, surface.q))
    hit = hit_board(dots.x, dots.y, z, p, q, camera_mm=view.camera_mm, board=board)
    place = np.column_stack([hit.across_mm, hit.up_mm]) / board.period_mm
    offset = np.median((place - dots.number)[dots.used], 0)
    turn = place - offset
    near = np.abs(turn - np.round(turn)).max(1) < ADOPTED
    fresh = ~dots.known & near & np.isfinite(turn).all(1)
    taken = {tuple(n) for n in dots.number[dots.known]}
    for k in np.flatnonzero(fresh):
        name = np.round(turn[k]).astype(np.int64)
        if tuple(name) not in taken:
            taken.add(tuple(name))
            dots.number[k], dots.known[k], dots.used[k] = name, True, True
    return bool(fresh.any())


def cover(dots: Dots, context: Context) -> tuple[Array, Array]:
    """Cells between dots in use, and cells around dots that fit nothing."""
    grid, inside, spacing = context.grid, context.inside, dots.spacing_mm
    mask: Array = np.zeros(grid.shape, np.uint8)
    place = {tuple(n): k for k, n in enumerate(dots.number) if dots.used[k]}
    pixel = np.column_stack([dots.x - grid.x_mm[0], dots.y - grid.y_mm[0]]) / grid.step_mm
    for i, j in place:
        corners = [place.get((i + a, j + b)) for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))]
        there = [k for k in corners if k is not None]
        if len(there) >= 3:
            cv2.fillConvexPoly(mask, np.rint(pixel[there] * 16).astype(np.int32), 1, cv2.LINE_8, 4)
    reach = max(1, round(REACH * spacing / grid.step_mm))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    mask = cv2.dilate(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, kernel), kernel)
    wrong = np.zeros(grid.shape, np.uint8)
    stray = ~dots.used & np.isfinite(pixel).all(1)
    # One odd dot is a fleck; several together are a fold or another lattice.
    if stray.sum() > 1:
        tree = cKDTree(pixel[stray])
        for k in np.flatnonzero(stray):
            if len(tree.query_ball_point(pixel[k], 1.6 * spacing / grid.step_mm)) > 2:
                centre = tuple(int(v) for v in np.rint(pixel[k]))
                # Numbers next to a fold are doubtful too, and its rim pulls on the surface.
                cv2.circle(wrong, centre, round(AROUND * spacing / grid.step_mm), 1, cv2.FILLED)
    return inside & (mask > 0), inside & (wrong > 0)


def crossed_misfit(dots: Dots, spline: Spline, misfit: Array, grid: Grid) -> Array:
    """Misfit (N, 2) of dots against surfaces fitted without them: every fourth dot left out in turn."""
    box, spacing = dots.box_mm(grid), dots.spacing_mm
    i, j = dots.number[:, 0] % 2, dots.number[:, 1] % 2
    at = spline.at(dots.x, dots.y)
    p, q = at[1] + misfit[:, 0], at[2] + misfit[:, 1]  # as measured, level
    out = np.full((dots.x.size, 2), np.nan)
    for part in range(4):
        left = dots.used & (2 * i + j == part)
        rest = dots.used & ~left
        if left.sum() < 4 or rest.sum() < FEWEST:
            continue
        trial = fit_slopes(dots.x[rest], dots.y[rest], p[rest], q[rest], box_mm=box, spacing_mm=spacing).at(
            dots.x[left], dots.y[left]
        )
        out[left] = np.column_stack([trial[1] - p[left], trial[2] - q[left]])
    return out


def centroid_noise_px(dots: Dots, view: View) -> float:
    """Noise of a centroid: grain times the second moment of its window over the light in it.

    With M pixels of noise s about a dot of total light L, var = s^2 * sum(r^2) / L^2 in each direction.
    """
    image = view.photo.image
    used = dots.used
    area, contrast = dots.blobs.area_px[used], dots.blobs.contrast[used]
    column, row = dots.blobs.column[used].astype(int), dots.blobs.row[used].astype(int)
    steps = []
    for c, r in zip(column, row, strict=True):
        patch = image[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
        if patch.size == 9:
            steps.append(float(patch[1, 1] - 0.5 * (patch[1, 0] + patch[1, 2])))
    grain = float(robust_spread(np.array(steps))) / np.sqrt(1.5) if steps else 0.0
    window = 2.0 * area  # the window reaches beyond the dot's rim
    moment = window**2 / (4 * np.pi)
    return float(np.median(grain * np.sqrt(moment) / (area * contrast)))
