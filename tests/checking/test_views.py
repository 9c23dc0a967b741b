"""Four views of one panel joined: from photos to verdict, and what is refused."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from checking.views_of_a_panel import FORM, ORIGINS, SPOTS, VIEW, take_view

from surfscan.checking.pipeline import check_job
from surfscan.checking.whole import join_views
from surfscan.checking.whole_adjust import ViewMap, join_heights
from surfscan.cli import main
from surfscan.core.errors import RefusedError
from surfscan.core.records import Grid, HeightMap
from surfscan.report.export import write_result
from surfscan.results.stored import StoredResult, load_result
from surfscan.surface.form import fit_fair_form


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Four checked views: three as results, the last as a job."""
    root = tmp_path_factory.mktemp("views")
    out = []
    for k in range(4):
        job = take_view(k, root / f"job-{k}")
        if k < 3:
            done = root / f"view-{k}"
            done.mkdir()
            write_result(done, check_job(job))
            job = done
        out.append(job)
    return out


@pytest.fixture(scope="module")
def stored(folders: list[Path]) -> list[StoredResult]:
    return [load_result(folder) for folder in folders[:3]]


def test_four_views_make_one_panel(folders: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(["join", *map(str, folders), "--name", "whole door", "--out", str(out), "--quiet"]) == 10
    result = load_result(out)
    assert result.panel["name"] == "whole door"
    assert result.coverage > 0.97
    # The low in the middle lies across all four views and is one spot, about one fair form.
    assert len(result.spots) == len(SPOTS)
    for made in SPOTS:
        spot = next(s for s in result.spots if np.hypot(s.x_mm - made.x_mm, s.y_mm - made.y_mm) < 5)
        assert spot.peak_mm == pytest.approx(made.peak_mm, abs=spot.u95_mm)
        assert spot.peak_mm == pytest.approx(made.peak_mm, abs=0.003)  # each view is good to 2 um here
        assert spot.u95_mm < 0.012
    # No step at a seam: neighbours differ by under a tenth of the limit wherever two views overlap.
    assert len(result.details["joined"]["overlaps"]) == 6
    assert all(pair["left_99_mm"] < 0.004 for pair in result.details["joined"]["overlaps"])
    x, y = np.meshgrid(result.height.grid.x_mm, result.height.grid.y_mm)
    truth = sum(made.height(x, y) for made in SPOTS)
    off = result.height.height_mm - truth
    for axis in (0, 1):  # nor between neighbouring cells of the joined map
        assert np.nanmax(np.abs(np.diff(off, axis=axis))) < 0.003
    # The map's own error: the fair form takes its share of what is not a spot.
    assert np.nanstd(off) < 0.003
    assert np.nanmean(np.abs(off) < 1.96 * result.height.sigma_mm) > 0.9
    document = json.loads((out / "result.json").read_text())
    assert len(document["photos"]) == 8


def test_what_does_not_belong_together_is_refused(stored: list[StoredResult]) -> None:
    one, two, three = stored
    moved = replace(two, panel={**two.panel, "origin_mm": [900.0, 0.0]})
    with pytest.raises(RefusedError, match="does not overlap"):
        join_views([one, moved, replace(three, panel={**three.panel, "origin_mm": [-150.0, 110.0]})])
    with pytest.raises(RefusedError, match="stage"):
        join_views([one, replace(two, panel={**two.panel, "stage": "filler"})])
    with pytest.raises(RefusedError, match="low_mm"):
        join_views([one, replace(two, limits={**two.limits, "low_mm": 0.1})])
    with pytest.raises(RefusedError, match="origin_mm"):
        join_views([one, replace(two, panel={k: v for k, v in two.panel.items() if k != "origin_mm"})])
    same = {**two.panel["tags_mm"], "0": [0.0, 0.0]}
    with pytest.raises(RefusedError, match="do not agree about tag 0"):
        join_views([one, replace(two, panel={**two.panel, "tags_mm": same})])
    with pytest.raises(RefusedError, match="two views or more"):
        join_views([one])
    # A view laid 30 mm beside its place shows another panel in the overlap: the low's flank is 10 mrad steep.
    beside = replace(two, panel={**two.panel, "origin_mm": [ORIGINS[1][0] + 30, ORIGINS[1][1]]})
    with pytest.raises(RefusedError, match="do not agree where they overlap"):
        join_views([one, beside])


def test_a_folder_that_is_no_view_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    assert (
        main(["join", str(tmp_path / "empty"), str(tmp_path), "--out", str(tmp_path / "out"), "--quiet"]) == 3
    )
    assert "is no view" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
    shutil.rmtree(tmp_path / "empty")


def made_view(k: int, bend: np.ndarray, sigma: float = 0.001, seed: int = 0) -> ViewMap:
    """A view of the crowned panel with its spots, its own offset, tilt and bend on top, and white noise."""
    x, y = np.arange(-VIEW[0] / 2, VIEW[0] / 2 + 1, 8.0), np.arange(-VIEW[1] / 2, VIEW[1] / 2 + 1, 8.0)
    gx, gy = np.meshgrid(x, y)
    z = FORM.height(gx + ORIGINS[k][0], gy + ORIGINS[k][1])
    z = z + sum(s.height(gx + ORIGINS[k][0], gy + ORIGINS[k][1]) for s in SPOTS)
    u, v = gx / 210, gy / 210
    z = z + np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], -1) @ bend
    z = z + np.random.default_rng(seed + k).normal(0, 2e-5, z.shape)
    form = fit_fair_form(z, x_mm=x, y_mm=y, floor_mm=0.004, grow_px=4).form_mm
    flags = np.zeros(z.shape, np.int32)
    return ViewMap(
        f"view {k}", HeightMap(Grid(x, y, 8.0), z - form, form, np.full(z.shape, sigma), flags), ORIGINS[k]
    )


