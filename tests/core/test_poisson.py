"""The masked Poisson solver against a dense least-squares solution, and the numbering of islands."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, sparse
from scipy.sparse.linalg import lsqr

from surfscan.core.poisson import label_islands, solve_steps


def reference(gx: np.ndarray, gy: np.ndarray, wx: np.ndarray, wy: np.ndarray) -> np.ndarray:
    """Weighted least squares of the steps by SciPy's LSQR: the solution of least norm, zero mean in each part."""
    h, w = gx.shape[0], gy.shape[1]
    dx = sparse.kron(sparse.eye(h), sparse.diags([-1.0, 1.0], [0, 1], (w - 1, w)))
    dy = sparse.kron(sparse.diags([-1.0, 1.0], [0, 1], (h - 1, h)), sparse.eye(w))
    root = np.sqrt(np.r_[wx.ravel(), wy.ravel()])
    matrix = sparse.diags(root) @ sparse.vstack([dx, dy])
    return lsqr(matrix.tocsr(), root * np.r_[gx.ravel(), gy.ravel()], atol=1e-14, btol=1e-14, iter_lim=5000)[
        0
    ].reshape(h, w)


@pytest.mark.parametrize("weights", ["even", "random", "holes"])
def test_solution_is_that_of_dense_least_squares(weights: str) -> None:
    rng = np.random.default_rng(3)
    h, w = 11, 17  # lengths that the transform fills up
    gx, gy = rng.normal(size=(h, w - 1)), rng.normal(size=(h - 1, w))
    wx, wy = np.ones_like(gx), np.ones_like(gy)
    if weights != "even":
        wx, wy = rng.uniform(0.1, 1, gx.shape), rng.uniform(0.1, 1, gy.shape)
    if weights == "holes":
        wx[3:6, 5:9], wy[3:6, 5:9] = 0, 0
    want, got = reference(gx, gy, wx, wy), solve_steps(gx, gy, wx, wy, tolerance=1e-13)
    # Cells that no weight touches have free constants in both.
    tied = np.zeros((h, w), bool)
    tied[:, 1:] |= wx > 0
    tied[:, :-1] |= wx > 0
    tied[1:] |= wy > 0
    tied[:-1] |= wy > 0
    apart = (got - want)[tied]
    assert np.ptp(apart) < 1e-9  # LSQR's tolerance times the condition


def test_a_good_start_changes_nothing_but_the_time() -> None:
    rng = np.random.default_rng(4)
    gx, gy = rng.normal(size=(20, 29)), rng.normal(size=(19, 30))
    plain = solve_steps(gx, gy, np.ones_like(gx), np.ones_like(gy), tolerance=1e-12)
    started = solve_steps(gx, gy, np.ones_like(gx), np.ones_like(gy), tolerance=1e-12, start=plain + 3.0)
    assert np.ptp(started - plain) < 1e-9
    assert not solve_steps(0 * gx, 0 * gy, np.ones_like(gx), np.ones_like(gy)).any()


def test_islands_are_numbered_by_falling_area() -> None:
    """Parts are those of scipy.ndimage.label (4-connected); diagonal neighbours are apart."""
    mask = np.random.default_rng(5).random((40, 60)) > 0.45
    count, labels = label_islands(mask)
    theirs, number = ndimage.label(mask)
    assert count == number
    sizes = np.bincount(labels.ravel())[1:]
    assert (np.diff(sizes) <= 0).all()
    pairs = set(zip(labels[mask].tolist(), theirs[mask].tolist(), strict=True))
    assert len(pairs) == count
    assert label_islands(np.eye(3, dtype=bool))[0] == 3
    assert label_islands(np.zeros((3, 4), bool))[0] == 0
