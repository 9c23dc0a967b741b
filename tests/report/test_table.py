"""The text in the terminal: the verdict first, a line for each spot, what to do, the cautions."""

from __future__ import annotations

from report.sample_result import SPOTS, made_result

from surfscan.report.table import CAUTIONS, format_result


def test_verdict_spots_advice_and_cautions_are_all_there() -> None:
    text = format_result(made_result())
    lines = text.splitlines()
    assert lines[0] == "door (primer)"
    assert lines[1].startswith("Rework: 1 low and 1 high.")
    assert "97 % of the judged region was measured" in text
    assert "Glazing putty, block, look again." in text
    assert "     note: narrow\n" in text
    assert text.count("narrow: narrower than two reflected stripes") == 1
    assert " ".join(text.split()).endswith(CAUTIONS)
    row = next(line for line in lines if line.startswith("  1 "))
    assert " ".join(row.split()) == "1 v low -120, 60 -0.350 0.010 101 x 100 80.0 1.40 over"
    assert next(line for line in lines if line.startswith("  2 ")).split()[1] == "^"


def test_columns_line_up_and_fit_a_terminal() -> None:
    lines = format_result(made_result()).splitlines()
    head = next(line for line in lines if line.startswith("No."))
    rows = [line for line in lines if line[:3].strip().isdigit()]
    end = head.index("peak mm") + len("peak mm")
    assert [row[:end].split()[-1] for row in rows] == ["-0.350", "+0.120", "-0.041"]
    assert max(map(len, lines)) <= 96


def test_nan_is_a_dash_and_no_spot_is_no_table() -> None:
    from dataclasses import replace

    spot = replace(SPOTS[0], u95_mm=float("nan"))
    assert " - " in next(
        x for x in format_result(made_result(spots=(spot,))).splitlines() if x.startswith("  1 ")
    )
    assert "No." not in format_result(made_result(spots=()))


def test_a_doubtful_photo_is_always_told_and_the_rest_when_it_decides() -> None:
    reasons = ("The depth of the low is over the limit.", "a.jpg: out of focus; hold still.")
    assert "over the limit." not in format_result(made_result(reasons=reasons))
    assert "  a.jpg: out of focus; hold still." in format_result(made_result(reasons=reasons))
    assert "over the limit." in format_result(made_result(reasons=reasons, verdict="close"))
