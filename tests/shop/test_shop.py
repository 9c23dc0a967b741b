"""What the shop learns, against published examples and a made record whose answers can be counted by hand."""

from __future__ import annotations

import csv
import io
import math
from itertools import pairwise
from pathlib import Path

import pypdfium2
import pytest
from shop.shop_record import START, add_pass, make_record

from surfscan.cli import main
from surfscan.core.errors import UsageError
from surfscan.core.trade_names import STAGES
from surfscan.papers.particulars import Particulars
from surfscan.papers.shop import drift_words, write_shop
from surfscan.results.proofs import Proof, keep_proof, list_proofs
from surfscan.results.record import open_record
from surfscan.shop.drift import FEWEST, chart
from surfscan.shop.figures import learn
from surfscan.shop.shares import share_of
from surfscan.shop.table import as_csv


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (Wilson without continuity correction);
    # from memory, rounded to four places there
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_intervals_of_shares_are_wilsons(count: int, of: int, low: float, high: float) -> None:
    share = share_of(count, of)
    assert (share.low, share.high) == pytest.approx((low, high), abs=6e-5)
    assert (share_of(0, 0).low, share_of(0, 0).high) == (0.0, 1.0)


# D. C. Montgomery, Introduction to Statistical Quality Control, table 9.1 (target 10, sigma 1, the last ten shifted by
# one): from memory. Its tabular CUSUM with k 1/2 and h 5 first signals at period 29, C+ being 5.28 there.
TABLE_9_1 = (
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
    10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
)  # fmt: skip


def test_charts_are_those_of_the_handbook() -> None:
    import shewhart

    sums = shewhart.cusum(list(TABLE_9_1), k=0.5, h=5.0, center=10.0, sigma=1.0).table
    assert sums["cusum_pos"].iloc[28] == pytest.approx(5.28, abs=0.005)
    assert list(sums["signal"]).index(True) == 28
    drift = chart([("2026-01-01", value, 0.1) for value in TABLE_9_1])
    assert drift is not None
    # by hand: the first half sets the limits, 3/1.128 mean moving ranges from their mean (d2 of two: ISO 7870-2)
    first = TABLE_9_1[:15]
    ranges = [abs(b - a) for a, b in pairwise(first)]
    centre = sum(first) / 15
    assert (drift.base, drift.centre) == (15, pytest.approx(centre))
    assert drift.high - centre == pytest.approx(3 * sum(ranges) / 14 / 1.128, rel=1e-3)
    assert drift.outside == ()
    # a station that reads 2 % high from one day on is told, with the day
    steady = [(f"2026-01-{k + 1:02d}", 1 + 0.002 * (-1) ** k, 0.01) for k in range(20)]
    late = [(f"2026-02-{k + 1:02d}", 1.02, 0.01) for k in range(5)]
    moved = chart(steady + late, station="bay 3")
    assert moved is not None
    assert moved.outside[0] == 20
    assert "drifting up since about 2026-02-0" in drift_words(moved)
    assert chart(steady[: FEWEST - 1]) is None
    assert chart([("2026-01-01", 1.0, 0.0)] * 12) is None  # no variation sets no limits


@pytest.fixture
def told(tmp_path: Path) -> Path:
    """Three panels: fair at once; a low that is there again, then gone; one whose first look saw nothing."""
    database = tmp_path / "shop.db"
    given = [
        ("1", "roof", "primer", 0, 0.0), ("2", "roof", "primer", 1, 0.4), ("2", "roof", "primer", 2, 0.2),
        ("2", "roof", "primer", 40, 0.0), ("2", "bonnet", "filler", 3, 0.5), ("", "roof", "primer", 4, 0.3),
    ]  # fmt: skip
    with open_record(database) as record:
        for k, (job, panel, stage, day, low) in enumerate(given):
            more = {"fill_ml": 10 * low, "u95": 0.003, "closure": 0.04}
            add_pass(
                record, tmp_path / str(k), job=job, panel=panel, stage=stage, days=day, low_mm=low, **more
            )
    return database


