"""Dots end to end on rendered photos, and the spline of scattered slopes against closed forms."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from reading.reading_jobs import deviation, fair_peaks, load_job

from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.reading import Context
from surfscan.optics.lens import project
from surfscan.reading.dots import dots_grid_mm, read_dots
from surfscan.surface.scattered import fit_slopes

FIXTURE = Path(__file__).parents[2] / "fixtures" / "jobs" / "dots"


@pytest.fixture(scope="module")
def job():
    return load_job(FIXTURE)


def read(job, view):
    grid, region = job.grid(dots_grid_mm(job.sheet.panel.extent_mm, view, job.board))
    return read_dots(Context((view,), grid, region, job.level_at_mm, job.board))


def test_a_hidden_patch_is_left_open_and_does_no_harm(job):
    """A cloth of six by six spacings over the panel: no height under it, the faults elsewhere as without it.

    Without it: tests/truth/test_fixtures.py.
    """
    view = job.views[0]
    corners = np.array([[-60, 70], [20, 70], [20, 150], [-60, 150]], float)
    column, row = project(corners[:, 0], corners[:, 1], 0.0, camera=view.camera, pose=view.pose)
    image = view.photo.image.copy()
    cv2.fillConvexPoly(
        image, np.rint(np.column_stack([column, row])).astype(np.int32), float(np.median(image))
    )
    reading = read(job, replace(view, photo=replace(view.photo, image=image)))
    grid = reading.grid
    middle = np.argmin(np.abs(grid.y_mm - 110)), np.argmin(np.abs(grid.x_mm + 20))
    assert np.isnan(reading.height_mm[middle])
    assert reading.flags[middle] & bit("weak_stripes")
    for true, got in fair_peaks(reading, FIXTURE, floor_mm=0.004):
        assert abs(got - true) <= max(0.005, 0.05 * abs(true))  # the promise for spots three spacings wide
    assert np.isfinite(reading.height_mm).mean() > 0.85
    assert np.nanmedian(np.abs(deviation(reading, floor_mm=0.004))) < 0.002


def test_no_dots_no_height(job):
    view = job.views[0]
    plain = np.full(view.photo.image.shape, 0.1, np.float32)
    with pytest.raises(NotMeasuredError, match="no lattice of dots"):
        read(job, replace(view, photo=replace(view.photo, image=plain)))


def test_a_quadratic_surface_is_exact():
    """Third derivatives of a quadratic are zero: whatever the stiffness, it is reproduced."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-100, 100, (2, 300))
    a, b, c = 1e-4, -3e-5, 2e-4
    spline = fit_slopes(
        x, y, a * x + b * y + 0.01, b * x + c * y, box_mm=(-100, 100, -100, 100), spacing_mm=12.0
    )
    z, p, q = spline.at(x, y)
    true = 0.5 * a * x * x + b * x * y + 0.5 * c * y * y + 0.01 * x
    np.testing.assert_allclose(z, true - true.mean(), atol=1e-6)
    np.testing.assert_allclose(np.stack([p, q]), np.stack([a * x + b * y + 0.01, b * x + c * y]), atol=1e-8)
    gz, gp, gq = spline.on_grid(np.array([-50.0, 0, 30]), np.array([10.0, 20]))
    one = spline.at(np.array([30.0]), np.array([20.0]))
    np.testing.assert_allclose([gz[1, 2], gp[1, 2], gq[1, 2]], np.ravel(one), atol=1e-12)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.5, 0.5), (0.25, 0.4)])
def test_a_spot_three_spacings_wide_keeps_its_depth(shift):
    """z = -A (1 - rho^2)^2 sampled on a lattice, wherever its middle falls between the samples.

    A = 0.033 mm is as deep as such a spot gets before its rim folds the reflection (curvature 8 A/R^2 against
    0.6 of 1e-3 per mm, board and camera at 1 m), and 5 um, a tenth over for
    the ideal sampling's own worst place, is the promise for so narrow a spot.
    """
    peak = 0.033
    d, radius = 14.0, 21.0
    i, j = np.meshgrid(np.arange(-8, 9), np.arange(-8, 9))
    x, y = (d * (i + shift[0])).ravel(), (d * (j + shift[1])).ravel()
    rest = np.clip(1 - (x**2 + y**2) / radius**2, 0, None)
    p, q = 4 * peak * rest * x / radius**2, 4 * peak * rest * y / radius**2
    spline = fit_slopes(x, y, p, q, box_mm=(-120, 120, -120, 120), spacing_mm=d)
    depth = spline.at(np.zeros(1), np.zeros(1))[0] - spline.at(np.full(1, 60.0), np.zeros(1))[0]
    assert depth[0] == pytest.approx(-peak, abs=0.0055)
