"""What a map's rim cuts, how sure a spot has to be, and doubts that outlast joining; on maps with a closed form."""

from __future__ import annotations

import csv
import json
import math
import pickle
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from judge.every_reason import NUMBERS

from surfscan.checking.from_map import check_map
from surfscan.checking.front import check_map as front_check_map
from surfscan.checking.whole import join_views
from surfscan.core.errors import NotMeasuredError
from surfscan.core.message import Reason, Weight
from surfscan.core.records import CheckResult
from surfscan.judge.limits import Limits, default_limits, with_given
from surfscan.judge.reasons import REASONS, reason
from surfscan.judge.verdict import with_reasons
from surfscan.papers.folder import write_report
from surfscan.papers.particulars import Particulars
from surfscan.report.export import map_bytes, to_json, write_result
from surfscan.report.open_files import spots_document, spots_schema
from surfscan.report.table import format_result
from surfscan.results.grid_text import write_grid_text
from surfscan.results.stored import StoredResult, load_result, parse_result

STEP = 3.0
X, Y = (STEP * (np.arange(n) - (n - 1) / 2) for n in (141, 101))
PRIMER = default_limits("primer")


def checked(
    folder: Path, low: tuple[float, float, float] | None, *, seen_to_mm: float = math.inf, u_mm: float = 0.002,
    limits: Limits = PRIMER,
) -> CheckResult:  # fmt: skip
    """A plane with a Gaussian low of sigma 22 mm (x, y, depth), seen as far as a line x = `seen_to_mm`."""
    x, y = np.meshgrid(X, Y)
    height = 1e-4 * np.sin(x / 9) * np.cos(y / 7)
    if low is not None:
        height = height - low[2] * np.exp(-((x - low[0]) ** 2 + (y - low[1]) ** 2) / (2 * 22.0**2))
    height[x > seen_to_mm] = np.nan
    folder.mkdir(parents=True, exist_ok=True)
    write_grid_text(folder / "map.csv", height, x_mm=X, y_mm=Y)
    return check_map(folder / "map.csv", limits=limits, stage="primer", u_mm=u_mm)


def test_a_low_with_its_bottom_outside_is_at_least_so_deep_everywhere(tmp_path: Path) -> None:
    """The true depth is 0.302 mm; the part that was seen ends 12 mm before the bottom, at 0.86 of it."""
    result = checked(tmp_path, (150.0, 0.0, 0.302), seen_to_mm=138.0)
    spot = result.spots[0]
    assert spot.peak_open
    assert abs(spot.peak_mm) < 0.302
    assert result.verdict == "rework"  # what was seen of it is over the limit already
    assert "is at least 0." in result.sentence
    assert "to be seen whole" in result.sentence
    table = format_result(result)
    assert "<= -0." in table
    assert " open " in table
    assert "See it whole first" in table
    out = tmp_path / "out"
    out.mkdir()
    write_result(out, result)
    told = json.loads((out / "result.json").read_text())
    assert told["spots"][0]["peak_open"] is True
    assert [row["code"] for row in told["findings"]].count("spot-open") == 1
    with (out / "spots.csv").open() as file:
        assert next(csv.DictReader(file))["peak_open"] == "True"
    stored = load_result(out)
    assert stored.spots == result.spots
    assert stored.findings == result.findings
    jsonschema.validate(spots_document(stored), spots_schema())
    write_report(out, Particulars(date="1 May"))
    page = (out / "report.html").read_text()
    assert "≤ -0." in page
    assert "at least" in page
    assert "Open: the rim of what was seen" in page


def test_a_low_whose_bottom_was_seen_is_closed_though_it_touches_the_rim(tmp_path: Path) -> None:
    result = checked(tmp_path, (110.0, 0.0, 0.302), seen_to_mm=138.0)
    assert "edge" in result.spots[0].flags
    assert not result.spots[0].peak_open
    assert "spot-open" not in {one.code for one in result.findings}


def test_the_panels_own_rim_is_a_rim(tmp_path: Path) -> None:
    assert checked(tmp_path, (float(X[-1]) + 6.0, 0.0, 0.3)).spots[0].peak_open


def test_a_cut_spot_that_may_be_over_is_never_ready(tmp_path: Path) -> None:
    """What is seen of it is within its limit of 0.24 mm by 1 u: too close to call, with or without the rest."""
    limits = with_given(PRIMER, {"low_mm": 0.27, "high_mm": 0.27})
    result = checked(tmp_path, (150.0, 0.0, 0.302), seen_to_mm=138.0, u_mm=0.02, limits=limits)
    assert any(spot.peak_open for spot in result.spots)
    assert result.verdict == "close"
    assert {one.weight for one in result.findings if one.code == "spot-open"} == {Weight.DOUBT}


@pytest.mark.parametrize(("confidence", "verdict"), [(0.95, "ready"), (0.99, "close")])
def test_a_spot_exists_at_the_confidence_it_is_judged_at(
    tmp_path: Path, confidence: float, verdict: str
) -> None:
    """The limit 2.0 u over the low: surely within at 95 % (1.645 u), not at 99 % (2.326 u; JCGM 106)."""
    first = checked(tmp_path, (0.0, 0.0, 0.1)).spots[0]
    limit = abs(first.peak_mm) + 2.0 * first.u95_mm / 1.96
    limits = with_given(PRIMER, {"low_mm": limit, "high_mm": limit, "confidence": confidence})
    assert checked(tmp_path, (0.0, 0.0, 0.1), limits=limits).verdict == verdict


