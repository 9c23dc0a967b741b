"""Meshes and 16-bit pictures, read back by libraries that did not write them (meshio, OpenCV)."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import meshio
import numpy as np
import pytest
from PIL import Image

from surfscan.results.shapes import mesh_of, write_mesh, write_png16

X, Y = np.arange(5) * 2.0, np.arange(4) * 2.0 + 10


def hill() -> np.ndarray:
    height = 0.5 - 0.01 * (X[None, :] - 3) ** 2 + 0.02 * Y[:, None]
    height[3, 4] = np.nan
    return height


@pytest.mark.parametrize("kind", ["ply", "stl"])
def test_meshio_finds_the_same_corners(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"m.{kind}"
    write_mesh(path, hill(), x_mm=X, y_mm=Y)
    mesh = meshio.read(path)
    assert sum(len(block.data) for block in mesh.cells) == 2 * (3 * 4 - 1)
    x, y = np.meshgrid(X, Y)
    known = np.isfinite(hill())
    wanted = np.stack([x, y, hill()], -1)[known].astype(np.float32)
    found = np.unique(np.round(mesh.points, 4), axis=0)
    np.testing.assert_allclose(found, np.unique(np.round(wanted, 4), axis=0), atol=2e-4)


def test_normals_point_at_the_viewer_and_the_hole_stays_open() -> None:
    corners, faces = mesh_of(hill(), x_mm=X, y_mm=Y, taller=3.0)
    a, b, c = (corners[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    assert (normal[:, 2] > 0).all()
    # The cross product's z is twice the triangle's area seen from the front.
    assert normal[:, 2].sum() / 2 == pytest.approx(11 * 4.0)
    assert corners[:, 2].max() == pytest.approx(3 * np.nanmax(hill()))


def test_the_picture_says_its_scale_and_keeps_the_heights(tmp_path: Path) -> None:
    path = tmp_path / "m.png"
    scale = write_png16(path, hill(), step_mm=2.0)
    level = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert level.dtype == np.uint16
    found = np.where(level > 0, scale["offset_mm"] + scale["scale_mm"] * level, np.nan)[::-1]
    np.testing.assert_allclose(found, hill(), atol=0.51 * scale["scale_mm"])
    with Image.open(path) as picture:
        assert json.loads(picture.text["surfscan"]) == scale


@pytest.mark.parametrize("height", [np.full((2, 2), np.nan), np.zeros((2, 2))])
def test_nothing_and_level_maps_are_pictures_too(tmp_path: Path, height: np.ndarray) -> None:
    write_png16(tmp_path / "m.png", height, step_mm=1.0)
    level = cv2.imread(str(tmp_path / "m.png"), cv2.IMREAD_UNCHANGED)
    assert (level == (0 if np.isnan(height).all() else 1)).all()
