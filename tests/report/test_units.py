"""Lengths in words. 1 in = 25.4 mm (international inch, 1959); 1/4 in = 6.35 mm: filler limit of common practice."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from surfscan.report.units import convert_text, format_area, format_depth, format_filler, format_length


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


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        (
            "The deepest low is 0.281 mm (0.271 to 0.290), putty work.",
            "The deepest low is 0.0111 in (0.0107 to 0.0114), putty work.",
        ),
        ("waves of 20 to 200 mm, limit 1.2 mrad", "waves of 0.8 to 7.9 in, limit 1.2 mrad"),
        ("under the limit of 6.35 mm", "under the limit of 1/4 in"),
        ("102 cm2, 1.2 ml", "15.8 sq in, 1.2 ml"),
        ("97 % of the panel was seen", "97 % of the panel was seen"),
    ],
)
def test_sentences_turn_whole(text: str, inches: str) -> None:
    assert convert_text(text, "inch") == inches
    assert convert_text(text, "mm") == text


def test_not_known_is_a_dash_and_signs_stay() -> None:
    for show in (format_depth, format_filler, format_length, format_area):
        assert show(math.nan) == "-"
        assert show(math.nan, "inch") == "-"
    assert format_depth(0.04, sign=True) == "+0.040 mm"
    assert format_depth(-0.254, "inch") == "-0.0100 in"
    assert format_length(-0.2) == "0 mm"
    assert format_length(-76.2, "inch") == "-3.0 in"
