"""Lock-in, nudge, waveform, unwrapping and misprints on stripes in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.restoration import unwrap_phase

from surfscan.phase.carrier import tile_frequencies
from surfscan.phase.lockin import follow_stripes, nudge_phase
from surfscan.phase.misprint import displace, find_misprint, repair
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


def evenly(picture: np.ndarray, phase: np.ndarray, **more: float):  # type: ignore[no-untyped-def]
    full = np.ones(picture.shape, bool)
    flat = np.ones(picture.shape)
    return find_misprint(
        picture, full, phase, 0.4 * flat, 0.2 * flat, period_mm=30.0, period_px=PERIOD, **more
    )


@pytest.mark.parametrize("step_mm", [-1.0, 1.0])
def test_edges_rounded_to_whole_texels_are_found(step_mm: float) -> None:
    """Periods of 30.4 mm drawn in texels of 1 mm: edges land where round() puts them, up to a texel late or early."""
    rng = np.random.default_rng(8)
    shifts = np.where(rng.random(110) < 0.2, step_mm / 30.0, 0.0)
    picture, phase = misprinted(shifts)
    found = evenly(picture, phase)
    assert found is not None
    made = shifts[found.first : found.first + found.shift_mm.size] * 30.0
    inner = slice(5, -5)
    assert np.array_equal(found.shift_mm[inner] != 0, made[inner] != 0)
    sizes = found.shift_mm[inner][made[inner] != 0]
    assert sizes == pytest.approx(step_mm, rel=0.1)


def test_misprints_are_not_made_up_for_satin_short_or_rippled_pictures() -> None:
    x, y = grid(60, 900)
    even = 2 * np.pi * (x + 0.07 * y) / PERIOD
    # Satin: nothing but the fundamental is left, with noise; its edges are no edges.
    rng = np.random.default_rng(9)
    satin = stripes(even, square=False) + rng.normal(0, 0.01, x.shape).astype(np.float32)
    assert evenly(satin, even) is None
    # Fewer edges than could tell: eleven periods.
    short = slice(0, int(11 * PERIOD))
    shifts = np.where(np.arange(110) % 4 == 1, -0.03, 0.0)
    picture, phase = misprinted(shifts)
    assert evenly(picture[:, short], phase[:, short]) is None
    # Real ripples along whole stripes, of several lengths.
    for periods in (4.0, 6.0, 12.0, 30.0):
        turns = even / (2 * np.pi)
        rippled = stripes(2 * np.pi * (turns + 0.02 * np.sin(2 * np.pi * turns / periods)), square=True)
        assert evenly(rippled, even) is None
    assert evenly(picture[:2, :300], phase[:2, :300]) is None  # too small to say anything


def test_repair_and_displace_undo_what_was_displaced() -> None:
    shifts = np.where(np.random.default_rng(2).random(110) < 0.25, -0.03, 0.0)
    picture, phase = misprinted(shifts)
    clean, _ = misprinted(np.zeros(110))
    found = evenly(picture, phase)
    assert found is not None
    flat = np.full(picture.shape, 0.2)
    back = repair(picture, phase, flat, misprint=found, period_mm=30.0, slope_turns=1.25 / PERIOD)
    inner = np.s_[:, 60:-60]

    def offset(image: np.ndarray) -> np.ndarray:
        every = np.ones(image.shape, bool)
        window = (0.45 * PERIOD, 4.0)
        waves = image - np.float32(0.4)
        return follow_stripes(waves, every, phase, sigma_px=window, level_known=1.0).residual_rad[inner]

    # The false phase is gone but for how sharp an edge is drawn: a tenth of it at most.
    assert np.std(offset(back) - offset(clean)) < 0.1 * np.std(offset(picture) - offset(clean))
    # Stripes drawn with their edges displaced are the picture itself.
    drawn = stripes(displace(phase, misprint=found, period_mm=30.0), square=True)
    assert np.sum(np.abs(drawn - picture)[inner]) < 0.01 * np.sum(np.abs(picture - clean)[inner])


def test_unwrap_of_a_steep_chirp_across_a_hole() -> None:
    x, y = grid(90, 140)
    true = 0.015 * (x - 30) ** 2 - 0.01 * (y - 40) ** 2  # up to 3.0 rad a cell: just under half a turn
    valid = np.hypot(x - 70, y - 45) > 12
    miss = (unwrap(np.angle(np.exp(1j * true)), valid) - true)[valid] / (2 * np.pi)
    inside = np.abs(np.gradient(true, axis=1)[valid]) < 3.1
    assert np.ptp(miss[inside]) < 1e-9


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0, 150.0])
def test_tile_frequencies_of_stripes_in_any_direction(turn: float) -> None:
    x, y = grid(192, 256)
    t = np.radians(turn)
    fx, fy = np.cos(t) / PERIOD, np.sin(t) / PERIOD
    light = 0.4 + 1e-3 * x  # uneven light beside the stripes
    picture = light * (1 + 0.5 * np.cos(2 * np.pi * (fx * x + fy * y)))
    tiles = tile_frequencies(picture, np.ones(x.shape, bool), tile_px=64)
    sign = np.sign(fx if abs(fx) >= abs(fy) - 1e-12 else fy)
    # Better than 0.02 cycles a tile on even stripes, as documented; uneven light costs a little more.
    assert np.abs(tiles.fx - sign * fx).max() < 0.03 / 64
    assert np.abs(tiles.fy - sign * fy).max() < 0.03 / 64
    assert tiles.strength.min() > 0.5


def test_noise_alone_has_no_strong_frequency_and_masked_tiles_are_left_out() -> None:
    noise = np.random.default_rng(3).normal(size=(192, 256))
    assert np.median(tile_frequencies(noise, np.ones(noise.shape, bool), tile_px=64).strength) < 0.15
    half = np.zeros(noise.shape, bool)
    half[:, :128] = True
    tiles = tile_frequencies(noise, half, tile_px=64)
    assert tiles.column.max() < 128
    assert tile_frequencies(noise, half & False, tile_px=64).column.size == 0


def test_a_waveform_of_smooth_stripes_is_a_cosine_and_little_data_gives_one_too() -> None:
    phase = np.linspace(0, 80 * np.pi, 50000)
    cosine = np.cos(2 * np.pi * np.arange(64) / 64)
    assert fold_waveform(0.8 * np.cos(phase - 1.1), phase) == pytest.approx(cosine, abs=2e-3)  # linear bins
    assert np.array_equal(fold_waveform(np.ones(10), np.zeros(10)), cosine)
    assert np.array_equal(fold_waveform(np.zeros(50000), phase), cosine)
    # Derivative of the cosine, damped by exp(-1 / 12^2) at the first harmonic.
    slope = steepness(cosine)
    assert slope == pytest.approx(-np.sin(2 * np.pi * np.arange(64) / 64) * np.exp(-1 / 144), abs=1e-12)
    drawn = draw_stripes(cosine, phase.reshape(100, -1), np.full((100, 500), 0.3))
    # Nearest of 1024 table places between 64 samples: half a step, and a chord's sag.
    assert np.abs(drawn - 0.3 * np.cos(phase.reshape(100, -1))).max() < 0.3 * (
        np.pi / 1024 + (2 * np.pi / 64) ** 2 / 8
    )
