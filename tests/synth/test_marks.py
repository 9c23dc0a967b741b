"""Small made faults: slopes against differences of heights, the drop's contact angle, and light within a pixel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reading.own_photos import stripes_scene

from surfscan.synth.marks import MARK_KINDS, Cap, Groove, Mark, Speck, made_mark
from surfscan.synth.panels import Flat
from surfscan.synth.render import render
from surfscan.synth.shape import Shape

SHAPES = (Cap(1.0, -2.0, 5.0, 35.0), Groove(((0.0, 0.0), (3.0, 1.0), (5.0, 4.0)), -0.02, 0.6))


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: type(shape).__name__)
def test_slopes_are_the_differences_of_heights(shape: Shape) -> None:
    """Central differences of 1e-5 mm; places within 1e-3 mm of a rim or bend are off their closed form and left out."""
    rng, h = np.random.default_rng(2), 1e-5
    x, y = rng.uniform(-2, 6, 4000), rng.uniform(-5, 5, 4000)
    p, q = shape.slopes(x, y)
    by_x = (shape.height(x + h, y) - shape.height(x - h, y)) / (2 * h)
    by_y = (shape.height(x, y + h) - shape.height(x, y - h)) / (2 * h)
    assert np.mean(np.hypot(p - by_x, q - by_y) > 1e-5) < 2e-3


def test_a_drop_meets_the_panel_at_its_contact_angle() -> None:
    cap = Cap(0.0, 0.0, 4.0, 40.0)
    assert cap.slopes(1.99999, 0.0)[0] == pytest.approx(-np.tan(np.radians(40.0)), rel=1e-4)
    assert cap.height(2.0, 0.0) == pytest.approx(0.0, abs=1e-12)


def test_every_kind_keeps_to_its_reach() -> None:
    for k, kind in enumerate(MARK_KINDS):
        mark = made_mark(kind, 5.0, 7.0, 6.0, np.random.default_rng(k))
        t = np.linspace(0, 2 * np.pi, 181)
        edge = np.maximum(np.abs(np.cos(t)), np.abs(np.sin(t)))
        x, y = 5.0 + 1.02 * mark.reach_mm * np.cos(t) / edge, 7.0 + 1.02 * mark.reach_mm * np.sin(t) / edge
        assert (
            np.abs(mark.shape.height(x, y)).max() < 1e-4
        )  # 0.1 um: exp(-8 x 1.3^2) of a pit's depth and less
        assert not mark.covered(x, y).any()
        assert mark.hazed(x, y).max() == 0


def test_only_the_pixels_of_a_mark_change_and_a_cover_by_its_share_of_them() -> None:
    """A dark bar 0.2 mm wide over bright and dark stripes: it takes the light of as much panel as it covers."""
    scene = replace(stripes_scene(shape=Flat()), lens_blur_px=0.0, supersampling=4)
    bar = ((-10.0, 0.0), (10.0, 0.0))
    mark = Mark("hair", 0.0, 0.0, 20.0, 0.2, 0.0, 10.5, cover=bar, cover_mm=0.2, albedo=0.0)
    shot = scene.all_shots()[0]
    plain, marked = render(scene, shot), render(replace(scene, marks=(mark,)), shot)
    less = plain.astype(float) - marked
    rows, columns = np.nonzero(np.abs(less) > 0.02)
    assert np.ptp(rows) < 6
    assert np.ptp(columns) == pytest.approx(20 * scene.camera.focal_px / 1150, rel=0.06)
    # Pixels of a row stand for 0.2 mm of about 0.65 x 0.8 mm: the loss is that share of the light there.
    lost = less[rows.min() - 1 : rows.max() + 2, columns.min() : columns.max() + 1].sum()
    pitch = 1150 / scene.camera.focal_px / np.sin(np.radians(54))
    light = plain[rows.min() - 3, columns.min() : columns.max() + 1].sum()
    assert lost == pytest.approx(
        light * 0.2 / pitch, rel=0.12
    )  # six rows of samples a pixel over a bar of 2 to 3


def test_dust_dims_the_same_pixels_whatever_the_panel_shows() -> None:
    speck = Speck(100.0, 80.0, 5.0, 0.2)
    through = speck.let_through(np.arange(200)[None, :], np.arange(160)[:, None])
    assert through[80, 100] == pytest.approx(0.8, abs=0.01)
    assert through[80, 130] == pytest.approx(1.0, abs=1e-6)
    with pytest.raises(ValueError, match="unknown kind 'wart'"):
        made_mark("wart", 0.0, 0.0, 1.0, np.random.default_rng(0))