def test_offsets_tilts_and_bends_are_found() -> None:
    """Views off by 3 mm, 5 mrad and 10 um of bend: what is left between them is noise, and one plane in common."""
    rng = np.random.default_rng(5)
    views = [
        made_view(k, np.r_[rng.normal(0, 3, 1), rng.normal(0, 1, 2), rng.normal(0, 0.01, 3)])
        for k in range(4)
    ]
    joined = join_heights(views)
    assert joined.links.max() == 0
    assert all(float(pair["left_99_mm"]) < 0.002 for pair in joined.pairs)
    x, y = np.meshgrid(joined.grid.x_mm, joined.grid.y_mm)
    truth = FORM.height(x, y) + sum(s.height(x, y) for s in SPOTS)
    off = joined.height_mm - truth
    terms = np.stack([np.ones_like(x), x / 300, y / 300, (x / 300) ** 2, x * y / 9e4, (y / 300) ** 2], -1)
    good = np.isfinite(off)
    off = off - terms @ np.linalg.lstsq(terms[good], off[good], rcond=None)[0]
    # What overlaps can't tell: a bend that all views share (taken off above), and one of higher order, a few um.
    assert np.nanstd(off) < 0.004


def test_the_joints_uncertainty_is_honest() -> None:
    """Over drawn bends the error of the joined map, form off, stays within what `moves_mm` says (both form off)."""
    share = []
    for seed in range(4):
        rng = np.random.default_rng(100 + seed)
        views = [made_view(k, np.r_[0, 0, 0, rng.normal(0, 0.02, 3)], seed=10 * seed) for k in range(4)]
        joined = join_heights(views)
        x, y = np.meshgrid(joined.grid.x_mm / 300, joined.grid.y_mm / 300)
        truth = FORM.height(300 * x, 300 * y) + sum(s.height(300 * x, 300 * y) for s in SPOTS)
        terms = np.stack([x**i * y**j for i in range(3) for j in range(3 - i)], -1)
        good = np.isfinite(joined.height_mm)

        def bare(v: np.ndarray, terms: np.ndarray = terms, good: np.ndarray = good) -> np.ndarray:
            return v - terms @ np.linalg.lstsq(terms[good], v[good], rcond=None)[0]

        off = bare(joined.height_mm - truth)
        u = np.sqrt(sum(bare(joined.moves_mm[..., k]) ** 2 for k in range(joined.moves_mm.shape[-1])))
        share.append(float(np.mean(np.abs(off[good]) < 1.96 * u[good])))
    # 95 % is meant; four draws of some ten free bends leave it between 0.85 and 1.
    assert np.mean(share) > 0.85


def test_one_view_is_no_join() -> None:
    with pytest.raises(ValueError, match="two views"):
        join_heights([made_view(0, np.zeros(6))])
