"""The one place where verdicts are made: what it must always hold, whatever the evidence."""

from __future__ import annotations

import ast
import math
import random
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from judge.every_reason import NUMBERS

import surfscan
from surfscan.core.message import Reason, Verdict, Weight
from surfscan.core.units import INCH, MM
from surfscan.judge.decide import decide, decide_slope, decide_spot
from surfscan.judge.reasons import REASONS, in_order, read_reasons, reason, rule_sentence, sentence_of
from surfscan.judge.verdict import Evidence, SpotEvidence, verdict_of, weigh

WORSE = [Verdict.READY, Verdict.CLOSE, Verdict.NOT_MEASURED, Verdict.REWORK]
LIMIT = 0.04


def spot(
    size: float, u95: float = 0.004, number: int = 1, *, rim: bool = False, confidence: float = 0.95
) -> SpotEvidence:
    decision = decide_spot("low", -size, u95, limit_mm=LIMIT, confidence=confidence)
    return SpotEvidence(number, "low", size, LIMIT, decision, rim)


def evidence(*spots: SpotEvidence, **more: object) -> Evidence:
    plain = Evidence(spots=spots, floor_u_mm=0.001, wide_u95_mm=0.004, limit_mm=LIMIT)
    return replace(plain, **more)  # type: ignore[arg-type]


weights = st.sampled_from(list(Weight))
made = st.builds(lambda code, weight: Reason(code, weight), st.sampled_from(sorted(REASONS)), weights)


@given(st.lists(made, max_size=6), made)
def test_more_doubt_never_makes_a_better_verdict(reasons: list[Reason], more: Reason) -> None:
    before, after = verdict_of(reasons), verdict_of([*reasons, more])
    final = REASONS[more.code].final and more.weight == Weight.DECIDES
    assert after != Verdict.READY or before == Verdict.READY
    assert final or before == Verdict.NOT_MEASURED or WORSE.index(after) >= WORSE.index(before)
    assert not final or after == Verdict.NOT_MEASURED


@given(st.lists(made, max_size=7), st.randoms())
def test_the_order_of_evidence_does_not_matter(reasons: list[Reason], chance: random.Random) -> None:
    other = list(reasons)
    chance.shuffle(other)
    assert verdict_of(other) == verdict_of(reasons)
    assert in_order(other) == in_order(reasons)


@given(
    st.floats(0.0, 0.1),
    st.floats(0.0, 0.1),
    st.floats(1.0, 5.0),
    st.booleans(),
    st.floats(0.5, 0.999),
)
def test_a_larger_interval_never_makes_a_verdict_better(
    size: float, u95: float, wider: float, rim: bool, confidence: float
) -> None:
    """Better is: surer to be within. A wider interval can take "over" to "too close", and nothing to "ready"."""
    near, far = (
        weigh(evidence(spot(size, u, rim=rim, confidence=confidence))).verdict for u in (u95, wider * u95)
    )
    # at a confidence of one half there is no guard band, and the value alone decides
    assert far != Verdict.READY or near == Verdict.READY or (size <= LIMIT and confidence < 0.51)


@given(st.floats(0.0, 0.5), st.floats(0.0, 0.2), st.floats(0.5, 0.999))
def test_an_open_peak_is_never_ready(size: float, u95: float, confidence: float) -> None:
    cut = weigh(evidence(spot(size, u95, rim=True, confidence=confidence)))
    assert cut.verdict != Verdict.READY
    assert "spot-open" in {one.code for one in cut.reasons}
    whole = weigh(evidence(spot(size, u95, confidence=confidence))).verdict
    assert WORSE.index(cut.verdict) >= WORSE.index(whole)


