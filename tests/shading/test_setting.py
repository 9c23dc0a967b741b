"""Room light, black level and brightness found from the cells' left-overs, against what was put in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from surfscan.shading.lamp import CellFit, Lamps, LampSetting, fit_cells, lamp_vectors
from surfscan.shading.setting import Ground, SettingFit, fit_setting, plain_setting

NOISE = 1e-3
STEP = 6.0
TAGS = np.array([[-290.0, -190], [290, -190], [290, 190], [-290, 190]])


def series(count: int, setting: LampSetting, seed: int) -> tuple[np.ndarray, ...]:
    """Brightness of a dented panel with a patch, its places and true slopes."""
    x, y = np.meshgrid(np.arange(-300, 301, STEP), np.arange(-200, 201, STEP))
    r2 = ((x + 60) / 65) ** 2 + ((y - 10) / 65) ** 2
    z = -1.0 * np.exp(-r2 / 2)
    p, q = -z * (x + 60) / 65**2, -z * (y - 10) / 65**2
    turn = 0.3 + 2 * np.pi * np.arange(count) / count
    lamps = Lamps(np.stack([900 * np.cos(turn), 900 * np.sin(turn), np.full(count, 380.0)], -1))
    vectors = lamp_vectors(x, y, z, lamps=lamps)
    albedo = np.where(np.hypot(x + 40, y) < 140, 0.7, 0.45)
    n = np.stack([-p, -q, np.ones_like(p)]) / np.sqrt(1 + p**2 + q**2)
    bright = setting.brightness[:, None, None]
    lit = np.maximum(0, np.sum(vectors * n, 1))
    seen = albedo * (bright * (lit + setting.room) if setting.exposed else bright * lit + setting.room)
    seen = seen + setting.black + NOISE * np.random.default_rng(seed).standard_normal(seen.shape)
    return seen, vectors, lamps, x, y, z, p, q


def settle(seen, vectors, lamps, x, y, z, *, exposed, rounds=8, **kw) -> tuple[SettingFit, CellFit]:
    setting = replace(plain_setting(len(seen)), exposed=exposed)
    weight, fit = np.ones_like(seen), None
    ground = Ground((x, y, z), lamps, STEP, TAGS, **kw)
    for _ in range(rounds):
        fit = fit_cells(seen, vectors, setting=setting, weight=weight, start=fit)
        answer = fit_setting(fit, vectors, setting=setting, weight=weight, noise=NOISE, ground=ground)
        setting = answer.setting
    return answer, fit_cells(seen, vectors, setting=setting, weight=weight, start=fit)


def dent_share(got: np.ndarray, true: np.ndarray, x: np.ndarray, y: np.ndarray) -> float:
    """How much of the dent's slope is in the slopes got, beside a smooth bend that belongs to the form."""
    x, y = x / 300, y / 300
    terms = np.stack([true, *(x**i * y**j for i in range(4) for j in range(4 - i))], -1).reshape(x.size, -1)
    return float(np.linalg.lstsq(terms, got.ravel(), rcond=None)[0][0])


@pytest.mark.parametrize("exposed", [False, True])
def test_what_was_put_in_comes_out(exposed: bool) -> None:
    bright = np.array([0.92, 1.2, 1.1, 0.95, 1.11, 0.72])
    true = LampSetting(0.02, 0.002, bright / bright.mean(), np.zeros((6, 3)), exposed)
    seen, vectors, lamps, x, y, z, p, _ = series(6, true, 5)
    answer, fit = settle(seen, vectors, lamps, x, y, z, exposed=exposed)
    sd = dict(zip(answer.names, np.sqrt(np.diag(answer.covariance)), strict=True))
    got = answer.setting
    # Five standard deviations as the fit states them.
    assert got.room == pytest.approx(true.room, abs=5 * sd["room"])
    assert got.black == pytest.approx(true.black, abs=5 * sd["black"])
    for k in range(6):
        assert got.brightness[k] == pytest.approx(true.brightness[k], abs=5 * sd[f"brightness {k + 1}"])
    assert sd["room"] < 0.1 * true.room  # and the fit is worth having
    assert dent_share(fit.p, p, x, y) == pytest.approx(1, abs=0.01)


def test_room_light_left_alone_flattens_the_dent() -> None:
    """Light a beside l_z shrinks slopes by l_z / (l_z + a) where the lamps stand alike."""
    true = replace(plain_setting(6), room=0.03)
    seen, vectors, _, x, y, _, p, _ = series(6, true, 6)
    fit = fit_cells(seen, vectors, setting=plain_setting(6), weight=np.ones_like(seen))
    middle = np.hypot(x, y) < 120
    slope = dent_share(fit.p, p, x, y)
    lift = float(np.mean(vectors[:, 2][:, middle]))
    assert slope == pytest.approx(lift / (lift + 0.03), abs=0.02)  # the lamps' lift varies by a tenth there
    assert slope < 0.95


def test_three_photos_settle_without_left_overs() -> None:
    """Nothing is left over by three photos: only curl and the tags speak, for the brightness alone."""
    seen, vectors, lamps, x, y, z, p, _ = series(3, plain_setting(3), 7)
    answer, fit = settle(seen, vectors, lamps, x, y, z, exposed=True)
    assert answer.setting.room == 0
    np.testing.assert_allclose(answer.setting.brightness, 1, atol=0.02)
    assert dent_share(fit.p, p, x, y) == pytest.approx(1, abs=0.05)


def test_a_photo_with_the_lamp_out_takes_the_room_from_the_fit() -> None:
    seen, vectors, lamps, x, y, z, _, _ = series(4, plain_setting(4), 8)
    answer, _ = settle(seen, vectors, lamps, x, y, z, exposed=True, room_known=True)
    assert "room" not in answer.names
    assert answer.setting.room == 0
    assert answer.setting.black == 0


def test_a_moved_lamp_is_found_within_its_uncertainty() -> None:
    seen, _, lamps, x, y, z, _, _ = series(6, plain_setting(6), 9)
    wrong = lamps.places_mm.copy()
    wrong[2] += [6.0, -8.0, 5.0]
    told = replace(lamps, places_mm=wrong)
    ground = Ground((x, y, z), told, STEP, TAGS, place_sd_mm=5.0)
    setting, fit = plain_setting(6), None
    weight = np.ones_like(seen)
    for _ in range(8):
        now = lamp_vectors(x, y, z, lamps=replace(told, places_mm=wrong + setting.moved_mm))
        fit = fit_cells(seen, now, setting=setting, weight=weight, start=fit)
        answer = fit_setting(fit, now, setting=setting, weight=weight, noise=NOISE, ground=ground)
        setting = answer.setting
    off = wrong + setting.moved_mm - lamps.places_mm
    assert np.linalg.norm(off[2]) < 0.7 * np.linalg.norm(wrong[2] - lamps.places_mm[2])
    assert np.abs(off).max() < 10  # the others stay within two of the stated 5 mm
