"""The stepped decoder against closed forms, published error figures and brute force."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.phase.stepped import bend_of_screen, find_place, fit_steps, odd_frames, straighten, tell_steps


def ramp(turns: float = 12.0, shape: tuple[int, int] = (60, 600)) -> np.ndarray:
    return (
        np.broadcast_to(np.linspace(0, 2 * np.pi * turns, shape[1]), shape)
        + np.linspace(0, 1.3, shape[0])[:, None]
    )


def frames(phase: np.ndarray, steps: np.ndarray, gamma: float = 1.0, depth: float = 1.0) -> np.ndarray:
    return np.stack([(0.5 + 0.5 * depth * np.cos(phase + d)) ** gamma for d in steps])


def off(found: np.ndarray, true: np.ndarray) -> np.ndarray:
    return np.angle(np.exp(1j * (found - true)))


@pytest.mark.parametrize(
    "steps_deg", [(0, 120, 240), (0, 90, 180, 270), (0, 70, 160, 250, 300), (10, 130, 200)]
)
def test_exact_for_any_steps(steps_deg):
    phase = ramp()
    wave = fit_steps(0.3 + 0.5 * frames(phase, np.radians(steps_deg)), np.radians(steps_deg))
    # Three unknowns, three or more equations without noise: exact but for rounding.
    assert np.abs(off(wave.phase_rad, phase)).max() < 1e-9
    np.testing.assert_allclose(wave.amplitude, 0.25, rtol=1e-9)
    np.testing.assert_allclose(wave.level, 0.55, rtol=1e-9)


def test_steps_that_differ_from_cell_to_cell():
    phase, steps = ramp(), np.radians([0, 90, 180, 270])
    maps = steps[:, None, None] + 0.1 * np.sin(np.arange(4))[:, None, None] * np.cos(ramp(3.0))
    pictures = np.stack([0.5 + 0.4 * np.cos(phase + m) for m in maps])
    assert np.abs(off(fit_steps(pictures, maps).phase_rad, phase)).max() < 1e-7


@pytest.mark.parametrize("n", [3, 4, 5, 8])
def test_noise_is_the_bound(n):
    """sigma_phi = sqrt(2/N) sigma/B, the Cramer-Rao bound (Surrel 1997, Appl. Opt. 36, 271)."""
    rng = np.random.default_rng(n)
    phase, steps = ramp(shape=(200, 400)), 2 * np.pi * np.arange(n) / n
    pictures = frames(phase, steps) + rng.normal(0, 0.01, (n, 200, 400))
    got = off(fit_steps(pictures, steps).phase_rad, phase).std()
    # 80,000 samples know a standard deviation to 0.25 %: 1.3 % is five of those.
    assert got == pytest.approx(np.sqrt(2 / n) * 0.01 / 0.5, rel=0.013)


@pytest.mark.parametrize(
    ("n", "peak", "rms"), [(3, 0.2909, 0.2050), (4, 0.01063, 0.00752), (5, 0.00130, 0.00092)]
)
def test_gamma_error_is_the_known_one_and_comes_off(n, peak, rms):
    """Exponent 2.2 at full modulation: peak and rms phase error of the N-step formula (computed closed form)."""
    phase, steps = ramp(12.0, (200, 2400)), 2 * np.pi * np.arange(n) / n
    wave = fit_steps(frames(phase, steps, 2.2), steps)
    error = off(wave.phase_rad, phase)
    assert np.abs(error).max() == pytest.approx(peak, rel=0.01)
    assert error.std() == pytest.approx(rms, rel=0.01)
    orders = tuple(n * k for k in range(1, 27 // n))
    good = np.ones(phase.shape, bool)
    # Stripes are 200 cells apart here.
    bend = bend_of_screen(wave.phase_rad, error, good, orders=orders, smooth_px=140.0)
    left = error + straighten(wave.phase_rad, bend, orders=orders)
    # Orders over 26 stay, and the ends of the ramp hold no whole number of stripes.
    assert left[:, 400:-400].std() < max(0.02 * rms, 1e-5)


@pytest.mark.parametrize(("n", "peak"), [(3, np.pi / 6), (4, np.pi / 4), (5, np.pi / 10)])
def test_hard_stripes_err_as_known(n, peak):
    """Black and white stripes in the N-step formula: pi/(2N) for odd N, pi/N for even N (closed form)."""
    phase, steps = ramp(5.0, (2, 200_001)), 2 * np.pi * np.arange(n) / n
    hard = np.stack([(np.cos(phase + d) > 0).astype(float) for d in steps])
    wave = fit_steps(hard, steps)
    # Samples are 0.16 mrad of phase apart.
    assert np.abs(off(wave.phase_rad, phase)).max() == pytest.approx(peak, abs=3e-4)


@pytest.mark.parametrize("steps_deg", [(0, 90), (0, 0, 0, 0), (0, 180, 360), (0, 5, 10)])
def test_steps_that_do_not_span_the_circle(steps_deg):
    steps = np.radians(steps_deg)
    with pytest.raises(ValueError, match="span the circle"):
        fit_steps(frames(ramp(), steps), steps)


def test_order_of_frames_is_told_without_geometry():
    rng = np.random.default_rng(3)
    steps = 2 * np.pi * np.arange(8) / 8  # with five, a swap of two looks like another swap run backwards
    pictures = frames(ramp(20.0, (120, 400)), steps) + rng.normal(0, 0.02, (8, 120, 400))
    seen = np.ones((120, 400), bool)
    told, belongs = tell_steps(pictures, seen, smooth_px=20.0)
    assert belongs.min() > 0.95
    assert odd_frames(told, belongs, steps) == ([], [])
    order = [0, 2, 1, 3, 4, 5, 6, 7]
    told, belongs = tell_steps(pictures[order], seen, smooth_px=20.0)
    assert odd_frames(told, belongs, steps) == ([], [1, 2])
    alien = pictures.copy()
    alien[3] = frames(ramp(27.3, (120, 400)), steps[3:4])[0]
    told, belongs = tell_steps(alien, seen, smooth_px=20.0)
    assert odd_frames(told, belongs, steps)[0] == [3]


@pytest.mark.parametrize("periods", [(48.0, 40.0), (20.0, 21.0), (20.0, 21.0, 24.0), (30.0,)])
def test_place_against_brute_force(periods):
    """The stripe found is the one that an exhaustive search over a fine ruler finds."""
    rng = np.random.default_rng(7)
    true = rng.uniform(0, 1200, 300)
    sigma = 0.002  # turns: a fifth of what tells 20 from 21 apart
    turns = [true / p + rng.normal(0, sigma, true.size) for p in periods]
    reach = 1200.0 if len(periods) > 1 else 0.0
    # A beat longer than the board needs no guess; else the guess must be within half a beat.
    beat = np.lcm.reduce([int(p) for p in periods])
    near = true + rng.uniform(-0.45, 0.45, true.size) * min(beat, 500)
    place, misfit = find_place(
        [2 * np.pi * (t - np.round(t)) for t in turns], list(periods), near_mm=near, reach_mm=reach
    )
    ruler = np.arange(-0.5 * beat, 0.5 * beat, 0.05)
    for k in range(0, 300, 30):
        trial = near[k] + ruler
        gaps = np.stack(
            [p * (trial / p - t[k] - np.round(trial / p - t[k])) for p, t in zip(periods, turns, strict=True)]
        )
        best = trial[np.argmin(np.sum(gaps**2, 0) + (1e-6 * (trial - near[k])) ** 2)]
        assert place[k] == pytest.approx(best, abs=0.5)
    assert np.abs(place - true).max() < 6 * sigma * min(periods)
    assert np.all(misfit < 8 * sigma * max(periods))


@pytest.mark.parametrize("steps_deg", [(0, 90, 180, 270), (0, 70, 160, 250, 300)])
def test_against_a_sine_fit_by_another_library(steps_deg):
    """SciPy's nonlinear least squares fits level, amplitude and phase of a sine to every pixel's noisy frames.

    (The general-purpose decoder `fringes` agrees to 3e-7 rad: tests/bench/study_stepped.py.)
    """
    from scipy.optimize import curve_fit

    rng, steps = np.random.default_rng(7), np.radians(steps_deg)
    noisy = 0.3 + 0.5 * frames(ramp(3.0, (4, 12)), steps) + rng.normal(0, 0.01, (len(steps), 4, 12))
    wave = fit_steps(noisy, steps)
    for r, c in np.ndindex(4, 12):
        values = noisy[:, r, c]
        start = (values.mean(), np.ptp(values) / 2, wave.phase_rad[r, c] + 0.5)
        (level, amplitude, phase), _ = curve_fit(
            lambda d, a, b, p: a + b * np.cos(p + d), steps, values, p0=start, ftol=1e-14, xtol=1e-14
        )
        # Both stop at the least squares; the iteration ends at the root of the rounding.
        assert abs(off(wave.phase_rad[r, c], phase)) < 1e-6
        assert abs(wave.amplitude[r, c] - amplitude) < 1e-6
        assert abs(wave.level[r, c] - level) < 1e-6
