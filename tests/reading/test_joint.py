"""Photos brought into agreement: a board that stands elsewhere is found from how they contradict each other."""

from __future__ import annotations

import numpy as np

from surfscan.reading.joint import MODES, Told, agree


def test_photos_from_many_sides_tell_where_the_board_stands() -> None:
    """Misses made from slopes of each cell's own and from two changes of the board: the changes come back.

    What one unit of a change does differs from photo to photo and over the panel, as it does on a bend; numbers are at
    random. The prior of 1 pulls the answer by one part in some thousand.
    """
    rng = np.random.default_rng(3)
    cells, photos = 300, 4
    directions = 2 * photos
    a, b = (rng.normal(0, 300, (cells, directions)) for _ in range(2))
    board = rng.normal(0, 1, (cells, directions, 2))
    true = np.array([1.7, -0.6])
    p, q = rng.normal(0, 1e-3, (2, cells, 1))
    told = Told(
        a=a,
        b=b,
        miss=a * p + b * q - board @ true,
        weight=np.full((cells, directions), 25.0),
        moved=np.zeros((cells, directions, MODES)),
        photo=np.repeat(np.arange(photos), 2),
        board=board,
    )
    found = agree(
        told,
        before=np.zeros((photos, MODES)),
        start_rad=np.zeros(directions),
        axis=np.tile([0, 1], photos),
        period_mm=20.0,
        board_before=np.zeros(2),
    )
    assert np.allclose(found.board, true, atol=0.01)
    assert found.covariance.shape == (MODES * photos + 2, MODES * photos + 2)
    assert np.nanmax(found.off_mrad) < 0.01
