"""The text in the terminal: the verdict first, a line for each spot, what to do, the cautions."""

from __future__ import annotations

from dataclasses import replace

from report.sample_result import SPOTS, made_result

from surfscan.core.message import Reason
from surfscan.core.units import INCH
from surfscan.judge.reasons import reason
from surfscan.report.table import CAUTIONS, format_result
from surfscan.report.words import ResultText, reason_lines


def test_verdict_spots_advice_and_cautions_are_all_there() -> None:
    text = format_result(made_result())
    lines = text.splitlines()
    assert lines[0] == "door (primer)"
    assert lines[1].startswith("Rework: 1 low and 1 high.")
    assert "97 % of the judged region was measured" in " ".join(text.split())
    assert "Glazing putty, block, look again." in text
    assert "     note: narrow\n" in text
    assert text.count("narrow: narrower than two reflected stripes") == 1
    assert " ".join(text.split()).endswith(CAUTIONS)
    row = next(line for line in lines if line.startswith("  1 "))
    assert " ".join(row.split()) == "1 v low -120, 60 -0.350 0.010 101 x 100 80.0 cm2 1.4 ml over"
    assert next(line for line in lines if line.startswith("  2 ")).split()[1] == "^"


def test_what_many_photos_share_is_said_once() -> None:
    def poor(file: str) -> Reason:
        return reason(
            "photo-poor", about=file, file=file, sentence="the stripes are narrow", cure="go closer"
        )

    files = ("a.jpg", "b.jpg", "c.jpg")
    made = made_result()
    made = replace(made, findings=(*map(poor, files), reason("photo-poor", about="d.jpg", file="d.jpg",
        sentence="blurred", cure="hold still")))  # fmt: skip
    lines = reason_lines(made, audience="tech")
    assert lines == [
        "a.jpg and 2 more photos: the stripes are narrow; go closer.",
        "d.jpg: blurred; hold still.",
    ]
    two = replace(made, findings=made.findings[1:])
    assert [line[:5] for line in reason_lines(two, audience="tech")] == ["b.jpg", "c.jpg", "d.jpg"]


def test_columns_line_up_and_fit_a_terminal() -> None:
    lines = format_result(made_result()).splitlines()
    head = next(line for line in lines if line.startswith("No."))
    rows = [line for line in lines if line[:3].strip().isdigit()]
    end = head.index("peak mm") + len("peak mm")
    assert [row[:end].split()[-1] for row in rows] == ["-0.350", "+0.120", "-0.041"]
    assert max(map(len, lines)) <= 96


def test_nan_is_a_dash_and_no_spot_is_no_table() -> None:
    spot = replace(SPOTS[0], u95_mm=float("nan"))
    assert " - " in next(
        x for x in format_result(made_result(spots=(spot,))).splitlines() if x.startswith("  1 ")
    )
    assert "No." not in format_result(made_result(spots=()))


def test_every_reason_is_told_whatever_the_verdict() -> None:
    reasons = ("The depth of the low is over the limit.", "a.jpg: out of focus; hold still.")
    for verdict in ("rework", "close", "ready"):
        text = format_result(made_result(reasons=reasons, verdict=verdict))
        assert all(f"  {reason}" in text for reason in reasons)


def test_inches_come_whole() -> None:
    """1 in = 25.4 mm (international inch, 1959): 0.35 mm is 0.0138 in, 101 mm is 4.0 in, 6.35 mm is 1/4 in."""
    text = " ".join(format_result(made_result(), INCH).split())
    assert "1 v low -4.7, 2.4 -0.0138 0.0004 4.0 x 3.9 12.4 sq in 1.4 ml over" in text
    assert "filler no deeper than 1/4 in" in text
    assert " mm" not in text.replace(made_result().sentence, "")


def test_an_open_peak_has_no_closed_interval() -> None:
    spots = (replace(SPOTS[0], peak_open=True), replace(SPOTS[1], peak_open=True))
    lines = format_result(made_result(spots=spots)).splitlines()
    rows = [" ".join(line.split()) for line in lines if line[:3].strip().isdigit()]
    assert rows[0].startswith("1 v low -120, 60 <= -0.350 open ")
    assert rows[1].startswith("2 ^ high 100, -80 >= +0.120 open ")
    assert any(line.startswith("open: the rim of what was seen cuts the spot") for line in lines)
    assert max(map(len, lines)) <= 96


def test_a_spot_too_close_to_call_names_the_better_shot() -> None:
    """By the largest term of its own budget; a spot over its limit needs none."""
    rows = [
        {"spot": 1, "shrinks_most": "use a tripod"},
        {"spot": 3, "shrinks_most": "measure over twenty stripes"},
    ]
    result = made_result(details={"uncertainty": {"spots": rows}})
    text = " ".join(format_result(result).split())
    assert "Shoot again. For a better shot: measure over twenty stripes." in text
    assert "For a better shot: use a tripod" not in text
    assert [ResultText(result).better_shot(spot) for spot in result.spots] == [
        "",
        "",
        "For a better shot: measure over twenty stripes.",
    ]
    assert ResultText(made_result()).better_shot(SPOTS[2]) == ""  # no budget, nothing made up
