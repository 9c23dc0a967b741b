"""Whole jobs on photos of the independent renderer (fixtures/SOURCES.md), against the surfaces they were made from."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from cases import some
from finished import finished
from scipy.interpolate import RegularGridInterpolator
from truth.six_outputs import see_that_six_agree

from surfscan.change.comparison import compare_results
from surfscan.checking.pipeline import check_job
from surfscan.core.flags import bit
from surfscan.surface.slopes import fit_polynomial, polynomial_terms

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"
STRIPES = [
    "flat",
    "crown",
    "satin",
    "smooth",
    "halo",
    "covered-tag",
    "deep",
    "before",
    "after",
    "crossed",
    "sweep",
]
CLEAN = ["clean-flat", "clean-crown"]


checked = finished


@cache
def truth(name: str) -> tuple[np.ndarray, list[dict[str, Any]]]:
    """True deviation on the checked grid, and the spots that were made, with their true peaks."""
    known = np.load(JOBS / name / "truth.npz")
    field = RegularGridInterpolator(
        (known["y_mm"], known["x_mm"]),
        known["deviation_mm"].astype(float),
        method="cubic",
        bounds_error=False,
    )
    grid = checked(name).height.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    spots = json.loads((JOBS / name / "truth.json").read_text())["spots"]
    for spot in spots:
        sign = -1 if spot["kind"] == "low" else 1
        fx, fy = np.meshgrid(known["x_mm"], known["y_mm"])
        near = np.hypot(fx - spot["x_mm"], fy - spot["y_mm"]) < 0.35 * max(spot["w"], spot["h"])
        spot["true"] = sign * float(np.nanmax(sign * known["deviation_mm"][near]))
    return field((y, x)), spots


def pairs(name: str) -> list[tuple[dict[str, Any], Any]]:
    """Each made spot (but rings) with the reported one at its place, or None."""
    out = []
    for spot in truth(name)[1]:
        if spot.get("ring"):
            continue
        near = [
            s
            for s in checked(name).spots
            if s.kind == spot["kind"]
            and np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"])
            < max(15.0, 0.4 * max(spot["w"], spot["h"]))
        ]
        out.append((spot, near[0] if near else None))
    return out


@pytest.mark.parametrize("name", STRIPES)
def test_every_spot_over_the_limit_is_found_and_none_invented(name: str) -> None:
    result, deviation = checked(name), truth(name)[0]
    assert result.verdict == "rework"
    for spot, found in pairs(name):
        limit = result.limits[f"{spot['kind']}_mm"]
        assert found is not None or abs(spot["true"]) < 1.15 * limit
    grid = result.height.grid
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    for s in result.spots:
        sign = -1 if s.kind == "low" else 1
        near = np.hypot(x - s.x_mm, y - s.y_mm) < 12
        assert np.nanmax(sign * deviation[near]) >= 0.7 * result.limits[f"{s.kind}_mm"]


@pytest.mark.parametrize("name", STRIPES)
def test_peaks(name: str) -> None:
    """Aims of the project: max(2 um, 2 %) for spots two reflected stripes wide and up; deep lows max(10 um, 2 %)."""
    least = 0.010 if name in ("deep", "before") else 0.002
    period = max(checked(name).run["settings"]["reflected_period_mm"])
    for spot, found in pairs(name):
        if found is not None:
            # satin's stripes are 51 mm wide and its high 100 mm, just under two: its rims are lost, by 3 % at most
            share = 0.02 if min(spot["w"], spot["h"]) >= 2 * period else 0.03
            assert abs(found.peak_mm - spot["true"]) <= max(least, share * abs(spot["true"]))


@pytest.mark.parametrize("name", STRIPES + CLEAN)
def test_map(name: str) -> None:
    """Root mean square of the map at most 2.5 um after a robust quadratic, at least 92 % of the region measured."""
    result, deviation = checked(name), truth(name)[0]
    assert result.coverage >= 0.92
    miss = result.height.height_mm - deviation
    ok = np.isfinite(miss)
    grid = result.height.grid
    x, y = (a[ok] / 300 for a in np.meshgrid(grid.x_mm, grid.y_mm))
    rest = miss[ok] - polynomial_terms(x, y, 2) @ fit_polynomial(x, y, miss[ok], 2)
    assert np.sqrt(np.mean(rest**2)) <= 0.0025


@pytest.mark.parametrize("name", CLEAN)
def test_clean_panels_are_ready(name: str) -> None:
    result = checked(name)
    assert result.verdict == "ready"
    assert result.spots == ()
    assert result.sentence.startswith("Fair")


def test_the_interval_holds_the_truth() -> None:
    rows = [(spot, found) for name in STRIPES for spot, found in pairs(name) if found is not None]
    inside = sum(abs(found.peak_mm - spot["true"]) <= found.u95_mm for spot, found in rows)
    assert len(rows) >= 18
    assert inside >= 0.9 * len(rows)


@pytest.mark.parametrize("name", STRIPES)
def test_as_many_spots_as_were_made(name: str) -> None:
    result = checked(name)
    made = [s for s in truth(name)[1] if abs(s["true"]) > 1.15 * result.limits[f"{s['kind']}_mm"]]
    assert len(made) <= len(result.spots) <= len(truth(name)[1])


@pytest.mark.parametrize("name", STRIPES)
def test_the_interval_says_something(name: str) -> None:
    """An interval wide enough to hold anything is no statement: within 9 um or 7 % of the depth on these photos.

    (The widest are of spots two to three stripe periods wide, which unseen panels read up to 10 um wrong.)
    """
    for spot in checked(name).spots:
        assert spot.u95_mm <= max(0.009, 0.07 * abs(spot.peak_mm))


def test_a_halo_is_read_all_the_way_round() -> None:
    """A proud ring: its crest in twelve directions against the known one, and no false hollow or hill inside it."""
    result, deviation = checked("halo"), truth("halo")[0]
    ring = next(s for s in truth("halo")[1] if s.get("ring"))
    grid, height = result.height.grid, result.height.height_mm
    x, y = (
        a - at for a, at in zip(np.meshgrid(grid.x_mm, grid.y_mm), (ring["x_mm"], ring["y_mm"]), strict=True)
    )
    radius, angle = np.hypot(x, y), np.arctan2(y, x)
    for direction in np.radians(np.arange(0, 360, 30)):
        sector = (np.cos(angle - direction) > np.cos(np.radians(15))) & (np.abs(radius - ring["w"] / 2) < 30)
        assert np.nanmax(height[sector]) == pytest.approx(np.nanmax(deviation[sector]), abs=0.002)
        crest = radius[sector][np.nanargmax(height[sector])]
        assert crest == pytest.approx(ring["w"] / 2, abs=3.0)  # two cells; the crest itself is flat
    inner = radius < 20
    assert np.nanmax(np.abs(height - deviation)[inner]) < 0.002
    assert [s.kind for s in result.spots if np.hypot(s.x_mm - ring["x_mm"], s.y_mm - ring["y_mm"]) < 80] == [
        "high"
    ]


@pytest.mark.parametrize("name", STRIPES + CLEAN)
def test_what_is_not_measured_is_empty_and_says_why(name: str) -> None:
    """Never a made-up millimetre: a cell without a height has a flag, and the spread is known wherever a height is."""
    height = checked(name).height
    empty = np.isnan(height.height_mm)
    assert (height.flags[empty] != 0).all()
    assert np.isfinite(height.sigma_mm[~empty]).all()
    assert (height.sigma_mm[~empty] > 0).all()
    assert np.isnan(height.sigma_mm[empty]).all()


def test_a_fold_is_flagged_and_left_out() -> None:
    result = checked("fold")
    folded = (result.height.flags & bit("fold")) != 0
    assert folded.any()
    assert np.isnan(result.height.height_mm[folded]).all()
    deep = max(truth("fold")[1], key=lambda s: abs(s["true"]))
    grid = result.height.grid
    row, column = np.argmin(np.abs(grid.y_mm - deep["y_mm"])), np.argmin(np.abs(grid.x_mm - deep["x_mm"]))
    assert folded[row, column]
    assert result.verdict != "ready"
    assert any("folds over" in reason for reason in result.reasons)
    other = next(s for s in truth("fold")[1] if s is not deep)
    found = next(s for s in result.spots if s.kind == other["kind"])
    assert abs(found.peak_mm - other["true"]) <= max(0.002, 0.02 * abs(other["true"]))


def test_a_covered_tag_is_survived() -> None:
    assert [sorted(p["tags_seen"]) for p in checked("covered-tag").photos] == [[0, 1, 3], [0, 1, 3]]


def test_same_photos_same_numbers_on_one_thread_or_two() -> None:
    before = cv2.getNumThreads()
    first = checked("smooth")
    try:
        cv2.setNumThreads(1 if before > 1 else 2)
        second = check_job(JOBS / "smooth")
    finally:
        cv2.setNumThreads(before)
    for name in ("height_mm", "form_mm", "sigma_mm", "flags"):
        assert np.array_equal(getattr(first.height, name), getattr(second.height, name), equal_nan=True)
    assert first.spots == second.spots
    assert first.measures == second.measures


def test_a_low_on_the_left_is_low_and_left() -> None:
    low = next(s for s, _ in pairs("flat") if s["x_mm"] < -100 and s["kind"] == "low" and s["y_mm"] > 0)
    found = next(
        s for s in checked("flat").spots if np.hypot(s.x_mm - low["x_mm"], s.y_mm - low["y_mm"]) < 15
    )
    assert found.peak_mm < 0
    assert found.x_mm < 0 < found.y_mm


@pytest.mark.parametrize("name", ["stepped", "dots", "lamp"])
def test_other_lights(name: str) -> None:
    """Stepped max(0.7 um, 2 %), dots max(5 um, 5 %), lamp max(40 um, 6 %): the aims for each light."""
    floor, share = {"stepped": (0.0007, 0.02), "dots": (0.005, 0.05), "lamp": (0.040, 0.06)}[name]
    result = checked(name)
    assert result.verdict == "rework"
    assert len(result.spots) == len(truth(name)[1])
    for spot, found in pairs(name):
        assert found is not None
        assert abs(found.peak_mm - spot["true"]) <= max(floor, share * abs(spot["true"]))


@pytest.mark.parametrize("tags_moved", [None, True], ids=["tags-stayed", "by-surface-alone"])
def test_filler_build_from_bare_to_filled(tags_moved: bool | None) -> None:
    """Camera, board distance and stripe period differ between the two; the build is the difference of both truths."""
    before, after = checked("before"), checked("after")
    found = compare_results(before, after, tags_moved=tags_moved)
    x, y = np.meshgrid(found.grid.x_mm, found.grid.y_mm)
    whole = []
    for name in ("before", "after"):
        known = np.load(JOBS / name / "truth.npz")
        z = known["deviation_mm"].astype(float) + known["form_mm"]
        field = RegularGridInterpolator((known["y_mm"], known["x_mm"]), z, method="cubic", bounds_error=False)
        whole.append(field((y, x)))
    true = whole[1] - whole[0]
    most = float(np.nanmax(true))
    assert found.build.max_mm == pytest.approx(most, abs=max(0.015, 0.03 * most))
    assert abs(found.build.max_mm - most) < found.build.u95_mm
    assert found.build.limit_mm == 3.2
    assert found.verdict == "ready"
    assert found.cut.patches == ()
    assert len(found.build.patches) == 1
    off = found.difference_mm - true
    # Asked: no false build over 15 um elsewhere. By the tags that holds everywhere; by the surface alone, off the walls
    # of the filled low, whose slope turns the shift's uncertainty into height.
    elsewhere = np.abs(true) < 0.015
    assert np.nanmax(np.abs(off[elsewhere])) < 0.015
    if tags_moved is None:
        assert np.nanmax(np.abs(off)) < 0.015
    seen = np.isfinite(off)
    assert np.mean(np.abs(off[seen]) < 1.96 * found.sigma_mm[seen]) > 0.9
    volume = float(np.nansum(np.where(seen, true, 0))) * found.grid.step_mm**2 / 1000
    assert found.build.volume_ml == pytest.approx(volume, abs=found.build.u95_volume_ml)
    assert [(row.kind, row.change) for row in found.spots] == [("low", "smaller"), ("high", "same")]


@pytest.mark.parametrize(
    "name", some(sorted(path.name for path in JOBS.iterdir() if (path / "truth.json").is_file()), 7)
)
def test_headline_table_page_pdf_csv_and_json_agree(name: str, tmp_path: Path) -> None:
    see_that_six_agree(checked(name), tmp_path)
