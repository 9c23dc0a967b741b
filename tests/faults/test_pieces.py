"""A small fault cut out of a photo: the piece shows the place, however it lies in the photo."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.reading import View
from surfscan.core.records import Camera, Photo
from surfscan.faults.pieces import SIDE_PX, cut_out
from surfscan.optics.lens import project
from surfscan.synth.scene import look_at

CAMERA, POSE = Camera(1400.0, (399.5, 299.5)), look_at((40.0, -500.0, 700.0), (0.0, 0.0, 0.0))


def view(picture: np.ndarray) -> View:
    return View(
        Photo("a.jpg", "", picture, np.zeros(picture.shape, bool), 1400.0, "sheet"), CAMERA, POSE, "up"
    )


@pytest.mark.parametrize(("x_mm", "y_mm", "z_mm"), [(10.0, -20.0, 0.0), (-60.0, 40.0, 12.0)])
def test_what_is_at_the_place_is_in_the_middle_of_the_ring(x_mm: float, y_mm: float, z_mm: float) -> None:
    column, row = (int(np.rint(v)) for v in project(x_mm, y_mm, z_mm, camera=CAMERA, pose=POSE))
    picture = np.full((600, 800), 0.2, np.float32)
    picture[row, column] = 1.0
    piece = cut_out(view(picture), (x_mm, y_mm, z_mm), 1.5)
    assert piece is not None
    assert piece.shape == (SIDE_PX, SIDE_PX)
    grey = np.array(piece, float)
    ring = grey < 60  # its dark rim
    rows, columns = np.nonzero(ring)
    middle = np.array([(rows.min() + rows.max()) / 2, (columns.min() + columns.max()) / 2])
    inside = np.hypot(*(np.indices(grey.shape) - middle[:, None, None])) < 0.6 * np.ptp(rows) / 2
    spot = np.array(np.unravel_index(np.argmax(np.where(inside, grey, 0)), grey.shape))
    # Within one pixel of the photo, which is SIDE_PX / 41 of the piece here.
    assert np.abs(spot - middle).max() <= SIDE_PX / 41


def test_a_place_outside_the_photo_has_no_piece() -> None:
    assert cut_out(view(np.full((600, 800), 0.2, np.float32)), (5000.0, 0.0, 0.0), 1.0) is None
