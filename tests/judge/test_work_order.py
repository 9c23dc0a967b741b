"""The work order: one line a step, in the trade's order (common practice, no source)."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from surfscan.core.records import Spot
from surfscan.core.trade_names import STAGES, SUBSTRATES
from surfscan.core.units import INCH, MM
from surfscan.faults.names import KINDS
from surfscan.judge.limits import default_limits
from surfscan.judge.trade import Fault, advise
from surfscan.judge.trade_table import fault_words, rows
from surfscan.judge.work_order import WorkStep, block_for, read_steps, step_parts, with_faults, work_order


def _spot(number: int, kind: str, peak: float, x: float = 0.0, y: float = 0.0, **more: float) -> Spot:
    length, width = more.get("length", 60.0), more.get("width", 40.0)
    return Spot(
        number,
        kind,
        x,
        y,
        peak,
        0.01,
        length,
        width,
        more.get("angle", 0.0),
        20.0,
        1.5,
        5.0,
        verdict="rework",
    )


def _order(
    spots: list[Spot], stage: str, substrate: str = "steel", shapes: dict[int, str] | None = None
) -> tuple[WorkStep, ...]:
    told = []
    for s in spots:
        fault = Fault(
            stage, s.kind, s.peak_mm, s.u95_mm, s.length_mm, s.width_mm, s.verdict,
            shape=(shapes or {}).get(s.id, "dish"), substrate=substrate,
        )  # fmt: skip
        told.append(replace(s, advice=advise(fault, default_limits(stage))))
    return work_order(told, substrate=substrate)


def test_the_trades_order_on_bare_metal() -> None:
    spots = [
        _spot(1, "low", -2.0),
        _spot(2, "high", 0.5, 200),
        _spot(3, "low", -0.3, 250),
        _spot(4, "low", -0.4, -200),
    ]
    steps = _order(spots, "bare-metal", shapes={4: "long"})
    assert [s.name for s in steps] == ["look", "metal-up", "down", "fill", "fill", "block"]
    assert [s.spots for s in steps] == [(4,), (1, 3), (2,), (1,), (3,), (1, 3)]


def test_filler_stage_and_primer_stage() -> None:
    spots = [_spot(1, "low", -2.0), _spot(2, "high", 0.5, 300), _spot(3, "low", -0.3, -300)]
    assert [(s.name, s.spots) for s in _order(spots, "filler")] == [
        ("fill", (1,)),
        ("block", (1, 2)),
        ("glaze", (3,)),
    ]
    spots = [_spot(1, "low", -0.07), _spot(2, "high", 0.06, 300), _spot(3, "low", -0.3, -300)]
    assert [(s.name, s.spots) for s in _order(spots, "primer")] == [
        ("block", (2,)),
        ("glaze", (3,)),
        ("prime", (1, 3)),
    ]


def test_two_lows_in_one_fill_when_their_rims_are_near() -> None:
    near = _order([_spot(1, "low", -2.0), _spot(2, "low", -1.5, 100)], "filler")
    assert [(s.name, s.spots) for s in near] == [("fill", (1, 2)), ("block", (1, 2))]
    assert near[0].depth_mm == 2.0
    assert near[0].volume_ml == pytest.approx(3.0)
    assert "spots 1, 2 in one" in step_parts(near[0])["what"]
    # ellipses of 60 x 40: along y their rims are 130 - 40 = 90 mm apart, over the 60 that one fill takes in
    far = _order([_spot(1, "low", -2.0), _spot(2, "low", -1.5, 0, 130)], "filler")
    assert [s.spots for s in far if s.name == "fill"] == [(1,), (2,)]
    # turned by 90 degrees their long sides face each other: 130 - 60 = 70, still over; 110 - 60 = 50 is within
    turned = [_spot(1, "low", -2.0, angle=90.0), _spot(2, "low", -1.5, 0, 110, angle=90.0)]
    assert [s.spots for s in _order(turned, "filler") if s.name == "fill"] == [(1, 2)]
    chain = [_spot(k, "low", -2.0, 100.0 * k) for k in (1, 3, 2)]
    assert [s.spots for s in _order(chain, "filler") if s.name == "fill"] == [(1, 2, 3)]


def test_twenty_pinholes_are_one_line() -> None:
    holes = [_spot(k, "low", -0.2, 20.0 * k, length=5.0, width=5.0) for k in range(1, 21)]
    steps = _order(holes, "primer", shapes={s.id: "many" for s in holes})
    assert [s.name for s in steps] == ["glaze", "prime"]
    assert all(len(s.spots) == 20 for s in steps)


def test_a_block_longer_than_the_low_is_wide() -> None:
    assert block_for(60) == 125
    assert block_for(100) == 200
    assert block_for(400) == 700
    assert block_for(5000) == 700
    assert block_for(float("nan")) is None


def test_what_is_within_or_cut_makes_no_work_but_is_seen_whole_first() -> None:
    inside = Spot(1, "low", 0, 0, -0.03, 0.01, 60, 40, 0, 20, 1, 5, verdict="close")
    cut = _spot(2, "low", -0.3, 200)
    limits = default_limits("primer")
    inside = replace(inside, advice=advise(Fault("primer", "low", -0.03, 0.01, verdict="close"), limits))
    cut = replace(cut, advice=advise(Fault("primer", "low", -0.3, 0.01, peak_open=True), limits))
    (step,) = work_order([inside, cut], substrate="unknown")
    assert (step.name, step.spots) == ("look", (2,))
    assert "shot whole" in step_parts(step)["what"]
    assert work_order([], substrate="unknown") == ()


@pytest.mark.parametrize("substrate", SUBSTRATES)
@pytest.mark.parametrize("stage", STAGES)
def test_every_row_has_a_step_with_words(stage: str, substrate: str) -> None:
    used = {row.step for row in rows().values()} | {row.ahead for row in rows().values() if row.ahead}
    for name in used:
        for units in (MM, INCH):
            parts = step_parts(WorkStep(name, (1, 2), substrate, "crack or run", 2.0, 3.0, 280.0), units)
            for text in (parts["what"], parts["again"]):
                for sentence in re.split(r"(?<=[.?!:;])\s+", text):
                    assert 0 < len(sentence.split()) <= 25
                assert text[0].isupper()
            assert not re.search(r"hammer|tap |heat", " ".join(parts.values()))
        if name in ("fill", "glaze", "prime"):
            assert WorkStep(name, (1,), substrate).row()["material"]
    peaks = {"low": (-0.3, -2.0, -8.0), "high": (0.3, 2.0)}
    spots = [
        _spot(k, kind, peak, 300.0 * k)
        for k, (kind, peak) in enumerate(((kind, p) for kind in peaks for p in peaks[kind]), 1)
    ]
    steps = _order(spots, stage, substrate)
    assert {n for s in steps for n in s.spots} == {s.id for s in spots}  # nothing over a limit is left out
    if stage in ("base", "clear"):
        assert not {"fill", "glaze", "block"} & {s.name for s in steps}


def test_steps_come_back_from_their_rows() -> None:
    steps = _order([_spot(1, "low", -2.0), _spot(2, "high", 0.5, 300)], "filler", "plastic")
    assert read_steps([step.row() for step in steps]) == steps
    assert read_steps([{"step": "of-tomorrow", "spots": [1]}, 3]) == ()
    assert read_steps(None) == ()


def test_a_substrate_that_is_none() -> None:
    with pytest.raises(ValueError, match="substrate must be one of"):
        work_order([], substrate="wood")


def test_small_faults_stand_in_their_place_a_crack_before_anything_goes_on() -> None:
    spots = [_spot(1, "low", -2.0), _spot(2, "high", 0.06, 300)]
    kinds = ["pit", "crack", "hair", "pit", "nib", "smear"]
    faults = [{"id": n, "kind": kind} for n, kind in enumerate(kinds, 1)]
    work = {kind: f"do the {kind}." for kind in kinds}
    steps = with_faults(_order(spots, "filler"), faults, work, "steel")
    done = [(s.name, s.spots, s.faults) for s in steps]
    assert done == [
        ("wipe", (), (3, 6)),
        ("crack", (), (2,)),
        ("stand-proud", (), (5,)),
        ("fill", (1,), ()),
        ("block", (1, 2), ()),
        ("fine", (), (1, 4)),
    ]
    assert step_parts(steps[0])["what"] == "Wipe the panel: 1 hair or fibre, 1 fingerprint or smear (f3, f6)."
    assert step_parts(steps[1])["what"] == "1 crack (f2). do the crack."
    assert read_steps([step.row() for step in steps]) == steps


def test_every_kind_of_small_fault_has_one_step() -> None:
    """So that none is lost between the table of kinds and the table of steps."""
    for kind in (*KINDS, "unsure"):
        (step,) = with_faults((), [{"id": 1, "kind": kind}], {kind: "work"}, "unknown")
        assert step.faults == (1,)
        assert fault_words(kind)["name"] in step_parts(step)["what"]
