"""Advice in trade words. The table it follows is common practice, no source; here as one row per case."""

from __future__ import annotations

import math

import pytest

from surfscan.judge.advice import CAUTIONS, advise
from surfscan.judge.limits import STAGES, default_limits


def _say(
    kind: str, stage: str, peak: float, verdict: str = "rework", u95: float = 0.01, texture: bool = False
) -> str:
    return advise(kind, stage, peak, u95, verdict, default_limits(stage), texture)


@pytest.mark.parametrize(
    ("kind", "stage", "peak", "start", "reason"),
    [
        ("low", "filler", -0.3, "Glazing putty, block, and look again", "0.30 mm"),
        ("low", "primer", -0.3, "Glazing putty, block, and look again", "under the 0.8 mm"),
        ("low", "bare-metal", -2.0, "Filler, block, and look again", "under the 6.35 mm"),
        ("low", "filler", -4.0, "Filler, block, and look again", "3.2 mm (1/8 inch) and under is preferred"),
        ("low", "filler", -2.0, "Filler, block, and look again", "2.00 mm"),
        ("low", "bare-metal", -0.3, "Filler, block, and look again", "putty wants primer or filler"),
        ("low", "bare-metal", -7.0, "Bring the metal up first", "limit of 6.35 mm"),
        ("low", "clear", -7.0, "Bring the metal up first", "7.00 mm"),
        ("low", "primer", -2.0, "Back to the filler stage", "over the 0.8 mm"),
        ("low", "base", -0.3, "Back a stage", "glazing putty"),
        ("high", "bare-metal", 0.5, "Bring it down first (tap or shrink)", "fill plan"),
        ("high", "filler", 0.5, "Bring it down first (tap or shrink)", "0.50 mm"),
        ("high", "primer", 0.5, "Block it while watching for break-through", "go back a stage"),
        ("high", "clear", 0.5, "Block it while watching for break-through", "0.02 mm limit"),
    ],
)
def test_the_table(kind: str, stage: str, peak: float, start: str, reason: str) -> None:
    said = _say(kind, stage, peak)
    assert said.startswith(start)
    assert reason in said


def test_an_interval_past_a_depth_limit_means_the_deeper_work() -> None:
    assert _say("low", "filler", -0.75, u95=0.1).startswith("Filler")
    assert "give or take 0.10 mm" in _say("low", "filler", -0.75, u95=0.1)
    assert _say("low", "filler", -6.3, u95=0.1).startswith("Bring the metal up")
    assert _say("low", "filler", -0.75, u95=0.01).startswith("Glazing putty")


@pytest.mark.parametrize("kind", ["low", "high"])
@pytest.mark.parametrize("stage", STAGES)
def test_close_ready_and_unmeasured_at_every_stage(kind: str, stage: str) -> None:
    close = _say(kind, stage, 0.05, verdict="close")
    assert close.startswith("Too close to call")
    assert "straightedge" in close
    assert "better shot" in close
    assert _say(kind, stage, 0.01, verdict="ready").startswith("Leave it")
    assert _say(kind, stage, 0.01, verdict="not_measured").startswith("Not measured")
    assert _say(kind, stage, math.nan).startswith("Not measured")
    assert _say(kind, stage, 0.5, u95=math.nan).startswith("Not measured")


def test_texture() -> None:
    assert "400 then 600 grit" in _say("low", "primer", -0.3, texture=True)
    assert "grit" not in _say("low", "primer", -0.3)
    assert "peel" in _say("low", "clear", -0.03, texture=True)


@pytest.mark.parametrize("peak", [-0.3, -2.0, -7.0])
@pytest.mark.parametrize("stage", STAGES)
def test_every_sentence_is_whole(stage: str, peak: float) -> None:
    for kind in ("low", "high"):
        said = _say(kind, stage, peak, texture=True)
        assert said[0].isupper()
        assert said.endswith(".")
        assert "  " not in said
        assert "nan" not in said


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "dent"}, "kind must be"),
        ({"stage": "paint"}, "stage must be"),
        ({"verdict": "ok"}, "unknown verdict"),
    ],
)
def test_refusals(change: dict, words: str) -> None:
    options = {"kind": "low", "stage": "primer", "verdict": "rework", **change}
    with pytest.raises(ValueError, match=words):
        advise(peak_mm=-0.1, u95_mm=0.01, limits=default_limits("primer"), **options)


def test_cautions_cover_what_the_trade_asks() -> None:
    text = " ".join(CAUTIONS)
    for word in ("respirator", "Wetting", "photosensitive", "Never grind", "radar", "inspector decides"):
        assert word in text
