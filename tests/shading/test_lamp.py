"""Near-lamp shading against closed forms of photometry."""

from __future__ import annotations

import numpy as np
import pytest
from tolerances import rounding

from surfscan.shading.lamp import Lamps, LampSetting, fit_cells, lamp_vectors


def plain(count: int, **kw: float) -> LampSetting:
    return LampSetting(kw.get("room", 0.0), kw.get("black", 0.0), np.ones(count), np.zeros((count, 3)))


def ring(count: int, radius: float = 900.0, height: float = 350.0) -> Lamps:
    turn = 0.3 + 2 * np.pi * np.arange(count) / count
    places = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.full(count, height)], -1)
    return Lamps(places)


def shine(p: np.ndarray, q: np.ndarray, albedo: np.ndarray, vectors: np.ndarray) -> np.ndarray:
    """Lambert's law written out once more."""
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p**2 + q**2)
    return albedo * np.maximum(0, np.sum(vectors * n, axis=1))


@pytest.mark.parametrize(("x_over_h", "share"), [(0.25, 0.91308), (0.5, 0.71554)])
def test_falloff_beside_a_near_lamp(x_over_h: float, share: float) -> None:
    """Point lamp at height H over a plane: E ~ (1 + x^2/H^2)^(-3/2), the inverse-square and cosine laws."""
    lamps = Lamps(np.array([[0.0, 0.0, 400.0]]))
    light = lamp_vectors(np.array([0.0, 400.0 * x_over_h]), np.zeros(2), np.zeros(2), lamps=lamps)[0, 2]
    assert light[1] / light[0] == pytest.approx(share, abs=5e-6)  # the shares have five decimals
    assert light[1] / light[0] == pytest.approx((1 + x_over_h**2) ** -1.5, abs=rounding(1.0))
    assert light[0] == pytest.approx((1000 / 400) ** 2, rel=rounding(1.0))


def test_falloff_beside_a_flat_emitter() -> None:
    """A small flat emitter facing down adds its own cosine: E ~ (1 + x^2/H^2)^(-2), cos^4 for short."""
    lamps = Lamps(np.array([[0.0, 0.0, 400.0]]), np.array([[0.0, 0.0, -1.0]]), 1.0)
    light = lamp_vectors(np.array([0.0, 200.0]), np.zeros(2), np.zeros(2), lamps=lamps)[0, 2]
    assert light[1] / light[0] == pytest.approx(1.25**-2, abs=rounding(1.0))
    up = Lamps(lamps.places_mm, -lamps.axes, 1.0)
    assert not lamp_vectors(np.zeros(1), np.zeros(1), np.zeros(1), lamps=up).any()  # it shines away


def test_three_lights_give_exact_normals() -> None:
    """Woodham (1980): three distant lights, noise-free, invert exactly."""
    rng = np.random.default_rng(4)
    p, q = rng.uniform(-0.3, 0.3, (2, 5, 7))
    albedo = rng.uniform(0.2, 0.8, p.shape)
    light = np.array([[0.6, 0.0, 0.8], [-0.48, 0.36, 0.8], [0.0, -0.6, 0.8]])
    vectors = np.broadcast_to(light[:, :, None, None], (3, 3, 5, 7))
    seen = shine(p, q, albedo, vectors)
    fit = fit_cells(seen, vectors, setting=plain(3), weight=np.ones_like(seen))
    for got, want in ((fit.p, p), (fit.q, q), (fit.albedo, albedo)):
        np.testing.assert_allclose(got, want, rtol=0, atol=1e-12)  # the figure asked of exact inversion
    np.testing.assert_allclose(fit.left, 0, atol=1e-12)


def test_raking_light_turns_noise_into_slope() -> None:
    """E = cos(theta): dE/E = tan(theta) d, so 1 % at 60, 70 and 80 degrees are 5.77, 3.64 and 1.76 mrad."""
    for degrees, mrad in ((60, 5.774), (70, 3.640), (80, 1.763)):
        theta, tilt = np.deg2rad(degrees), 1e-3 * mrad
        lamps = Lamps(1e6 * np.array([[np.sin(theta), 0.0, np.cos(theta)]]))
        vectors = lamp_vectors(np.zeros(2), np.zeros(2), np.zeros(2), lamps=lamps)
        seen = shine(np.array([0.0, -tilt]), np.zeros(2), np.ones(2), vectors)[0]
        assert seen[1] / seen[0] - 1 == pytest.approx(0.01, abs=2 * tilt**2)  # the next term is tilt^2 / 2


