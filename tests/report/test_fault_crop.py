"""A small fault cut out of the photo: the piece shows the place, however it lies in the photo."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from finished import finished

from surfscan.report.fault_crop import SIDE_PX, draw_fault_crop


@pytest.mark.parametrize(("x_mm", "y_mm"), [(10.0, -20.0), (-60.0, 40.0)])
def test_what_is_at_the_place_is_in_the_middle_of_the_ring(x_mm: float, y_mm: float) -> None:
    result = finished("flat")
    fault = {"x_mm": x_mm, "y_mm": y_mm, "length_mm": 1.5}
    # A flat panel's form is next to nothing at its places.
    column, row = np.rint(result.project(np.array([[x_mm, y_mm, 0.0]]))[0]).astype(int)
    photo = np.full(result.overlay_photo.shape, 0.2, np.float32)
    photo[row, column] = 1.0
    piece = draw_fault_crop(replace(result, overlay_photo=photo), fault)
    assert piece is not None
    assert piece.shape == (SIDE_PX, SIDE_PX, 3)
    grey = np.array(piece[..., 0], float)
    ring = grey < 60  # its dark rim
    rows, columns = np.nonzero(ring)
    middle = np.array([(rows.min() + rows.max()) / 2, (columns.min() + columns.max()) / 2])
    inside = np.hypot(*(np.indices(grey.shape) - middle[:, None, None])) < 0.6 * np.ptp(rows) / 2
    spot = np.array(np.unravel_index(np.argmax(np.where(inside, grey, 0)), grey.shape))
    # Within one pixel of the photo, which is SIDE_PX / 41 of the piece here.
    assert np.abs(spot - middle).max() <= SIDE_PX / 41


def test_a_place_outside_the_photo_has_no_piece() -> None:
    result = finished("flat")
    assert draw_fault_crop(result, {"x_mm": 5000.0, "y_mm": 0.0, "length_mm": 1.0}) is None
