"""Lengths in words. 1 in = 25.4 mm (international inch, 1959); 1/4 in = 6.35 mm: filler limit of common practice."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surfscan.core.units import (
    INCH,
    MM,
    format_area,
    format_depth,
    format_filler,
    format_length,
    parse_length,
)


@pytest.mark.parametrize(
    ("mm", "words"),
    [
        (6.35, "1/4 in"),
        (3.175, "1/8 in"),
        (3.2, "1/8 in"),
        (25.4, "1 in"),
        (27.0, "1 1/16 in"),
        (2.4, "3/32 in"),
    ],
)
def test_filler_reads_as_on_a_gauge(mm: float, words: str) -> None:
    assert format_filler(mm, "inch") == words


@given(st.floats(2.0, 60.0))
def test_sixty_fourths_are_the_nearest(mm: float) -> None:
    words = format_filler(mm, "inch").removesuffix(" in").split()
    value = sum(int(w.split("/")[0]) / int(w.split("/")[1]) if "/" in w else int(w) for w in words)
    assert abs(value * 25.4 - mm) <= 25.4 / 128 + 1e-9
    assert all("/" not in w or math.gcd(*map(int, w.split("/"))) == 1 for w in words)


def test_not_known_is_a_dash_and_signs_stay() -> None:
    for show in (format_depth, format_filler, format_length, format_area):
        assert show(math.nan) == "-"
        assert show(math.nan, "inch") == "-"
    assert format_depth(0.04, sign=True) == "+0.040 mm"
    assert format_depth(-0.254, "inch") == "-0.0100 in"
    assert format_length(-0.2) == "0 mm"
    assert format_length(-76.2, "inch") == "-3.0 in"


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("640", 640.0),
        ("640mm", 640.0),
        ("25in", 635.0),
        ('25 "', 635.0),
        ("1/8in", 3.175),
        ("2 1/2 in", 63.5),
        ("2-1/2in", 63.5),
        ("1.2 m", 1200.0),
        ("-3 cm", -30.0),
        ("+.5ft", 152.4),
        ("40 um", 0.04),
        ("1,5 mm", 1.5),
        ("0,125in", 3.175),
        (",5", 0.5),
    ],
)
def test_lengths_as_they_are_typed(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["", "mm", "1/0 in", "one inch", "nan", "inf", "1e999", "3 yards", "1 2", "1,5,5"]
)
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is no length"):
        parse_length(text)


@pytest.mark.parametrize("text", ["1,200", "1,200 mm", "25,400in", "-3,000", "1,234.5"])
def test_a_comma_that_could_be_thousands_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="two ways"):
        parse_length(text)


def test_a_plain_number_is_in_the_unit_asked_for() -> None:
    assert parse_length("25", "inch") == pytest.approx(635.0)
    assert parse_length("1/8", "inch") == pytest.approx(3.175)
    assert parse_length("25 mm", "inch") == 25.0


@given(st.floats(-5000.0, 5000.0))
def test_a_number_with_its_unit_comes_back(mm: float) -> None:
    """The inch by its definition, 25.4 mm."""
    assert parse_length(repr(mm)) == mm
    assert parse_length(f"{mm!r} mm") == mm
    assert parse_length(f"{mm / 25.4!r}in") == pytest.approx(mm, rel=1e-12, abs=1e-12)


@given(st.floats(0.01, 3000.0))
def test_what_is_shown_can_be_typed(mm: float) -> None:
    assert parse_length(MM.given(mm)) == pytest.approx(mm, rel=1e-5)
    # 1/64 in at a gauge's sizes, a tenth of an inch above
    assert abs(parse_length(INCH.given(mm)) - mm) <= max(25.4 / 128, 1.27 * (mm > 13)) + 1e-6