def test_the_table_of_verdicts() -> None:
    good, close, bad = spot(0.01), spot(0.04, number=2), spot(0.2, number=3)
    lost = spot(math.nan, number=4)
    for spots, verdict in (
        ((), "ready"),
        ((good, lost), "ready"),
        ((good, close), "close"),
        ((good, close, bad), "rework"),
    ):
        assert weigh(evidence(*spots)).verdict == verdict
    fold = ("the reflection folds over", "move the board closer")
    assert weigh(evidence(folded=fold)).verdict == "not_measured"
    assert weigh(evidence(close, coverage=0.7)).verdict == "not_measured"
    assert weigh(evidence(bad, coverage=0.7, folded=fold)).verdict == "rework"
    assert weigh(evidence(bad, coverage=0.0)).verdict == "not_measured"
    assert weigh(evidence(bad, coverage=math.nan)).verdict == "not_measured"
    assert weigh(evidence(coverage=0.9)).verdict == "ready"
    assert any("90 %" in sentence_of(one) for one in weigh(evidence(coverage=0.9)).reasons)
    assert sentence_of(weigh(evidence()).reasons[-1]) == rule_sentence()


def test_a_limit_under_the_uncertainty_cannot_be_shown_to_be_kept() -> None:
    for floor, verdict in ((0.03, "close"), (0.02, "ready"), (math.nan, "close")):
        assert weigh(evidence(floor_u_mm=floor)).verdict == verdict
    assert weigh(evidence(spot(0.2, 0.06), floor_u_mm=0.03)).verdict == "rework"


def test_one_direction_is_ready_only_far_from_the_limit() -> None:
    assert weigh(evidence(one_direction=True, wide_u95_mm=0.013)).verdict == "ready"
    assert weigh(evidence(one_direction=True, wide_u95_mm=0.014)).verdict == "close"
    assert weigh(evidence(one_direction=True, wide_u95_mm=math.nan)).verdict == "close"


def test_filler_and_finish_count() -> None:
    deep = decide(7.0, 0.1, upper=6.35)
    assert weigh(evidence(fills=((1, deep),))).verdict == "rework"
    assert weigh(evidence(fills=((1, decide(6.3, 0.1, upper=6.35)),))).verdict == "close"
    steep = decide_slope(0.6, 0.05, limit_mrad=0.29, band_mm=(20.0, 200.0))
    (told, *_) = weigh(evidence(slope=steep)).reasons
    assert told.code == "limit-slope-over"
    assert "waves of 20 to 200 mm is 0.6 mrad" in sentence_of(told)
    assert "waves of 0.8 in to 7.9 in" not in sentence_of(told)
    assert "200 mm" not in sentence_of(told, INCH)


ABOUT = (
    *("setup-", "photo-", "seen-", "spot-", "fault-", "limit-", "light-"),
    *("other-panel-", "build-", "passes-"),
)


@pytest.mark.parametrize("code", sorted(REASONS))
def test_every_code_has_a_sentence_in_both_units_and_comes_back_from_json(code: str) -> None:
    one = reason(code, Weight.DOUBT, "a", **NUMBERS)
    for units in (MM, INCH):
        text = sentence_of(one, units)
        assert text.endswith(".")
        assert "{" not in text
        assert "  " not in text
    assert " mm" not in sentence_of(one, INCH)
    assert code.startswith(ABOUT)
    assert read_reasons([one.row(), 3, {"code": 1}]) == (one,)


def test_nothing_else_assigns_a_verdict() -> None:
    """A verdict's word, or the enum, is made a value in `judge` alone; others compare, look up and carry."""
    package = Path(surfscan.__file__).parent
    words = set(map(str, Verdict))
    # where a value that is no panel's verdict is decided, and where the carriers are
    makers = {"judge/verdict.py", "judge/decide.py", "core/message.py"}
    found = []
    for path in package.rglob("*.py"):
        place = path.relative_to(package)
        if str(place) in makers:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Assign):
                targets = {getattr(t, "id", getattr(t, "attr", "")) for t in node.targets}
                if (
                    "verdict" in targets
                    and isinstance(node.value, ast.Constant)
                    and node.value.value in words
                ):
                    found.append(f"{place}:{node.lineno}")
            elif isinstance(node, ast.keyword) and node.arg == "verdict":
                value = node.value
                if isinstance(value, ast.Constant) and value.value in words:
                    found.append(f"{place}:{value.lineno}")
            elif (
                isinstance(node, ast.Return)
                and isinstance(node.value, ast.Attribute)
                and getattr(node.value.value, "id", "") == "Verdict"
            ):
                found.append(f"{place}:{node.lineno}")
    assert found == []
