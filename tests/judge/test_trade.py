"""The trade's table: every cell walked, and what a body tech forbids. All of it is common practice, no source."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from itertools import product

import pytest

from surfscan.core.trade_names import STAGES, SUBSTRATES
from surfscan.core.units import INCH, MM
from surfscan.judge.limits import default_limits, with_given
from surfscan.judge.trade import Fault, advice_parts, advice_text, advise, row_of, size_class
from surfscan.judge.trade_table import (
    COLOUR_STAGES,
    KINDS,
    SHAPES,
    SIZES,
    Row,
    figure,
    figures,
    find_row,
    rows,
    sizes_of,
    words,
)

_FILL = ("filler", "putty")
_PRIME = ("primer", "sealer")
_FORCE = r"\b(hammer|tap|taps|shrink|heat|torch|flame|dolly|stretch|slap|pick)\w*"
_MOST_WORDS = 25


def _cells() -> Iterator[tuple[str, str, str, str, str]]:
    for stage in STAGES:
        yield from product([stage], KINDS, sizes_of(stage), SHAPES, SUBSTRATES)


def _size(name: str, kind: str, stage: str) -> tuple[float, float | None]:
    """A depth, and a film, that make a spot of this size."""
    film = {"polish": 0.12, "polish-thin": 0.08}.get(name)
    depths = {"surfacer": 0.07, "putty": 0.5, "filler": 2.0, "filler-deep": 5.0, "over": 8.0}
    return depths.get(name, 0.008), film


def _faults() -> Iterator[Fault]:
    for stage, kind, size, shape, substrate in _cells():
        depth, film = _size(size, kind, stage)
        sign = -1 if kind == "low" else 1
        yield Fault(
            stage,
            kind,
            sign * depth,
            0.001,
            124.0,
            2.0 if shape == "long" else 60.0,
            shape=shape,
            count=20 if shape == "many" else 1,
            substrate=substrate,
            film_mm=film,
        )


FAULTS = list(_faults())
SAID = [
    (fault, advice_text(advise(fault, default_limits(fault.stage)), units))
    for fault in FAULTS
    for units in (MM, INCH)
]


def test_every_cell_has_its_row_and_no_row_is_idle() -> None:
    used = {
        find_row(*cell).code for cell in _cells()
    }  # KeyError for a cell without a row; two rows raise on reading
    assert used == set(rows())
    assert len(list(_cells())) == 1640


def test_a_size_is_found_from_its_depth() -> None:
    for fault, cell in zip(FAULTS, _cells(), strict=True):
        assert size_class(fault, default_limits(fault.stage)) == (cell[2], True), cell


def test_sentences_are_short_and_whole() -> None:
    for fault, said in SAID:
        assert said[0].isupper()
        assert said.endswith((".", "?"))
        assert not re.search(r"\bnan\b|None|[{}]|  ", said), said
        for sentence in re.split(r"(?<=[.?!:;])\s+(?=[A-Z])", said):
            assert len(sentence.split()) <= _MOST_WORDS, (fault, sentence)


def test_every_word_of_the_data_is_short_too() -> None:
    for group in ("fair", "texture", "slope", "say", "settle"):
        for text in words(group).values():
            for sentence in re.split(r"(?<=[.?!])\s+", text):
                assert len(sentence.split()) <= _MOST_WORDS, sentence
    for name in ("fair", "not_looked_for", "texture", "slope", "names"):
        assert set(STAGES) <= set(words(name))


def test_no_force_and_no_heat_beside_filler_or_paint() -> None:
    for fault, said in SAID:
        if fault.stage != "bare-metal":
            assert not re.search(_FORCE, said, re.IGNORECASE), (fault, said)


def test_force_only_where_the_material_stands_it() -> None:
    for fault, said in SAID:
        if fault.substrate in ("fibreglass", "unknown"):
            assert not re.search(_FORCE, said, re.IGNORECASE), (fault, said)
        if fault.substrate == "plastic":
            assert not re.search(r"\b(tap|hammer|shrink)\w*", said, re.IGNORECASE), (fault, said)
        if re.search(r"\bheat\b", said, re.IGNORECASE):
            assert "maker allows" in said, said


def test_putty_never_on_bare_metal_or_in_colour() -> None:
    for fault, said in SAID:
        if fault.stage == "bare-metal" or fault.stage in COLOUR_STAGES:
            assert not re.search(r"\b(putty|glaz)", said, re.IGNORECASE), (fault, said)


def test_filler_never_as_work_in_colour() -> None:
    for fault, said in SAID:
        if fault.stage in COLOUR_STAGES and "fill" in said.casefold():
            assert said.casefold().count("back to") or "bare panel" in said, said


def test_block_never_past_the_film_without_its_warning() -> None:
    for fault, said in SAID:
        if fault.stage in _PRIME and re.search(r"\b(block|sand)\w*", said, re.IGNORECASE):
            warned = re.search(r"break|past the film|where the next layer|back past|sanded through", said)
            away = re.search(r"Back to|crack is|Sand, glaze|sanding, and blow", said)
            assert warned or away, said
        if fault.stage in COLOUR_STAGES:
            assert "block" not in said, said


def test_a_high_past_the_film_is_never_blocked() -> None:
    for stage in _PRIME:
        said = advice_text(advise(Fault(stage, "high", 2.0, 0.01, 60, 50), default_limits(stage)))
        assert said.startswith("Go back a stage")
        assert "break through" in said
    # a film that was measured counts in place of the usual one
    thick = Fault("primer", "high", 0.2, 0.01, 60, 50, film_mm=0.3)
    thin = Fault("primer", "high", 0.08, 0.005, 60, 50, film_mm=0.06)
    assert row_of(thick, default_limits("primer")).code == "prime-high-film"
    assert row_of(thin, default_limits("primer")).code == "prime-high-past"


def test_the_clear_is_cut_only_where_the_film_is_known_to_allow_it() -> None:
    limits = with_given(default_limits("clear"), {"low_mm": 0.005, "high_mm": 0.005})

    def code(film: float | None, peak: float = 0.008) -> str:
        return row_of(Fault("clear", "high", peak, 0.001, 30, 20, film_mm=film), limits).code

    assert code(None) == "clear-polish-unmeasured"
    assert code(0.12) == "clear-polish"
    assert code(0.08) == "clear-polish-thin"
    assert code(0.12, 0.015) == "colour-high-surfacer"
    for fault, said in SAID:
        if fault.stage == "clear" and re.search(r"\b[Ll]evel the clear|polished? (out|clear|them)", said):
            assert re.search(r"film", said), said
        if fault.stage == "base":
            assert not re.search(r"\bpolish (it|them|out)", said), said


def test_a_crack_is_never_filled() -> None:
    for fault, said in SAID:
        if fault.shape == "long" and fault.kind == "low":
            assert re.search(r"Never (fill|coat|fill or prime) over a crack", said), said
            assert "ground out" in said
            assert said.startswith("Look here")


def test_shapes_have_their_names() -> None:
    for fault, said in SAID:
        if fault.shape == "ring":
            assert "ring" in said
        if fault.shape == "long":
            assert said.startswith("Look here")
            assert "too narrow" in said
        if fault.shape == "many":
            assert "There are 20 of them" in said


@pytest.mark.parametrize(
    ("stage", "kind", "peak", "shape", "substrate", "start"),
    [
        ("bare-metal", "low", -0.06, "dish", "steel", "Leave it to surfacer"),
        ("bare-metal", "low", -2.0, "dish", "steel", "Metal up first"),
        ("bare-metal", "low", -2.0, "dish", "plastic", "Ease the shape back"),
        ("bare-metal", "low", -7.0, "dish", "steel", "Metal up first: as it stands"),
        ("bare-metal", "high", 0.5, "dish", "steel", "Tap it down, or shrink it"),
        ("bare-metal", "high", 0.5, "dish", "aluminium", "Work it down gently"),
        ("bare-metal", "high", 0.5, "dish", "fibreglass", "Sand it, or regrind the laminate"),
        ("filler", "low", -0.3, "dish", "unknown", "Glaze it"),
        ("filler", "low", -2.0, "dish", "steel", "Count the filler already there"),
        ("filler", "low", -7.0, "dish", "steel", "Filler out here"),
        ("filler", "high", 0.5, "dish", "steel", "Most often this is filler left proud"),
        ("primer", "low", -0.07, "dish", "steel", "Guide coat and block"),
        ("primer", "low", -0.3, "dish", "steel", "Sand, glaze where the primer's sheet allows"),
        ("primer", "low", -2.0, "dish", "steel", "Count the filler"),
        ("primer", "high", 0.06, "dish", "steel", "Guide coat, then block"),
        ("primer", "high", 2.0, "dish", "steel", "Go back a stage"),
        ("primer", "low", -0.2, "long", "steel", "Look here: crack"),
        ("primer", "high", 0.1, "ring", "steel", "A ring: often the old paint edge"),
        ("base", "low", -0.05, "dish", "steel", "Sand it, surfacer, and refinish"),
        ("clear", "high", 0.008, "dish", "steel", "Measure the film first"),
        ("clear", "low", -2.0, "dish", "steel", "Count the filler"),
    ],
)
def test_cases_of_the_trade(
    stage: str, kind: str, peak: float, shape: str, substrate: str, start: str
) -> None:
    fault = Fault(
        stage, kind, peak, 0.001, 120, 2 if shape == "long" else 80, shape=shape, substrate=substrate
    )
    assert advice_text(advise(fault, default_limits(stage))).startswith(start)


def test_an_interval_past_a_limit_means_the_deeper_work_and_says_so() -> None:
    limits = default_limits("filler")
    fault = Fault("filler", "low", -0.75, 0.1, 60, 50)
    assert size_class(fault, limits) == ("filler", False)
    assert "0.750 mm deep, 0.850 mm at most" in advice_text(advise(fault, limits))
    assert size_class(Fault("filler", "low", -6.3, 0.1, 60, 50), limits) == ("over", False)
    assert size_class(Fault("filler", "low", -0.75, 0.01, 60, 50), limits) == ("putty", True)
    tight = with_given(limits, {"filler_depth_mm": 2.0})
    assert size_class(Fault("filler", "low", -2.5, 0.01, 60, 50), tight) == ("over", True)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("stage", STAGES)
def test_what_settles_a_close_call_can_settle_it(stage: str, kind: str) -> None:
    for size, forbidden in (
        (0.02, "straightedge|feeler"),
        (0.04, "straightedge|feeler"),
        (0.1, "straightedge"),
    ):
        said = advice_text(
            advise(Fault(stage, kind, size, 0.01, 60, 50, verdict="close"), default_limits(stage))
        )
        assert said.startswith("Too close to call")
        assert not re.search(forbidden, said), said
        assert "better shot" in said
        assert not ("guide coat" in said and stage in (*COLOUR_STAGES, "bare-metal"))
    said = advice_text(advise(Fault(stage, kind, 0.4, 0.01, 60, 50, verdict="close"), default_limits(stage)))
    assert "straightedge" in said


def test_within_unmeasured_and_cut_by_the_rim() -> None:
    limits = default_limits("primer")

    def say(**changes: object) -> str:
        return advice_text(
            advise(
                Fault(**{"stage": "primer", "kind": "low", "peak_mm": -0.3, "u95_mm": 0.01, **changes}),
                limits,
            )
        )

    assert say(verdict="ready", peak_mm=-0.02).startswith("Leave it: 0.020 mm is within the 0.04 mm limit.")
    assert say(verdict="not_measured").startswith("Not measured")
    assert say(peak_mm=math.nan).startswith("Not measured")
    assert say(peak_open=True).startswith("See it whole first")
    assert "at least 0.300 mm" in say(peak_open=True)
    assert say(peak_open=True, peak_mm=-8.0).startswith(
        "Back to the bare panel"
    )  # at least too deep is too deep
    assert "Look here" not in say(peak_open=True, shape="long")


def test_inches() -> None:
    parts = advice_parts(advise(Fault("filler", "low", -0.3, 0.01, 60, 50), default_limits("filler")), INCH)
    assert "0.0118 in deep" in parts["why"]
    assert not re.search(r"\bmm\b", " ".join(parts.values()))


def test_a_code_of_another_version_keeps_its_stored_words() -> None:
    from surfscan.core.message import Message

    assert advice_text(Message("of-tomorrow", {}), MM, "As it was.") == "As it was."
    assert advice_text(Message("fill-high", {}), MM, "As it was.") == "As it was."


@pytest.mark.parametrize(
    "change",
    [{"kind": "dent"}, {"stage": "paint"}, {"verdict": "ok"}, {"shape": "blob"}, {"substrate": "wood"}],
)
def test_refusals(change: dict[str, str]) -> None:
    with pytest.raises(ValueError, match=f"{next(iter(change))} must be one of"):
        Fault(**{"stage": "primer", "kind": "low", "peak_mm": -0.1, "u95_mm": 0.01, **change})


def test_figures_have_their_source() -> None:
    for name, one in figures().items():
        assert one["source"], name
        assert one["unit"] in ("mm", "1")
        assert figure(name) > 0
    # common practice, no source: the values the trade's table gives
    assert figure("surfacer_levels") == 0.1
    assert (figure("polish_takes"), figure("polish_most")) == (0.01, 0.02)
    assert figure("filler_preferred") == pytest.approx(25.4 / 8)
    assert isinstance(next(iter(rows().values())), Row)
    assert set(SIZES) >= set(sizes_of("primer"))