def stored(result: CheckResult, name: str, origin_mm: tuple[float, float]) -> StoredResult:
    placed = replace(result, panel={**result.panel, "origin_mm": list(origin_mm)})
    return parse_result(to_json(placed).encode(), map_bytes(placed), name=name)


@pytest.fixture(scope="module")
def fair(tmp_path_factory: pytest.TempPathFactory) -> CheckResult:
    return checked(tmp_path_factory.mktemp("fair"), None)


CONTRADICTED = reason(
    "setup-contradicted", Weight.DOUBT, "the board", tag=1, photo="a.jpg", off_mm=9.0, allowed_mm=3.0
)


@pytest.mark.parametrize(
    "doubt", [CONTRADICTED, reason("light-one-direction", Weight.DOUBT)], ids=lambda r: r.code
)
def test_joining_keeps_the_views_doubts(fair: CheckResult, doubt: Reason) -> None:
    doubted = with_reasons(fair, [doubt])
    assert (fair.verdict, doubted.verdict) == ("ready", "close")
    places = ((-100.0, 0.0), (101.0, 0.0))
    good = join_views([stored(fair, f"v{k}", at) for k, at in enumerate(places)])
    assert good.verdict == "ready"
    for parts in ((doubted, doubted), (fair, doubted)):
        whole = join_views(
            [stored(r, f"v{k}", at) for k, (r, at) in enumerate(zip(parts, places, strict=True))]
        )
        assert whole.verdict == "close"
        kept = [one for one in whole.findings if one.code == doubt.code]
        assert len(kept) == sum(part is doubted for part in parts)
        assert all(one.weight == Weight.DOUBT for one in kept)
        assert "v1" in " ".join(whole.reasons)
    again = pickle.loads(pickle.dumps(whole))  # both kinds can be sent to another process
    assert again.sentence == whole.sentence
    np.testing.assert_array_equal(again.project(np.zeros((1, 3))), whole.project(np.zeros((1, 3))))
    assert pickle.loads(pickle.dumps(fair)).verdict == "ready"


@pytest.mark.parametrize("code", sorted(REASONS))
def test_every_reason_is_on_the_table_and_the_papers(fair: CheckResult, tmp_path: Path, code: str) -> None:
    from surfscan.papers.content import Pictures, compose
    from surfscan.report.words import ResultText

    told = with_reasons(fair, [reason(code, Weight.NOTE, "a", **NUMBERS)])
    back = stored(told, "made", (0.0, 0.0))
    sentence = next(text for one, text in zip(told.findings, told.reasons, strict=True) if one.code == code)
    assert sentence in " ".join(format_result(told, why=True).split())
    assert sentence in ResultText(back).reasons()  # what the page lists
    blocks = compose(back, Particulars(date="1 May"), pictures=Pictures(), digest="0")
    assert sentence in " ".join(str(block) for block in blocks)


def _fair_map(step_mm: float = 2.0) -> np.ndarray:
    """Fair metal of 400 x 300 mm with waves of a tenth of the limit."""
    y, x = np.meshgrid(np.arange(0, 300, step_mm), np.arange(0, 400, step_mm), indexing="ij")
    return 0.002 * np.sin(x / 17) * np.cos(y / 13)


def test_a_hole_that_could_hide_a_spot_is_never_ready() -> None:
    fair = _fair_map()
    told = front_check_map(fair, step_mm=2.0, limits=PRIMER, stage="primer", u_mm=0.001)
    assert told.verdict == "ready"
    for width_mm, expected in ((16.0, "ready"), (40.0, "close")):
        holed = fair.copy()
        half = round(width_mm / 4)
        holed[70 - half : 70 + half, 90 - half : 90 + half] = np.nan
        result = front_check_map(holed, step_mm=2.0, limits=PRIMER, stage="primer", u_mm=0.001)
        assert result.verdict == expected, width_mm
        assert ("seen-hole" in [one.code for one in result.findings]) == (expected == "close")


def test_a_map_of_one_height_is_no_measurement() -> None:
    with pytest.raises(NotMeasuredError, match="one height everywhere"):
        front_check_map(np.zeros((80, 90)), step_mm=2.0, limits=PRIMER, stage="primer", u_mm=0.001)


def test_a_low_that_its_uncertainty_may_take_over_the_limit_is_not_passed_over() -> None:
    y, x = np.meshgrid(np.arange(-150, 150, 2.0), np.arange(-200, 200, 2.0), indexing="ij")
    low = _fair_map() - 0.022 * np.exp(-(x**2 + y**2) / (2 * 25.0**2))
    # 0.022 + 1.645 * 0.015 is over the limit of 0.04, though 0.022 is little more than half of it.
    result = front_check_map(low, step_mm=2.0, limits=PRIMER, stage="primer", u_mm=0.015)
    assert result.verdict != "ready"
