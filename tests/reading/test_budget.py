"""The uncertainty budget: sensible sources, and intervals that hold when the sheet is as wrong as it says."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest
from cases import EVERY
from finished import finished
from scipy.stats import binom

from surfscan.checking.pipeline import check_job
from surfscan.core.records import CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.reading.budget import Inputs

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
from study_coverage import draw_sheet, true_spots

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"


def test_intervals_hold_for_sheets_drawn_from_their_uncertainty() -> None:
    """Monte Carlo (JCGM 101) in small: sheets drawn from the stated inputs, on photos of the independent renderer.

    With 95 % coverage, fewer spots inside than the 0.1 % quantile of the binomial law come up once in a thousand.
    `tests/bench/study_coverage.py` does it at large.
    """
    inside = total = 0
    for name, seed in (("crown", 1), ("smooth", 2), ("flat", 3)):
        folder = JOBS / name
        sheet = load_sheet(folder)
        for draw in range(3 if EVERY else 1):
            result = check_job(draw_sheet(sheet, np.random.default_rng([seed, draw]), Inputs()))
            for spot in true_spots(folder):
                found = min(
                    (s for s in result.spots if s.kind == spot["kind"]),
                    key=lambda s, at=spot: np.hypot(s.x_mm - at["x_mm"], s.y_mm - at["y_mm"]),
                )
                total += 1
                inside += abs(found.peak_mm - spot["true"]) <= found.u95_mm
    assert total == (30 if EVERY else 10)
    assert inside >= binom.ppf(0.001, total, 0.95)


def test_budget_is_listed_largest_first_and_adds_up() -> None:
    result = finished("smooth")
    for row in result.details["uncertainty"]["spots"]:
        sizes = [term["u_mm"] for term in row["terms"]]
        assert sizes == sorted(sizes, reverse=True)
        # squares add (JCGM 100, 5.1.2); the terms are read at the peak's cell, a neighbour of the vertex
        assert 1.96 * np.sqrt(np.sum(np.square(sizes))) == pytest.approx(row["u95_mm"], rel=0.1)
        assert row["shrinks_most"]


def test_a_worse_board_makes_wider_intervals(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    for file in (JOBS / "smooth").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    sheet = folder / "panel.toml"
    sheet.write_text(sheet.read_text() + "\n[uncertainty]\nboard_centre_mm = 40.0\nperiod_rel = 0.05\n")
    wide, plain = check_job(folder), finished("smooth")
    assert len(wide.spots) == len(plain.spots)
    for a, b in zip(_of_the_setup(wide), _of_the_setup(plain), strict=True):
        # Ten times worse inputs; the fair part of the panel rules the worst of them out, but not all.
        assert a > 1.5 * b
    for a, b in zip(wide.spots, plain.spots, strict=True):
        assert a.u95_mm > b.u95_mm


def _of_the_setup(result: CheckResult) -> list[float]:
    """Each spot's standard uncertainty without what its width in stripes adds, which no board's place changes."""
    rows = result.details["uncertainty"]["spots"]
    return [
        math.hypot(*(t["u_mm"] for t in row["terms"] if t["source"] != "detail finer than the stripes"))
        for row in rows
    ]
