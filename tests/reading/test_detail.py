"""What is finer than the stripes tell: closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from surfscan.core.carrier import Array
from surfscan.core.reading import Reading, Trace, View
from surfscan.core.records import Camera, Grid, Photo, Pose
from surfscan.phase.waveform import BINS, blind_share
from surfscan.reading.detail import LEFT, MOST, WINDOW, unresolved

STEP, PERIOD, LEVER = 2.0, 30.0, 2000.0
"""Grid, and a board whose stripes lie 20 mm apart on the panel."""

X, Y = np.meshgrid(np.arange(-100, 101) * STEP, np.arange(-80, 81) * STEP)


def told_by(stripes_mm: float = 20.0, *, blind: float = 0.35, told: bool = True) -> Reading:
    """A reading whose photos show stripes so far apart on the panel."""
    picture = np.zeros((4, 4), np.float32)
    photo = Photo("a.jpg", "", picture, picture > 1)
    view = View(photo, Camera(1000.0, (2, 2)), Pose(np.eye(3), np.zeros(3), np.eye(6), 0.0), "across")
    trace = Trace(view, X * PERIOD / stripes_mm, np.array([LEVER, 0.0]), PERIOD, blind)
    flat = np.zeros(X.shape)
    return Reading(
        grid=Grid(X[0], Y[:, 0], STEP),
        height_mm=flat,
        p=flat,
        q=flat,
        noise_mm=0.0,
        uneven_mm=0.0,
        flags=flat.astype(np.int32),
        closure_mrad=0.0,
        gain_mm=np.array([LEVER, LEVER]),
        period_mm=np.array([stripes_mm, stripes_mm]),
        rounds=4,
        quality=(),
        told=np.ones(X.shape) if told else None,
        traces=(trace,),
    )


def gaussian(depth_mm: float, sd_mm: float) -> Array:
    return np.asarray(-depth_mm * np.exp(-(X**2 + Y**2) / (2 * sd_mm**2)))


@pytest.mark.parametrize("sd_mm", [12.0, 20.0, 40.0])
def test_a_gaussian_low_loses_what_two_gaussian_windows_take(sd_mm: float) -> None:
    """Smoothed twice by a Gaussian of variance v, a Gaussian of variance s in two dimensions keeps s / (s + 2 v)."""
    depth = 0.004  # far under the most that a stripe hides
    lost = unresolved(told_by(), gaussian(depth, sd_mm))[80, 100]
    share = 1 - sd_mm**2 / (sd_mm**2 + 2 * (WINDOW * 20.0) ** 2)
    # The grid's own cells and the most that is allowed take a little.
    assert lost == pytest.approx(LEFT * depth * share, rel=0.06)


def test_however_deep_it_is_bounded() -> None:
    """Between two edges the slope can't change by more than a share of a stripe's worth."""
    most = MOST * (PERIOD / LEVER) * 20.0
    assert unresolved(told_by(), gaussian(2.0, 10.0)).max() == pytest.approx(most, rel=0.02)


def test_smooth_stripes_and_stepped_series_hide_nothing() -> None:
    low = gaussian(0.1, 12.0)
    assert not unresolved(told_by(blind=0.0), low).any()
    assert not unresolved(told_by(told=False), low).any()
    assert not unresolved(replace(told_by(), traces=()), low).any()


def test_what_is_not_measured_has_none() -> None:
    low = np.where(X > 150, np.nan, gaussian(0.1, 12.0))
    found = unresolved(told_by(), low)
    assert not found[X > 150].any()
    assert np.isfinite(found).all()


def test_blind_share_of_a_cosine_and_of_hard_stripes() -> None:
    phase = 2 * np.pi * np.arange(BINS) / BINS
    assert blind_share(np.cos(phase)) <= 1 / BINS
    hard = blind_share(np.where(np.cos(phase) > 0, 1.0, -1.0))
    # Half a period between edges, less what steepness() rounds off both and what a cosine has at its crest.
    assert 0.3 < hard < 0.45
    assert blind_share(np.zeros(BINS)) == 0.0
    # A shift cuts no flat part in two.
    for shift in range(0, BINS, 7):
        assert blind_share(np.roll(np.where(np.cos(phase) > 0, 1.0, -1.0), shift)) == hard