def test_a_slope_towards_the_lamp_has_the_right_sign() -> None:
    """A surface that falls towards +x (dz/dx < 0) faces a lamp at +x and is brighter in its photo."""
    lamps = Lamps(np.array([[900.0, 0, 400], [-900.0, 0, 400], [0, 900.0, 400], [0, -900.0, 400]]))
    vectors = lamp_vectors(np.zeros((1, 1)), np.zeros((1, 1)), np.zeros((1, 1)), lamps=lamps)
    seen = np.array([1.2, 0.8, 1.0, 1.0]).reshape(4, 1, 1)
    fit = fit_cells(seen, vectors, setting=plain(4), weight=np.ones_like(seen))
    assert fit.p[0, 0] < -0.05
    assert fit.q[0, 0] == pytest.approx(0, abs=1e-12)
    seen = seen[[2, 3, 0, 1]]
    assert fit_cells(seen, vectors, setting=plain(4), weight=np.ones_like(seen)).q[0, 0] < -0.05


def test_an_albedo_step_makes_no_slope_and_near_lamps_invert() -> None:
    x, y = np.meshgrid(np.linspace(-300, 300, 31), np.linspace(-200, 200, 21))
    albedo = np.where(x > 50, 0.7, 0.3)
    p, q = 2e-4 * x, np.full(x.shape, 0.01)
    vectors = lamp_vectors(x, y, 1e-4 * x**2 + 0.01 * y, lamps=ring(6))
    for room in (0.0, 0.02):
        seen = shine(p, q, albedo, vectors) + room * albedo + 0.001
        fit = fit_cells(seen, vectors, setting=plain(6, room=room, black=0.001), weight=1 / (seen + 0.02))
        # The room's light is settled in three rounds, each a hundredfold closer.
        np.testing.assert_allclose(fit.p, p, atol=1e-7)
        np.testing.assert_allclose(fit.q, q, atol=1e-7)
        np.testing.assert_allclose(fit.albedo, albedo, atol=1e-7)


def test_slope_uncertainty_is_the_spread_of_noisy_fits() -> None:
    rng = np.random.default_rng(8)
    zero, noise = np.zeros((60, 60)), 1e-3
    vectors = lamp_vectors(zero, zero, zero, lamps=ring(6))
    clean = shine(zero, zero, zero + 0.5, vectors)
    seen = clean + noise * rng.standard_normal(clean.shape)
    fit = fit_cells(seen, vectors, setting=plain(6), weight=np.ones_like(seen))
    # 3600 cells tell a standard deviation to 1.2 % (1 / sqrt(2 N)); five of these.
    assert np.std(fit.p) == pytest.approx(noise * np.median(fit.u_p), rel=0.06)
    assert np.std(fit.q) == pytest.approx(noise * np.median(fit.u_q), rel=0.06)


def test_fewer_than_three_photos_of_a_cell_are_no_fit() -> None:
    zero = np.zeros((2, 2))
    vectors = lamp_vectors(zero, zero, zero, lamps=ring(4))
    seen = shine(zero, zero, zero + 0.5, vectors)
    weight = np.ones_like(seen)
    weight[:2, 0, 0] = 0
    fit = fit_cells(seen, vectors, setting=plain(4), weight=weight)
    assert np.isnan(fit.p[0, 0])
    assert np.isnan(fit.albedo[0, 0])
    assert np.isfinite(fit.p[1]).all()


def test_bad_input_is_named() -> None:
    zero = np.zeros((2, 2))
    with pytest.raises(ValueError, match="K, 3"):
        lamp_vectors(zero, zero, zero, lamps=Lamps(np.zeros(3)))
    with pytest.raises(ValueError, match="axes"):
        lamp_vectors(zero, zero, zero, lamps=Lamps(np.ones((2, 3)), np.ones((1, 3)), 1.0))
    with pytest.raises(ValueError, match="exponent"):
        lamp_vectors(zero, zero, zero, lamps=Lamps(np.ones((1, 3)), None, -1.0))
    with pytest.raises(ValueError, match="on a lamp"):
        lamp_vectors(zero, zero, zero, lamps=Lamps(np.zeros((1, 3))))
    vectors = lamp_vectors(zero, zero, zero, lamps=ring(3))
    with pytest.raises(ValueError, match="at least three"):
        fit_cells(np.ones((2, 2, 2)), vectors[:2], setting=plain(2), weight=np.ones((2, 2, 2)))
    with pytest.raises(ValueError, match="do not fit"):
        fit_cells(np.ones((3, 2, 3)), vectors, setting=plain(3), weight=np.ones((3, 2, 3)))
