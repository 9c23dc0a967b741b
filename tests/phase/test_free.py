"""Phase of one photo without geometry, against stripes of a closed form."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.errors import NotMeasuredError
from surfscan.phase.free import DOUBTED, FreePhase, free_phase

SHAPE = 300, 400
ROW, COLUMN = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)


def crowned_phase() -> np.ndarray:
    """Slanted stripes whose frequency runs from 1/30 to 1/18 per pixel, as on a crowned panel."""
    x = COLUMN / SHAPE[1]
    slow, fast = 1 / 30, 1 / 18
    return 2 * np.pi * (SHAPE[1] * (slow * x + (fast - slow) * x * x / 2) + 0.006 * ROW)


def stripes(phase: np.ndarray, *, amplitude: float = 0.25, level: float = 0.4) -> np.ndarray:
    return level + amplitude * np.cos(phase)


def error(found: FreePhase, phase: np.ndarray) -> np.ndarray:
    """Phase error at the valid pixels; whole turns are unknown, and the worse sign is another phase."""
    away = (found.phase_rad - phase)[found.valid]
    return away - 2 * np.pi * np.round(np.median(away) / (2 * np.pi))


def interior(found: FreePhase, margin: int) -> np.ndarray:
    inside = np.zeros(SHAPE, bool)
    inside[margin:-margin, margin:-margin] = True
    return inside[found.valid]


def test_crowned_stripes_without_noise_are_read_to_a_hundredth():
    phase = crowned_phase()
    found = free_phase(stripes(phase))
    assert found.valid.mean() > 0.97  # nothing to doubt in a perfect picture
    # One window from the edges the fit is centred; what is left is the shrunk grid's cubic interpolation.
    assert np.abs(error(found, phase)[interior(found, 30)]).max() < 0.01
    # Towards the cut edge the window is one-sided; a fiftieth of a stripe is 0.13 rad.
    assert np.abs(error(found, phase)).max() < 0.13
    assert found.period_px == pytest.approx(24, rel=0.1)
    assert found.trust > 0.9


@pytest.mark.parametrize("turn", [0.0, 90.0])
def test_level_and_amplitude_are_those_of_the_picture(turn):
    along = COLUMN if turn == 0 else ROW
    found = free_phase(0.4 + 0.25 * np.cos(2 * np.pi * along / 20), direction=turn)
    inside = np.s_[40:-40, 40:-40]
    # The window of 0.5 periods passes exp(-(2 pi 0.5)^2 / 2) = 0.7 % of the wave into the level.
    np.testing.assert_allclose(found.amplitude[inside], 0.25, rtol=0.01)
    np.testing.assert_allclose(found.level[inside], 0.4, rtol=0.01)
    np.testing.assert_allclose(found.modulation[inside], 0.625, rtol=0.02)


def test_square_stripes_on_uneven_light():
    phase = crowned_phase()
    light = 0.35 + 0.5 * COLUMN / SHAPE[1]
    image = cv2.GaussianBlur(light * (0.55 + 0.4 * np.sign(np.cos(phase))), (0, 0), 1.0)
    found = free_phase(image)
    # Light that more than doubles over the picture; a hundredth of a stripe is 0.06 rad.
    assert np.sqrt(np.mean(error(found, phase)[interior(found, 30)] ** 2)) < 0.03
    assert found.valid.mean() > 0.9


def test_noise_is_told_and_near_its_bound():
    phase, rng = crowned_phase(), np.random.default_rng(4)
    sigma, amplitude = 0.05, 0.25
    clean = free_phase(stripes(phase))
    noisy = free_phase(stripes(phase) + sigma * rng.standard_normal(SHAPE))
    both = clean.valid & noisy.valid
    both[:30] = both[-30:] = both[:, :30] = both[:, -30:] = False
    away = (noisy.phase_rad - clean.phase_rad)[both]
    away -= 2 * np.pi * np.round(np.median(away) / (2 * np.pi))
    noise = np.sqrt(np.mean(away**2))
    # A Gaussian window averages 4 pi sx sy pixels (Cramer-Rao: variance 2 sigma^2 / (N B^2)).
    period = noisy.period_px
    bound = np.sqrt(2 * sigma**2 / (4 * np.pi * 0.5 * period * 0.25 * period)) / amplitude
    assert 0.5 * bound < noise < 2 * bound  # rounds smooth a little more; windows follow the stripes
    told = np.median(noisy.sigma_rad[both])
    # The wobble of the amplitude counts twice over: told honestly means not under, and not many times over.
    assert 0.8 * noise < told < 4 * noise


def test_glare_is_masked_and_does_not_pull_on_its_surroundings():
    phase = crowned_phase()
    spot = np.exp(-((COLUMN - 250) ** 2 + (ROW - 160) ** 2) / (2 * 12.0**2))
    image = np.minimum(stripes(phase) + 2.0 * spot, 1.0)
    found = free_phase(image)
    assert not found.valid[image >= 1.0].any()
    far = np.hypot(COLUMN - 250, ROW - 160) > 70
    assert found.valid[far].mean() > 0.95
    # Single-photo phase on real glass is asked for 0.08 rad (the project's own aim).
    assert np.sqrt(np.mean(error(found, phase)[interior(found, 25)] ** 2)) < 0.08


def test_a_mask_is_kept_and_its_parts_are_continuous():
    phase = crowned_phase()
    mask = np.ones(SHAPE, bool)
    mask[:, 200:260] = False
    mask[:40] = False
    found = free_phase(np.where(mask, stripes(phase), np.nan), valid=mask)
    assert not found.valid[~mask].any()
    assert np.isnan(found.phase_rad[~mask]).all()
    for part in (np.s_[80:-40, 30:170], np.s_[80:-40, 290:-30]):
        away = found.phase_rad[part] - phase[part]
        assert np.ptp(away) < 0.1  # no slip of a turn inside a part


def test_a_gloss_fault_changes_the_amplitude_and_not_the_phase():
    phase = crowned_phase()
    dull = 1 - 0.3 * np.exp(-((COLUMN - 240) ** 2 + (ROW - 180) ** 2) / (2 * 30.0**2))
    found = free_phase(stripes(phase) * dull)
    there = np.s_[160:200, 220:260]
    away = found.phase_rad[there] - phase[there]
    away -= 2 * np.pi * np.round(np.median(away) / (2 * np.pi))
    assert found.amplitude[180, 240] < 0.8 * found.amplitude[180, 80]
    # A third of the gloss gone within two stripes (a fingerprint takes a seventh): under a hundredth of a stripe.
    assert np.abs(away).max() < 2 * np.pi / 100


def test_a_picture_that_shows_through_is_doubted():
    rng = np.random.default_rng(8)
    grain = sum(cv2.GaussianBlur(rng.standard_normal(SHAPE), (0, 0), s) * s for s in (3.0, 8.0, 20.0))
    picture = 0.4 + 0.1 * grain / grain.std()
    found = free_phase(np.clip(picture + 0.05 * np.cos(crowned_phase()), 0.01, 0.97))
    assert found.trust < DOUBTED


def test_no_stripes_give_no_trust():
    rng = np.random.default_rng(5)
    cloudy = 0.4 + 3 * cv2.GaussianBlur(rng.standard_normal(SHAPE), (0, 0), 8.0)
    for image in (cloudy, 0.4 + 0.05 * rng.standard_normal(SHAPE)):
        try:
            trust = free_phase(np.clip(image, 0, 0.97)).trust
        except NotMeasuredError:
            trust = 0.0
        assert trust < DOUBTED


def test_a_blank_photo_is_refused():
    with pytest.raises(NotMeasuredError, match="no stripes"):
        free_phase(np.full(SHAPE, 0.5))


def test_saturation_follows_the_type():
    image = np.round(255 * np.minimum(1.2 * stripes(crowned_phase(), amplitude=0.35), 1)).astype(np.uint8)
    found = free_phase(image)
    assert not found.valid[image == 255].any()


def test_same_photo_same_numbers_on_one_thread_or_two():
    image = stripes(crowned_phase())
    threads = cv2.getNumThreads()
    results = []
    try:
        for count in (1, 2):
            cv2.setNumThreads(count)
            results.append(free_phase(image).phase_rad)
    finally:
        cv2.setNumThreads(threads)
    np.testing.assert_array_equal(results[0], results[1])


def test_wrong_shapes_are_refused():
    with pytest.raises(ValueError, match="image must be"):
        free_phase(np.zeros((10, 10)))
    with pytest.raises(ValueError, match="valid has shape"):
        free_phase(np.zeros((100, 100)), valid=np.ones((10, 100), bool))
