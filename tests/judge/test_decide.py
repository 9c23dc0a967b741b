"""Decisions against JCGM 106 and the guard band of ISO 14253-1; defaults and sheets' limits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surfscan.core.constants import COVERAGE_FACTOR_95, FILLER_GREATEST_DEPTH, GUARD_FACTOR_95, MM_PER_INCH
from surfscan.judge.decide import (
    conformance_probability,
    decide,
    decide_slope,
    decide_spot,
    guard_band,
)
from surfscan.judge.limits import CAN_BE_GIVEN, STAGES, default_limits, with_given
from surfscan.judge.reasons import rule_sentence


def test_jcgm_106_oil() -> None:
    # JCGM 106:2012, 7.4: y 13.6, u 1.8, limits 12.5 to 16.3; probability computed from the formula there
    inside = conformance_probability(13.6, 1.8, lower=12.5, upper=16.3)
    assert inside == pytest.approx(0.6626, abs=5e-5)
    assert 1 - inside == pytest.approx(0.3374, abs=5e-5)


def test_one_sided_examples() -> None:
    # JCGM 106 examples, from memory, arithmetic verified: a voltage against -5.40 V, a speed at 99.9 %
    assert conformance_probability(-5.47, 0.05, upper=-5.40) == pytest.approx(0.919, abs=5e-4)
    speed = 100 / (1 - 0.02 * 3.0902)  # 3.0902: normal quantile of 0.999
    assert conformance_probability(speed, 0.02 * speed, lower=100.0) == pytest.approx(0.999, abs=1e-5)
    assert speed == pytest.approx(106.6, abs=0.05)
    # guard band of 2 u: at most 2.3 % false acceptance
    assert conformance_probability(8.0, 1.0, upper=10.0) == pytest.approx(1 - 0.02275, abs=5e-6)


@pytest.mark.parametrize(
    ("depth", "verdict", "probability"),
    [(6.0, "ready", 0.9599), (6.1, "close", 0.894), (6.7, "rework", 0.0401)],
)
def test_filler_rule(depth: float, verdict: str, probability: float) -> None:
    # limit 6.35, u 0.2: 6.0 + 1.645 u = 6.329 is within; computed
    found = decide(depth, 0.2, upper=6.35)
    assert found.verdict == verdict
    assert found.probability == pytest.approx(probability, abs=5e-4)
    assert "6.35 mm" in found.sentence


def test_guard_factor() -> None:
    assert guard_band(1.0) == pytest.approx(1.645, abs=5e-4)
    assert guard_band(2.0) == pytest.approx(2 * GUARD_FACTOR_95.value, rel=1e-12)
    assert guard_band(1.0, 0.975) == pytest.approx(COVERAGE_FACTOR_95.value, rel=1e-12)
    assert "1.645 u" in rule_sentence()
    assert "99.9 %" in rule_sentence(0.999)


@settings(deadline=None)  # a busy machine is no failure
@given(st.floats(-5, 5), st.floats(1e-3, 2), st.floats(-3, 3), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_probability_rule_is_the_guard_band_for_one_limit(
    value: float, u: float, limit: float, confidence: float
) -> None:
    g = guard_band(u, confidence)
    gap = abs(abs(value - limit) - g)
    if gap < 1e-9:  # on the guarded limit the two differ by rounding
        return
    want = "ready" if value + g <= limit else "rework" if value - g >= limit else "close"
    assert decide(value, u, upper=limit, confidence=confidence).verdict == want


def test_two_limits_wide_apart_are_two_guard_bands() -> None:
    assert decide(1.7, 0.1, lower=0.0, upper=2.0).verdict == "ready"
    assert decide(1.9, 0.1, lower=0.0, upper=2.0).verdict == "close"
    assert decide(2.2, 0.1, lower=0.0, upper=2.0).verdict == "rework"
    assert decide(-0.2, 0.1, lower=0.0, upper=2.0).verdict == "rework"
    # limits nearer together than the uncertainty: nothing can be shown to lie within
    assert decide(1.0, 5.0, lower=0.9, upper=1.1).verdict != "ready"


def test_edges() -> None:
    assert decide(1.0, 0.0, upper=1.0).verdict == "ready"
    assert decide(1.0 + 1e-9, 0.0, upper=1.0).verdict == "rework"
    assert decide(math.nan, 0.1, upper=1.0).verdict == "not_measured"
    assert decide(0.1, math.nan, upper=1.0).verdict == "not_measured"
    assert decide(0.1, math.inf, upper=1.0).verdict == "close"
    assert conformance_probability(0.1, math.inf) == 1.0
    # exactly on the guarded limit counts as within
    assert decide(6.35 - guard_band(0.2), 0.2, upper=6.35).verdict == "ready"
    assert decide(6.35 + guard_band(0.2), 0.2, upper=6.35).verdict == "rework"


@pytest.mark.parametrize(
    ("kind", "peak", "u95", "verdict"),
    [
        ("low", -0.10, 0.02, "rework"),
        ("low", -0.02, 0.01, "ready"),
        ("low", -0.045, 0.02, "close"),
        ("high", 0.10, 0.02, "rework"),
        ("high", 0.042, 0.02, "close"),
        ("high", math.nan, 0.02, "not_measured"),
    ],
)
def test_spots(kind: str, peak: float, u95: float, verdict: str) -> None:
    assert decide_spot(kind, peak, u95, limit_mm=0.04).verdict == verdict


def test_finish() -> None:
    found = decide_slope(0.6, 0.05, limit_mrad=0.29, band_mm=(20.0, 200.0))
    assert found.verdict == "rework"
    assert "waves of 20 to 200 mm is 0.6 mrad" in found.sentence
    assert decide_slope(0.3, 0.05, limit_mrad=0.29, band_mm=(20.0, 200.0)).verdict == "close"
    assert decide_slope(0.1, 0.05, limit_mrad=0.29, band_mm=(20.0, 200.0)).verdict == "ready"


def test_spot_uses_the_standard_uncertainty() -> None:
    # u95 = 1.96 u: 0.04 - 0.03 = 0.01 = 1.645 u when u95 = 0.011915
    assert decide_spot("low", -0.03, 0.0119, limit_mm=0.04).verdict == "ready"
    assert decide_spot("low", -0.03, 0.0120, limit_mm=0.04).verdict == "close"


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: decide(1.0, -0.1, upper=2.0), "must not be negative"),
        (lambda: decide(1.0, 0.1, lower=3.0, upper=2.0), "upper not under lower"),
        (lambda: decide(1.0, 0.1, upper=2.0, confidence=1.0), "confidence must be"),
        (lambda: decide_spot("dent", 1.0, 0.1, limit_mm=2.0), "kind must be"),
    ],
)
def test_refusals(call: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()  # type: ignore[operator]


@pytest.mark.parametrize("stage", STAGES)
def test_every_default_has_its_basis(stage: str) -> None:
    limits = default_limits(stage)
    assert set(limits.basis) == set(CAN_BE_GIVEN)
    assert all(limits.basis.values())
    assert limits.filler_depth_mm == 0.25 * MM_PER_INCH.value == FILLER_GREATEST_DEPTH.value
    assert not limits.slope_decides


def test_primer_default_is_the_sheets_example() -> None:
    assert (default_limits("primer").low_mm, default_limits("primer").high_mm) == (0.04, 0.04)


def test_gloss_slope_default_is_the_eyes_resolution() -> None:
    # 60 seconds of arc = 0.2909 mrad; eye and reflected thing both 1 m away
    assert default_limits("clear").slope_mrad == pytest.approx(1e3 * math.radians(1 / 60), abs=0.005)


def test_given_limits_replace_and_say_so() -> None:
    start = default_limits("primer")
    limits = with_given(start, {"low_mm": 0.1, "high_mm": None, "slope_mrad": 0.5, "band_mm": [10, 100]})
    assert (limits.low_mm, limits.high_mm, limits.slope_mrad) == (0.1, 0.04, 0.5)
    assert limits.band_mm == (10.0, 100.0)
    assert limits.slope_decides
    assert limits.basis["low_mm"] == "given in the sheet"
    assert limits.basis["high_mm"] == start.basis["high_mm"]
    assert start.low_mm == 0.04


@pytest.mark.parametrize(
    ("given_limits", "words"),
    [
        ({"depth": 1.0}, "unknown limit"),
        ({"low_mm": -1.0}, "low_mm: found"),
        ({"filler_depth_mm": 0}, "a number above 0"),
        ({"filler_depth_mm": math.nan}, "a number above 0"),
        ({"filler_depth_mm": True}, "a number above 0"),
        ({"confidence": 1.0}, "0.5 to under 1"),
        ({"band_mm": [100, 20]}, "shorter wavelength first"),
        ({"band_mm": 20}, "two numbers"),
    ],
)
def test_bad_limits(given_limits: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        with_given(default_limits("primer"), given_limits)


def test_unknown_stage() -> None:
    with pytest.raises(ValueError, match="stage must be one of"):
        default_limits("paint")
