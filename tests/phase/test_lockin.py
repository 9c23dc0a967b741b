"""Lock-in, nudge, waveform, unwrapping and misprints on stripes in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.restoration import unwrap_phase

from surfscan.phase.carrier import tile_frequencies
from surfscan.phase.lockin import follow_stripes, nudge_phase
from surfscan.phase.misprint import find_misprint
from surfscan.phase.order import unwrap
from surfscan.phase.waveform import draw_stripes, fold_waveform, steepness

PERIOD = 17.0


def stripes(phase: np.ndarray, *, square: bool) -> np.ndarray:
    """Brightness 0.4 + 0.2 times a unit-fundamental wave; square edges softened over a pixel, as a lens does."""
    wave = np.pi / 4 * np.clip(np.cos(phase) * PERIOD / 2.5, -1, 1) if square else np.cos(phase)
    return (0.4 + 0.2 * wave).astype(np.float32)


def grid(h: int = 200, w: int = 300) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float))
    return x, y


@pytest.mark.parametrize("square", [False, True])
def test_lock_in_reads_a_constant_offset_up_to_the_mask(square: bool) -> None:
    x, y = grid()
    predicted = 2 * np.pi * x / PERIOD
    valid = ~((x > 120) & (x < 170) & (y > 60) & (y < 130))
    lock = follow_stripes(
        stripes(predicted + 0.3, square=square), valid, predicted, sigma_px=(0.45 * PERIOD, 4)
    )
    miss = np.abs(lock.residual_rad - 0.3)
    # A smooth wave is fitted exactly even under a cut window; of a square one the third harmonic leaks there.
    assert np.nanmax(miss[valid]) < (1e-3 if not square else 0.12)
    inner = valid & (x > 40) & (x < 90)
    assert np.nanmax(miss[inner]) < (1e-4 if not square else 0.02)
    # Of a square wave with softened edges the fundamental is a little less than that of a hard one.
    assert np.median(lock.amplitude[inner]) == pytest.approx(0.2, rel=0.03)


def test_lock_in_noise_is_that_of_its_window() -> None:
    """Phase noise = sigma/B sqrt(2 sum w^2); for a Gaussian window sum w^2 = 1/(4 pi sx sy) (check-value formula)."""
    x, _ = grid(300, 400)
    predicted = 2 * np.pi * x / PERIOD
    rng = np.random.default_rng(4)
    picture = stripes(predicted, square=False) + rng.normal(0, 0.02, x.shape).astype(np.float32)
    sx, sy = 0.9 * PERIOD, 6.0
    lock = follow_stripes(picture, np.ones(x.shape, bool), predicted, sigma_px=(sx, sy))
    want = 0.02 / 0.2 * np.sqrt(2 / (4 * np.pi * sx * sy))
    got = np.std(lock.residual_rad[60:-60, 60:-60])
    assert got == pytest.approx(want, rel=0.15)  # about 180 * 280 / (sx sy 4 pi) = 44 independent windows


@pytest.mark.parametrize("square", [False, True])
def test_nudge_recovers_a_small_error(square: bool) -> None:
    x, _ = grid()
    predicted = 2 * np.pi * x / PERIOD
    picture = stripes(predicted, square=square) - np.float32(0.4)
    wave = fold_waveform(picture.ravel() / 0.2, predicted.ravel())
    strength = np.full(x.shape, 0.2)
    off = predicted - 0.05
    slope, probe = (draw_stripes(steepness(wave, harmonics=n), off, strength) for n in (12.0, 4.0))
    error, telling = nudge_phase(
        picture - draw_stripes(wave, off, strength), slope, probe, np.ones(x.shape, bool), sigma_px=(6.0, 4.0)
    )
    assert error[30:-30, 30:-30] == pytest.approx(0.05, rel=0.25)  # one Gauss-Newton step
    assert telling.min() > 0


def test_waveform_has_a_cosine_fundamental() -> None:
    phase = np.linspace(0, 60 * np.pi, 40000)
    wave = fold_waveform(1.7 * np.sign(np.cos(phase - 0.4)), phase)
    first = 2 * np.mean(wave * np.exp(-1j * 2 * np.pi * np.arange(wave.size) / wave.size))
    assert first == pytest.approx(1.0, abs=1e-9)
    assert abs(wave).max() == pytest.approx(
        np.pi / 4, rel=0.2
    )  # a unit fundamental's square, with some ringing


def test_unwrap_is_exact_on_smooth_phase_and_keeps_islands_apart() -> None:
    x, y = grid(120, 160)
    true = 0.004 * (x - 80) ** 2 + 0.1 * y
    valid = np.abs(x - 60) > 2
    found = unwrap(np.angle(np.exp(1j * true)), valid)
    assert np.isnan(found[~valid]).all()
    for part in (valid & (x < 60), valid & (x > 60)):
        turns = (found - true)[part] / (2 * np.pi)
        assert np.ptp(turns) < 1e-9
        assert turns.mean() == pytest.approx(np.rint(turns.mean()), abs=1e-9)


def test_unwrap_agrees_with_a_reference_library() -> None:
    """scikit-image's unwrap_phase (Herraez et al. 2002) on a masked map of a deep low's phase."""
    x, y = grid(150, 200)
    true = 9.0 * np.exp(-((x - 90) ** 2 + (y - 70) ** 2) / 1800) + 0.02 * x
    wrapped = np.angle(np.exp(1j * true))
    valid = np.hypot(x - 150, y - 110) > 20
    theirs = np.ma.getdata(unwrap_phase(np.ma.masked_array(wrapped, mask=~valid), rng=0))
    apart = (unwrap(wrapped, valid) - theirs)[valid] / (2 * np.pi)
    assert np.abs(apart - np.rint(apart[0])).max() < 1e-6


def test_tile_frequencies_of_a_chirp() -> None:
    x, y = grid(200, 400)
    frequency = 0.05 + 1e-4 * x
    phase = 2 * np.pi * (0.05 * x + 0.5e-4 * x * x + 0.01 * y)
    tiles = tile_frequencies(np.cos(phase), np.ones(x.shape, bool), tile_px=64)
    want = 0.05 + 1e-4 * tiles.column
    assert (
        np.abs(tiles.fx - want).max() < 0.1 / 64
    )  # a tenth of a cycle per tile, half of it the chirp in the tile
    assert np.abs(tiles.fy - 0.01).max() < 0.1 / 64
    assert frequency.max() > 1.7 * frequency.min()


def misprinted(shifts: np.ndarray, *, ripple: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    x, y = grid(60, 900)
    even = (x + 0.07 * y) / PERIOD  # no panel lies in line with its grid to the last cell
    turns = even + ripple * np.sin(2 * np.pi * even / 8)
    number = np.rint(2 * turns - 0.5).astype(int)
    shift = shifts[np.clip(number, 0, shifts.size - 1)]
    return stripes(2 * np.pi * (turns - shift), square=True), 2 * np.pi * even


def test_displaced_edges_are_found_and_even_ones_are_not() -> None:
    rng = np.random.default_rng(2)
    shifts = np.where(rng.random(110) < 0.25, -0.03, 0.0)
    full = {
        "valid": np.ones((60, 900), bool),
        "level": np.full((60, 900), 0.4),
        "amplitude": np.full((60, 900), 0.2),
    }
    picture, phase = misprinted(shifts)
    found = find_misprint(
        picture, full["valid"], phase, full["level"], full["amplitude"], period_mm=30.0, period_px=PERIOD
    )
    assert found is not None
    inner = slice(5, -5)
    number = np.arange(found.first, found.first + found.shift_mm.size)[inner]
    assert np.array_equal(found.shift_mm[inner] != 0, shifts[number] != 0)
    assert found.shift_mm[inner].min() == pytest.approx(-0.9, rel=0.1)
    for ripple in (0.0, 0.02):  # evenly printed; and a real ripple along whole stripes, eight periods long
        picture, phase = misprinted(np.zeros(110), ripple=ripple)
        assert (
            find_misprint(
                picture,
                full["valid"],
                phase,
                full["level"],
                full["amplitude"],
                period_mm=30.0,
                period_px=PERIOD,
            )
            is None
        )
