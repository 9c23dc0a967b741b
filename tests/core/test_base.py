"""The bent surface of a curved panel, against closed forms of a circular cylinder."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.base import Base
from surfscan.core.records import Board
from surfscan.optics.base_fit import fit_base
from surfscan.reading.surface import Surface

RADIUS = 300.0
TURN = 0.3


def cylinder(turn_rad: float = TURN) -> Base:
    """Its top line runs turned by -turn_rad from y."""
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    axes = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1.0]])
    return Base(np.zeros(3), axes, turn_rad, np.array([1 / RADIUS]), 200.0)


def test_points_are_a_cylinders() -> None:
    """x^2 + (z + R)^2 = (R + h)^2 across the axis, the arc as long as the way on the chart."""
    u, v, h = np.array([-130.0, 0.0, 90.0]), np.array([20.0, -50.0, 7.0]), np.array([0.0, 1.0, -0.5])
    x, y = np.cos(TURN) * u - np.sin(TURN) * v, np.sin(TURN) * u + np.cos(TURN) * v
    base = cylinder()
    place = np.stack(base.points(x, y, h), 1) @ base.axes
    assert np.abs(place[:, 0] - (RADIUS + h) * np.sin(u / RADIUS)).max() < 1e-5
    assert np.abs(place[:, 1] - v).max() < 1e-9
    assert np.abs(place[:, 2] - ((RADIUS + h) * np.cos(u / RADIUS) - RADIUS)).max() < 1e-5
    assert np.abs(base.chart(np.stack(base.points(x, y, h), 1)) - np.stack([x, y, h], 1)).max() < 1e-5
    assert np.allclose(base.angle_rad(u), u / RADIUS)


def test_past_its_reach_it_goes_on_straight() -> None:
    base = cylinder(0.0)
    end = 200 / RADIUS
    x, _, z = base.points(np.array([230.0]), np.zeros(1), 0.0)
    assert x[0] == pytest.approx(RADIUS * np.sin(end) + 30 * np.cos(end), abs=1e-5)
    assert z[0] == pytest.approx(RADIUS * (np.cos(end) - 1) - 30 * np.sin(end), abs=1e-5)


def test_a_higher_cylinder_has_the_slopes_of_its_circle() -> None:
    """A height that is the same everywhere: dz/dx = -tan(u / R), whatever the height."""
    u = np.array([-100.0, 40.0])
    flat = np.zeros(2)
    tilted = cylinder(0.0).tilted(u, flat, 5.0, flat, flat)
    assert np.allclose(tilted.p, -np.tan(u / RADIUS))
    assert np.allclose(tilted.q, 0)


def test_a_mirror_on_a_base_is_the_mirror_in_space() -> None:
    """Where a camera's rays end, by the law of reflection written out with vectors; levers by differences."""
    board = Board(
        np.array([0.0, 300.0, 600.0]), np.array([1.0, 0, 0]), np.array([0, -0.894, 0.447]), (9e3, 9e3), 20
    )
    base, eye = cylinder(), np.array([150.0, -400.0, 500.0])
    x, y = np.array([[-60.0, 20.0, 80.0]]), np.array([[30.0, -40.0, 10.0]])

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 1e-4 * x * x - 5e-5 * x * y + 0.4

    p, q = 2e-4 * x - 5e-5 * y, -5e-5 * x
    hit = Surface(x, y, height(x, y), p, q, base).hit(eye, board)
    step = 1.0  # the panel in space, by differences of its points
    along = [
        np.stack(base.points(x + a, y + b, height(x + a, y + b)), -1)
        - np.stack(base.points(x - a, y - b, height(x - a, y - b)), -1)
        for a, b in ((step, 0), (0, step))
    ]
    normal = np.cross(along[0], along[1])
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    place = np.stack(base.points(x, y, height(x, y)), -1)
    back = (eye - place) / np.linalg.norm(eye - place, axis=-1, keepdims=True)
    gone = 2 * np.sum(back * normal, -1)[..., None] * normal - back
    t = ((board.centre_mm - place) @ board.normal) / (gone @ board.normal)
    there = place + t[..., None] * gone - board.centre_mm
    assert np.abs(there @ board.across - hit.across_mm).max() < 0.01
    assert np.abs(there @ board.up - hit.up_mm).max() < 0.01
    for k, change in enumerate(((1e-6, 0), (0, 1e-6))):
        moved = Surface(x, y, height(x, y), p + change[0], q + change[1], base).hit(eye, board)
        assert np.allclose((moved.across_mm - hit.across_mm) / 1e-6, hit.d_across[k], rtol=1e-4, atol=0.1)
        assert np.allclose((moved.up_mm - hit.up_mm) / 1e-6, hit.d_up[k], rtol=1e-4, atol=0.1)


def test_a_small_way_in_space_is_one_on_the_chart() -> None:
    base = cylinder()
    x, y, h = np.array([70.0]), np.array([-20.0]), np.array([3.0])
    here = np.stack(base.points(x, y, h), 1)
    there = np.stack(base.points(x + 0.4, y - 0.3, h), 1)
    by = (there - here)[0]
    dx, dy = base.moved(x, y, h, (by[:1], by[1:2], by[2:]))
    assert dx[0] == pytest.approx(0.4, abs=1e-3)
    assert dy[0] == pytest.approx(-0.3, abs=1e-3)


def laid(
    radius: float, crown: float = np.inf, count: tuple[int, int] = (4, 2)
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Tags on a cylinder about an axis along y with a crown along it: chart places, centres and turns, z level."""
    u, v = (
        a.ravel() for a in np.meshgrid(np.linspace(-110, 110, count[0]), np.linspace(-100, 100, count[1]))
    )
    h, hv = -v * v / (2 * crown), -v / crown
    sin, cos = np.sin(u / radius), np.cos(u / radius)
    centres = np.stack([(radius + h) * sin, v, (radius + h) * cos - radius], 1)
    centres[:, 2] -= centres[:, 2].mean()
    right = np.stack([cos, 0 * u, -sin], 1)
    out = np.stack([sin, -hv, cos], 1) / np.sqrt(1 + hv * hv)[:, None]
    return np.stack([u, v], 1), centres, np.stack([right, np.cross(out, right), out], -1)


@pytest.mark.parametrize("crown", [np.inf, 3000.0])
def test_tags_tell_the_cylinder_they_lie_on(crown: float) -> None:
    chart, centres, turns = laid(RADIUS, crown)
    fit = fit_base(centres, turns, np.full(8, 0.03), np.full(8, 0.01))
    assert 1 / fit.base.curvature[0] == pytest.approx(RADIUS, rel=0.02 if np.isfinite(crown) else 1e-4)
    assert np.degrees(fit.bend_rad(*chart.T)) == pytest.approx(np.degrees(220 / RADIUS), abs=0.3)
    assert np.abs(fit.places_mm[:, :2] - chart).max() < 0.5
    assert np.abs(fit.turns_rad).max() < 0.01
    assert fit.crown[2] == pytest.approx(-1 / crown, abs=5e-5)
    assert fit.off_mm < 0.05


def test_flat_tags_do_not_bend() -> None:
    chart, centres, turns = laid(1e7)
    fit = fit_base(centres, turns, np.full(8, 0.03), np.full(8, 0.01))
    assert abs(np.degrees(fit.bend_rad(*chart.T))) < 0.1
