"""The verdict's words by stage, never more than was seen, and the slope where it decides."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from surfscan.core.message import Message, Verdict, Weight
from surfscan.core.records import Grid, HeightMap, Spot
from surfscan.core.trade_names import STAGES
from surfscan.core.units import INCH, MM
from surfscan.judge.gauges import Instruments
from surfscan.judge.judgement import Judgement, judge_map
from surfscan.judge.limits import default_limits, with_given
from surfscan.judge.reasons import reason, sentence_of
from surfscan.judge.sentence import headline, headline_text
from surfscan.judge.trade import Material
from surfscan.judge.verdict import weigh

LIMITS = {"low_mm": 0.04, "high_mm": 0.04}


def _said(
    verdict: Verdict, spots: tuple[Spot, ...] = (), *, stage: str = "primer", coverage: float = 1.0
) -> str:
    return headline_text(headline(verdict, spots, limits=LIMITS, stage=stage, coverage=coverage), ())


def _low(peak: float = -0.3, code: str = "prime-low-putty") -> Spot:
    return Spot(1, "low", 0, 0, peak, 0.01, 60, 40, 0, 20, 1, 5, verdict="rework", advice=Message(code))


@pytest.mark.parametrize(
    ("stage", "start"),
    [
        ("bare-metal", "Fair: no filler needed; primer next."),
        ("filler", "Fair: ready for primer."),
        ("putty", "Fair: ready for primer."),
        (
            "primer",
            "Fair: now final-sand (400, then 600), clean, and look for what a photo of shape does not show.",
        ),
        ("base", "Fair."),
        ("clear", "Fair."),
    ],
)
def test_fair_by_stage(stage: str, start: str) -> None:
    assert _said(Verdict.READY, stage=stage).startswith(start)
    assert "Nothing over 0.04 mm; 100 % of the panel was seen." in _said(Verdict.READY, stage=stage)


@pytest.mark.parametrize("stage", STAGES)
def test_bare_metal_is_never_ready_for_filler_and_no_stage_for_the_next_coat_of_paint(stage: str) -> None:
    assert not re.search(r"[Rr]eady for (filler|base|clear)", _said(Verdict.READY, stage=stage))


def test_deepest_is_only_the_deepest_seen_where_a_part_was_not_measured() -> None:
    assert "The deepest low is 0.300 mm" in _said(Verdict.REWORK, (_low(),))
    assert "The deepest low seen is 0.300 mm" in _said(Verdict.REWORK, (_low(),), coverage=0.9)
    high = replace(_low(0.3, "prime-high-past"), kind="high")
    assert "The tallest high seen is" in _said(Verdict.REWORK, (high,), coverage=0.9)


def test_the_work_in_the_headline_is_the_tables() -> None:
    assert _said(Verdict.REWORK, (_low(),)).endswith("putty work.")
    assert _said(Verdict.REWORK, (_low(code="prime-low-filler"),)).endswith("back to filler.")
    assert _said(Verdict.REWORK, (_low(code="of-tomorrow"),)).endswith("to be worked on.")


def test_a_slope_that_decides_is_said_in_mm_in_a_metre() -> None:
    numbers = {
        "short_mm": 20.0,
        "long_mm": 200.0,
        "slope_mrad": 1.5,
        "u_mrad": 0.1,
        "limit_mrad": 1.2,
        "probability": 0.0,
    }
    found = (reason("limit-slope-over", Weight.DECIDES, "the finish", **numbers),)
    message = headline(Verdict.REWORK, (), limits=LIMITS, stage="primer", coverage=1.0, findings=found)
    assert "1.5 mm in a metre where 1.2 mm in a metre is allowed" in headline_text(message, found, MM)
    assert "0.018 in in a foot" in headline_text(message, found, INCH)
    assert "1.5 mrad" in sentence_of(found[0])  # the inspector's


def _judged(height: np.ndarray, stage: str, **given: float) -> Judgement:
    h, w = height.shape
    grid = Grid(2.0 * (np.arange(w) - (w - 1) / 2), 2.0 * (np.arange(h) - (h - 1) / 2), 2.0)
    sigma = np.full_like(height, 0.002)
    carrier = HeightMap(
        grid, height.copy(), np.zeros_like(height), sigma, np.zeros((h, w), np.int32), "plane"
    )
    return judge_map(
        carrier,
        limits=with_given(default_limits(stage), given),
        stage=stage,
        coverage=1.0,
        period_mm=5.0,
        u_slope_mrad=0.01,
        instruments=Instruments(),
        material=Material("steel"),
    )


def test_a_steep_wave_under_the_height_limit_is_worked_on_where_the_slope_decides() -> None:
    _, x = np.mgrid[-60:61, -80:81] * 2.0
    found = _judged(0.03 * np.sin(2 * np.pi * x / 80), "primer", slope_mrad=1.2)
    weighed = weigh(found.evidence)
    assert weighed.verdict == "rework"
    told = [sentence_of(one) for one in weighed.reasons if one.code == "limit-slope-work"]
    assert told[0].startswith("Too steep for the finish: guide coat")
    silent = weigh(_judged(0.03 * np.sin(2 * np.pi * x / 80), "primer").evidence)
    assert all(one.code != "limit-slope-work" for one in silent.reasons)


def test_twenty_pinholes_are_one_order_and_a_scratch_is_no_dent() -> None:
    y, x = np.mgrid[-90:91, -140:141] * 2.0
    holes = sum(
        -0.3 * np.exp(-((x - 50 * a) ** 2 + (y - 60 * b) ** 2) / (2 * 3.0**2))
        for a in range(-2, 3)
        for b in range(-1, 3)
    )
    found = _judged(np.asarray(holes), "primer")
    assert len(found.spots) == 20
    assert {s.shape for s in found.spots} == {"many"}
    orders = {s.action for s in found.spots}
    assert len(orders) == 2
    assert "One job with spot 1." in orders
    assert [step["step"] for step in found.details["work_order"]] == ["glaze", "prime"]
    scratch = np.where((np.abs(y) <= 2) & (np.abs(x) <= 62), -0.2, 0.0)
    (spot,) = _judged(scratch, "primer").spots
    assert spot.shape == "long"
    assert spot.action.startswith("Look here: crack, scratch")


def test_what_was_not_looked_for_is_listed_at_every_stage() -> None:
    for stage in STAGES:
        listed = _judged(np.zeros((61, 81)), stage).details["not_looked_for"]
        assert len(listed) >= 4
        assert any("structure" in text for text in listed)
