"""Closed forms of the known panels against numerical derivatives, and a few values by hand."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.synth.panels import (
    Crease,
    Crown,
    Dish,
    Flat,
    Halo,
    Panel,
    Ridge,
    Ripple,
    Shape,
    Texture,
    Valley,
)

SHAPES: dict[str, Shape] = {
    "compact": Dish(12.0, -7.0, -0.4, 90.0, 60.0, angle_deg=25.0),
    "compact, order 3": Dish(12.0, -7.0, 0.4, 90.0, order=3),
    "gaussian": Dish(-5.0, 3.0, 0.3, 80.0, 50.0, angle_deg=-40.0, profile="gaussian"),
    "ridge": Ridge(4.0, 9.0, 0.2, 30.0, angle_deg=70.0),
    "valley": Valley(4.0, 9.0, -0.2, 30.0, angle_deg=-15.0),
    "halo": Halo(-6.0, 2.0, 0.1, 50.0, 30.0),
    "wave": Ripple(0.05, 80.0, angle_deg=33.0, phase_deg=50.0),
    "sphere": Crown(2200.0, zero_at_mm=(200.0, 150.0)),
    "hollow sphere": Crown(-3000.0),
    "barrel": Crown(1800.0, 9000.0, zero_at_mm=(100.0, 50.0)),
    "half barrel": Crown(1800.0, np.inf),
    "crease": Crease(3.0, -4.0, 0.06, 8.0, angle_deg=10.0),
    "texture": Texture(0.002, (5.0, 20.0), seed=7),
}


@pytest.fixture
def places() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    return rng.uniform(-60, 60, 400), rng.uniform(-60, 60, 400)


@pytest.mark.parametrize("name", SHAPES)
def test_slopes_are_the_derivatives_of_the_height(name: str, places: tuple[np.ndarray, np.ndarray]) -> None:
    shape, (x, y), h = SHAPES[name], places, 1e-3
    p, q = shape.slopes(x, y)
    # a central difference is off by h^2/6 times the third derivative (under 1e-2 per mm^2 for all of these,
    # so under 2e-9) and by rounding, 1e-16 * 20 mm / h = 2e-12
    assert np.allclose(p, (shape.height(x + h, y) - shape.height(x - h, y)) / (2 * h), rtol=0, atol=5e-9)
    assert np.allclose(q, (shape.height(x, y + h) - shape.height(x, y - h)) / (2 * h), rtol=0, atol=5e-9)


@pytest.mark.parametrize("name", SHAPES)
def test_curvatures_are_the_derivatives_of_the_slopes(
    name: str, places: tuple[np.ndarray, np.ndarray]
) -> None:
    shape, (x, y), h = SHAPES[name], places, 1e-3
    if isinstance(shape, Dish) and shape.profile == "compact" and shape.order == 2:
        # its curvature jumps at the rim; a difference across the rim means nothing
        z = np.stack([shape.height(x + dx, y + dy) for dx in (-h, h) for dy in (-h, h)])
        keep = (z != 0).all(0) | (z == 0).all(0)
        x, y = x[keep], y[keep]
    xx, xy, yy = shape.curvatures(x, y)
    right, left = shape.slopes(x + h, y), shape.slopes(x - h, y)
    above, below = shape.slopes(x, y + h), shape.slopes(x, y - h)
    # as above, one derivative further: h^2/6 times the fourth derivative (under 5e-3 per mm^3), under 1e-9
    assert np.allclose(xx, (right[0] - left[0]) / (2 * h), rtol=0, atol=5e-9)
    assert np.allclose(xy, (right[1] - left[1]) / (2 * h), rtol=0, atol=5e-9)
    assert np.allclose(yy, (above[1] - below[1]) / (2 * h), rtol=0, atol=5e-9)


def test_gaussian_slope_and_curvature_by_formula() -> None:
    """0.3 mm, sigma 40 mm: largest slope (A/s) e^-1/2 = 4.549 mrad, centre A/s^2 = 0.1875 /m."""
    dent = Dish(0, 0, -0.3, 160.0, profile="gaussian")
    x = np.linspace(-200, 200, 40001)
    assert np.abs(dent.slopes(x, 0 * x)[0]).max() == pytest.approx(
        4.549e-3, abs=5e-7
    )  # as many digits as quoted
    assert dent.curvatures(0, 0)[0] == pytest.approx(0.1875e-3, rel=1e-12)


def test_sphere_has_its_radius_and_its_zero() -> None:
    ball = Crown(2500.0, zero_at_mm=(120.0, -90.0))
    assert ball.height(120.0, -90.0) == pytest.approx(0, abs=1e-12)
    x, y = np.array([0.0, 200.0, -150.0]), np.array([0.0, -80.0, 100.0])
    centre = ball.height(0, 0) - 2500.0
    assert np.allclose(np.sqrt(x**2 + y**2 + (ball.height(x, y) - centre) ** 2), 2500.0, rtol=1e-12)
    assert (ball.curvatures(x, y)[0] < 0).all(), "a positive radius is convex towards the viewer"


def test_compact_shape_is_nothing_outside() -> None:
    dent = Dish(10, 20, -0.5, 60, 40)
    assert dent.height(10, 20) == -0.5
    assert not np.any(dent.surface([41, 10, -21], [20, 41, 20]))


def test_texture_has_its_roughness_and_its_seed() -> None:
    x, y = np.meshgrid(np.arange(0, 400, 1.3), np.arange(0, 400, 1.3))
    z = Texture(0.002, (4, 12), seed=3).height(x, y)
    # over 33 or more wavelengths each way, cross terms leave a few per cent of the mean square
    assert np.sqrt(np.mean(z**2)) == pytest.approx(0.002, rel=0.03)
    assert np.array_equal(z, Texture(0.002, (4, 12), seed=3).height(x, y))
    assert not np.array_equal(z, Texture(0.002, (4, 12), seed=4).height(x, y))


def test_form_and_faults_stay_apart() -> None:
    panel = Panel(
        (400, 300), Crown(2000.0), Dish(10, 0, -0.2, 60) + Halo(-50, 0, 0.1, 40, 20) + Ripple(0.01, 90)
    )
    x, y = np.array([0.0, 30.0]), np.array([5.0, -20.0])
    both = panel.form.height(x, y) + panel.deviation.height(x, y)
    assert np.allclose(panel.total.height(x, y), both, rtol=0, atol=1e-12)
    assert [(s["kind"], s["w"], s.get("ring", False)) for s in panel.spots()] == [
        ("low", 60, False),
        ("high", 80, True),
    ]
    assert Panel((400, 300), Flat()).spots() == []


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: Dish(0, 0, 1, -5), "positive"),
        (lambda: Dish(0, 0, 1, 5, profile="square"), "profile is"),
        (lambda: Ridge(0, 0, -1, 5), "take Valley"),
        (lambda: Valley(0, 0, 1, 5), "0 or less"),
        (lambda: Halo(0, 0, 1, 5, 10), "width <= radius"),
        (lambda: Crease(0, 0, 0.1, 0), "rounding_mm"),
    ],
)
def test_impossible_shapes_are_refused(make: object, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        make()  # type: ignore[operator]
