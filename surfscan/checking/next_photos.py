"""What no photo of a sweep shows yet, and where to stand for the next ones."""

from __future__ import annotations

from typing import Any

import numpy as np

from surfscan.checking.context import PlacedJob
from surfscan.core.carrier import Array
from surfscan.core.quarters import part_named
from surfscan.core.reading import Context, Reading
from surfscan.optics.standing import Sightline, choose_places
from surfscan.surface.slopes import polynomial_terms

__all__ = ["next_photos"]

LEFT_SHARE = 0.03
"""A panel seen but for this is done."""

MOST = 6
"""Places told at once: after these, the map knows more."""

CELLS = 400
"""Places over the panel that are looked at."""


def next_photos(placed: PlacedJob, context: Context, reading: Reading) -> dict[str, Any]:
    """Places for the camera that show what was not measured.

    Where nothing was seen, the panel is taken to go on as the second-order surface through what was.

    Parameters
    ----------
    placed : PlacedJob
    context : Context
        With the board.
    reading : Reading

    Returns
    -------
    dict
        ``unseen``, with the ``share`` of the judged region, the ``part`` of the panel that most of it lies in, the
        corners of the board (``board_mm``) and ``photos``, each with ``camera_mm`` and ``new_share``; empty where next
        to nothing is missing.
    """
    grid, inside = context.grid, context.inside
    seen = np.isfinite(reading.height_mm)
    left = inside & ~seen
    share = float(left.sum() / max(int(inside.sum()), 1))
    if share < LEFT_SHARE or placed.sheet.tags is None or seen.sum() < CELLS:
        return {}
    step = max(1, round(float(np.sqrt(grid.x_mm.size * grid.y_mm.size / CELLS))))
    some = np.s_[step // 2 :: step, step // 2 :: step]
    x, y = (a[some] for a in np.meshgrid(grid.x_mm, grid.y_mm))
    z, p, q = _carried_on(x, y, reading.height_mm[some])
    if context.base is not None:
        tilted = context.base.tilted(x, y, z, p, q)
        (x, y, z), p, q = context.base.points(x, y, z), tilted.p, tilted.q
    image = placed.stations[0].photo.image.shape
    sight = Sightline(
        np.where(inside[some], np.stack([x, y, z]), np.nan),
        p,
        q,
        context.mirrored_board,
        np.array([c[:2] for c in placed.sheet.tags.centres_mm.values()], float),
        context.views[0].camera,
        (image[1], image[0]),
    )
    away = [float(np.linalg.norm(view.pose.centre_mm)) for view in context.views]
    photos = choose_places(sight, distance_mm=float(np.median(away)), seen=seen[some], most=MOST)
    rows, columns = np.nonzero(left)
    axes = (grid.x_mm, columns), (grid.y_mm, rows)
    across, up = (float(axis[cells].mean() - axis.mean()) for axis, cells in axes)
    return {
        "unseen": {
            "share": share,
            "part": part_named(across, up, (float(np.ptp(grid.x_mm)), float(np.ptp(grid.y_mm)))),
            "board_mm": context.mirrored_board.corners_mm.round(1).tolist(),
            "photos": [
                {"camera_mm": photo.camera_mm.tolist(), "new_share": photo.fresh_share} for photo in photos
            ],
        }
    }


def _carried_on(x: Array, y: Array, height: Array) -> tuple[Array, Array, Array]:
    """The second-order surface through the heights, and its slopes: (z, p, q)."""
    known = np.isfinite(height)
    reach = float(max(np.abs(x).max(), np.abs(y).max()))
    u, v = x / reach, y / reach
    c = np.linalg.lstsq(polynomial_terms(u[known], v[known], 2), height[known], rcond=None)[0]
    z = polynomial_terms(u, v, 2) @ c
    p, q = (c[1] + 2 * c[3] * u + c[4] * v) / reach, (c[2] + c[4] * u + 2 * c[5] * v) / reach
    return np.where(known, height, z), p, q
