"""A height map as a body and as a picture: PLY or STL mesh, and 16-bit PNG with its scale."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from surfscan.core.parts import needing
from surfscan.core.records import Array

__all__ = ["mesh_of", "write_mesh", "write_png16"]


def mesh_of(height_mm: Array, *, x_mm: Array, y_mm: Array, taller: float = 1.0) -> tuple[Array, Array]:
    """Two triangles for every four measured neighbours.

    Parameters
    ----------
    height_mm : ndarray (H, W)
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    taller : float
        Factor on the heights.

    Returns
    -------
    corners : ndarray (N, 3)
        mm.
    faces : ndarray (M, 3), int
        Counter-clockwise seen from in front of the panel, so that normals point at the viewer.
    """
    known = np.isfinite(height_mm)
    x, y = np.meshgrid(x_mm, y_mm)
    number = np.full(height_mm.shape, -1)
    number[known] = np.arange(int(known.sum()))
    corners = np.stack([x[known], y[known], taller * height_mm[known]], -1)
    full = known[:-1, :-1] & known[:-1, 1:] & known[1:, :-1] & known[1:, 1:]
    a, b = number[:-1, :-1][full], number[:-1, 1:][full]
    c, d = number[1:, 1:][full], number[1:, :-1][full]
    return corners, np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)])


def write_mesh(path: Path, height_mm: Array, *, x_mm: Array, y_mm: Array, taller: float = 1.0) -> None:
    """Write a mesh as binary PLY or STL, by the path's ending; millimetres.

    Parameters are those of `mesh_of`.
    """
    with needing():
        import trimesh

    corners, faces = mesh_of(height_mm, x_mm=x_mm, y_mm=y_mm, taller=taller)
    body = trimesh.Trimesh(vertices=corners, faces=faces, process=False)
    body.export(str(path), file_type=path.suffix[1:].lower())


def write_png16(path: Path, height_mm: Array, *, step_mm: float) -> dict[str, float]:
    """Write heights as grey levels 1 to 65535 of a 16-bit PNG, 0 where not measured, the top row first.

    The scale is written into the picture's text and returned: height in mm = offset_mm + scale_mm * level.

    Parameters
    ----------
    path : Path
    height_mm : ndarray (H, W)
    step_mm : float

    Returns
    -------
    dict
        ``offset_mm``, ``scale_mm``, ``step_mm``.
    """
    from PIL import Image, PngImagePlugin

    known = np.isfinite(height_mm)
    least, most = (
        (float(height_mm[known].min()), float(height_mm[known].max())) if known.any() else (0.0, 0.0)
    )
    scale = max(most - least, 1e-9) / 65534
    level = np.where(known, np.rint((np.nan_to_num(height_mm) - least) / scale) + 1, 0)
    numbers = {"offset_mm": least - scale, "scale_mm": scale, "step_mm": float(step_mm)}
    text = PngImagePlugin.PngInfo()
    text.add_text("surfscan", json.dumps(numbers))
    Image.fromarray(level[::-1].astype(np.uint16)).save(path, pnginfo=text)
    return numbers