def test_a_shop_counted_by_hand(told: Path) -> None:
    figures = learn(str(told))
    assert (figures.passes, figures.panels, figures.jobs, figures.without_job) == (6, 3, 2, 1)
    looks = {(s.stage, s.group): (s.count, s.of) for s in figures.first_looks}
    assert looks == {
        ("primer", ""): (1, 2), ("primer", "2026-01"): (1, 2), ("filler", ""): (0, 1), ("filler", "2026-01"): (0, 1),
    }  # fmt: skip
    assert [(c.stage, c.ready, c.open) for c in figures.counts] == [
        ("filler", (), 1),
        ("primer", ((1, 1), (3, 1)), 0),
    ]
    assert [(s.stage, s.group, s.count, s.of) for s in figures.back] == [("primer", "low", 1, 2)]
    assert [(s.month, s.panels, s.total_ml) for s in figures.asked_for] == [("", 1, 5.0), ("2026-01", 1, 5.0)]
    assert learn(str(told), since="2026-02").passes == 1
    rows = list(csv.DictReader(io.StringIO(as_csv(figures))))
    first = next(row for row in rows if row["figure"] == "ready at first look" and row["stage"] == "primer")
    assert (first["group"], first["value"], first["of"]) == ("all", "0.5", "2")
    # nothing names a panel, a job or a file
    assert not any(word in as_csv(figures) for word in ("roof", "bonnet", "stripes"))


def test_filler_that_went_on_is_compared_once_and_forgotten_with_its_pass(
    told: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with open_record(told) as record:  # a hood with a low of 0.5 mm, then filled
        for k, low in enumerate((0.5, 0.0)):
            given = {
                "job": "3",
                "panel": "hood",
                "stage": "filler",
                "days": 5 + k,
                "low_mm": low,
                "step": 4.0,
            }
            add_pass(record, tmp_path / f"filled-{k}", **given)
    figures = learn(str(told), compare=True)
    (in_all, month) = figures.went_on
    # the volume under 0.5 mm (1 - rho^2)^2 of radius 40 mm, a third of its cylinder
    truth_ml = 0.5 * math.pi * 40**2 / 3 / 1000
    assert (in_all.month, in_all.panels, month.month) == ("", 1, "2026-01")
    assert in_all.total_ml == pytest.approx(truth_ml, abs=in_all.u95_ml + 0.05 * truth_ml)
    assert (figures.not_compared, in_all.most_mm) == (0, pytest.approx(0.5, abs=0.02))
    monkeypatch.setattr("surfscan.shop.filler.compare_results", lambda *_: pytest.fail("compared twice"))
    assert learn(str(told), compare=True).went_on == figures.went_on
    assert main(["forget", "--record", str(told), "--job-number", "3", "--yes"]) == 0
    left = learn(str(told), compare=True)
    assert (left.panels, left.went_on) == (3, ())
    with open_record(told) as record:
        rows = record._engine.connect().exec_driver_sql("SELECT count(*) FROM surfscan_build").scalar()
    assert rows == 0


def test_proofs_make_the_chart_and_can_be_forgotten(told: Path) -> None:
    for k in range(9):
        keep_proof(
            told, Proof("bay 3", (START.replace(day=10 + k)).isoformat(), 1 + 0.001 * (k % 2), 0.01, "c1")
        )
    (drift,) = learn(str(told)).drifts
    assert (drift.station, drift.of, drift.steady) == ("bay 3", "proof", True)
    with pytest.raises(UsageError, match="date can't be used"):
        keep_proof(told, Proof("bay 3", "2026-01-01", 1.0, 0.01))
    forget = ["forget", "--record", str(told), "--station", "bay 3"]
    assert main(forget) == 0
    assert len(list_proofs(told)) == 9  # only told what would go
    assert main([*forget, "--yes"]) == 0
    assert list_proofs(told) == []
    assert main(forget) == 2


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_paper_has_two_pages(tmp_path: Path, paper: str) -> None:
    make_record(tmp_path / "shop.db", tmp_path / "made", panels=6, stages=STAGES)
    for k in range(12):
        keep_proof(
            tmp_path / "shop.db",
            Proof("bay", START.replace(day=10 + k).isoformat(), 1 + 0.001 * (k % 3), 0.01),
        )
    figures = learn(str(tmp_path / "shop.db"))
    files = write_shop(figures, tmp_path / "out", Particulars("2026-07-01"), paper=paper)
    document = pypdfium2.PdfDocument(files[0])
    assert len(document) == 2
    text = "".join(page.get_textpage().get_text_bounded() for page in document)
    document.close()
    for words in (
        "Ready at first look",
        "Spots that come back",
        "Do the stations drift?",
        "Uncertainty over time",
    ):
        assert words in text


def test_the_command_tells_a_wrong_month(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["shop", "--record", "x", "--since", "March"]) == 2
    assert "--since is no month" in capsys.readouterr().err
