"""A map judged on its own: clear answers for maps with little or nothing on them, and the gauges' sense."""

from __future__ import annotations

import json

import numpy as np
import pytest

from surfscan.judge.limits import default_limits, with_given
from surfscan.judgement import Instruments, judge_map
from surfscan.records import Grid, HeightMap


def judged(height: np.ndarray, sigma: float = 0.001, *, coverage: float = 1.0, **limits: object):  # type: ignore[no-untyped-def]
    h, w = height.shape
    grid = Grid(2.0 * (np.arange(w) - (w - 1) / 2), 2.0 * (np.arange(h) - (h - 1) / 2), 2.0)
    seen = np.isfinite(height)
    carrier = HeightMap(
        grid,
        height.copy(),
        np.where(seen, 0.0, np.nan),
        np.where(seen, sigma, np.nan),
        np.zeros((h, w), np.int32),
        "plane",
    )
    return judge_map(
        carrier,
        limits=with_given(default_limits("primer"), limits),
        stage="primer",
        coverage=coverage,
        period_mm=10.0,
        u_slope_mrad=0.05,
        instruments=Instruments(),
    )


def one_cell() -> np.ndarray:
    height = np.full((40, 60), np.nan)
    height[20, 30] = 0.0
    return height


@pytest.mark.parametrize(
    "height",
    [
        np.full((40, 60), np.nan),
        one_cell(),
        np.where(np.arange(40)[:, None] == 20, 0.0, np.full((40, 60), np.nan)),
    ],
    ids=["nothing", "one cell", "one row"],
)
def test_little_or_nothing_measured_is_answered_without_a_warning(height: np.ndarray) -> None:
    found = judged(height, coverage=float(np.isfinite(height).mean()))
    assert found.spots == ()
    assert found.panel.verdict in ("not_measured", "ready")
    assert found.panel.reasons
    json.dumps(found.details, default=float)  # every detail is a plain value


def test_nothing_measured_is_not_measured() -> None:
    assert judged(np.full((40, 60), np.nan), coverage=0.0).panel.verdict == "not_measured"


def test_a_limit_finer_than_the_map_can_prove_is_close() -> None:
    found = judged(np.zeros((60, 80)), sigma=0.05)
    assert found.panel.verdict == "close"
    assert any("smaller than this photo can prove" in reason for reason in found.panel.reasons)


def dish(peak: float, width: float = 60.0) -> np.ndarray:
    x, y = np.meshgrid(2.0 * (np.arange(160) - 79.5), 2.0 * (np.arange(120) - 59.5))
    return peak * np.clip(1 - (x**2 + y**2) / (width / 2) ** 2, 0, None) ** 2


@pytest.mark.parametrize(
    ("peak", "verdict"), [(-0.1, "rework"), (-0.0405, "close"), (-0.02, "ready"), (0.1, "rework")]
)
def test_verdict_follows_the_guard_band(peak: float, verdict: str) -> None:
    """Limit 0.04 mm, u = 0.001 mm: over from 0.0417, within up to 0.0384 (1.645 u; JCGM 106, ISO 14253-1)."""
    found = judged(dish(peak), low_mm=0.04, high_mm=0.04)
    assert found.panel.verdict == verdict
    assert len(found.spots) == (verdict != "ready")
    assert "Rule:" in found.details["rule"]


def test_filler_and_straightedge_of_a_known_low() -> None:
    found = judged(dish(-0.5), low_mm=0.04)
    low = found.details["fill"]["lows"][0]
    assert low["depth_mm"] == pytest.approx(0.5, rel=0.01)
    assert low["against_limit"] == "under"
    # volume of a compact low: pi R^2 A / 3
    assert found.details["fill"]["highs_down_first"]["volume_ml"] == pytest.approx(
        np.pi * 30**2 * 0.5 / 3 / 1000, rel=0.03
    )
    worst = found.details["straightedge"]["worst"]
    assert worst["gap_mm"] == pytest.approx(0.5, rel=0.01)  # a long ruler on flat rims bridges the whole low
    assert np.hypot(worst["x_mm"], worst["y_mm"]) < 3
    assert (
        judged(dish(-0.5), low_mm=0.04, filler_depth_mm=0.4).details["fill"]["lows"][0]["against_limit"]
        == "over"
    )


def test_a_low_over_the_filler_limit_says_metal_first() -> None:
    spot = judged(dish(-0.5), low_mm=0.04, filler_depth_mm=0.4).spots[0]
    assert "metal up" in spot.action


def test_measures_carry_their_reference() -> None:
    found = judged(dish(-0.1))
    assert found.measures["FLTt_mm"] == pytest.approx(0.1, rel=0.01)
    assert found.measures["FLTt_MZ_mm"] <= found.measures["FLTt_LS_mm"] + 1e-12
    assert all(
        "plane" in text or "form" in text or "low-pass" in text
        for text in found.details["reference_surfaces"].values()
    )
