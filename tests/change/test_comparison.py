"""Two passes: whatever set-up each had, what was added comes out, and nothing else."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from result_folders import bump, grid, make_folder, spot

from surfscan.change.buildup import compare_passes
from surfscan.change.comparison import compare_results, tag_uncertainty
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.report.difference_table import fault_change_lines
from surfscan.results.stored import StoredResult, load_result

LOW = {"at": (20.0, -10.0), "peak": -1.5, "width": 160.0}
HIGH = {"at": (-110.0, 70.0), "peak": 0.2, "width": 60.0}


def make_pass(
    folder: Path,
    *,
    added: float = 0.0,
    step: float = 2.5,
    bend: float = 0.0,
    spots: list[dict[str, Any]] | None = None,
    seed: int = 0,
    extra: dict[str, Any] | None = None,
    **more: Any,
) -> StoredResult:
    """A crowned panel with a low that filler was put into, as one set-up sees it: with a bend of its own."""
    x, y = grid(step, (180.0, 130.0))
    xx, yy = np.meshgrid(x, y)
    crown = -(xx**2) / 5000 - yy**2 / 9000
    deviation = bump(xx, yy, **LOW) + bump(xx, yy, **HIGH) + bump(xx, yy, **{**LOW, "peak": added})
    if extra:
        deviation = deviation + bump(xx, yy, **extra)
    deviation += np.random.default_rng(seed).normal(0, 3e-4, xx.shape)
    setup = bend * (0.05 + 1e-4 * xx - 2e-4 * yy + 1e-6 * xx**2 - 1e-6 * yy**2)
    return load_result(make_folder(folder, x, y, deviation, form=crown + setup, spots=spots, **more))


@pytest.fixture
def bare(tmp_path: Path) -> StoredResult:
    spots = [spot(1, "low", 20, -10, -1.5), spot(2, "high", -110, 70, 0.2)]
    return make_pass(tmp_path / "bare", spots=spots, stage="bare-metal")


def test_filler_is_found_and_nothing_else(bare: StoredResult, tmp_path: Path) -> None:
    spots = [spot(1, "high", -110, 70, 0.2), spot(2, "low", 25, -8, -0.1)]
    after = make_pass(tmp_path / "a", added=1.4, step=3.1, bend=1.0, spots=spots, seed=1)
    found = compare_results(bare, after)
    assert found.build.max_mm == pytest.approx(1.4, abs=0.003)
    assert found.build.verdict == found.verdict == "ready"
    assert found.build.limit_mm == 2.0
    x, y = np.meshgrid(found.grid.x_mm, found.grid.y_mm)
    off = found.difference_mm - bump(x, y, **{**LOW, "peak": 1.4})
    assert np.nanmax(np.abs(off)) < 0.004  # noise of 0.3 um in both, and 15 um is what is asked
    assert found.cut.patches == ()
    assert [(r.before, r.after, r.change) for r in found.spots] == [(1, 2, "smaller"), (2, 1, "same")]
    assert found.common > 0.95
    assert not found.registration.moved


def test_the_order_of_the_passes_is_the_sign(bare: StoredResult, tmp_path: Path) -> None:
    after = make_pass(tmp_path / "a", added=1.4, seed=1)
    back = compare_results(after, bare)
    assert back.cut.max_mm == pytest.approx(1.4, abs=0.003)
    assert back.build.patches == ()


@pytest.mark.parametrize(
    ("added", "sigma", "verdict"), [(1.4, 0.002, "ready"), (1.98, 0.05, "close"), (2.4, 0.05, "rework")]
)
def test_the_build_is_judged_by_the_later_passs_limit(
    bare: StoredResult, tmp_path: Path, added: float, sigma: float, verdict: str
) -> None:
    found = compare_results(bare, make_pass(tmp_path / "a", added=added, sigma=sigma, seed=2))
    assert found.verdict == verdict


def test_what_was_not_seen_is_not_called_ready(bare: StoredResult, tmp_path: Path) -> None:
    half = make_pass(tmp_path / "half", added=1.0, seed=2)
    height = half.height.height_mm.copy()
    height[:, : height.shape[1] // 3] = np.nan
    flags = np.where(np.isfinite(height), 0, bit("weak_stripes")).astype(np.int32)
    _replace(tmp_path / "half", height_mm=height, flags=flags)
    found = compare_results(bare, load_result(tmp_path / "half"))
    assert found.verdict == "not_measured"
    assert any("measured in both" in reason for reason in found.reasons)


def test_a_fold_in_either_pass_hides_the_build(bare: StoredResult, tmp_path: Path) -> None:
    after = make_pass(tmp_path / "a", added=1.0, seed=2)
    flags = after.height.flags.copy()
    flags[30, 30] |= bit("fold")
    _replace(tmp_path / "a", flags=flags)
    found = compare_results(bare, load_result(tmp_path / "a"))
    assert found.verdict == "not_measured"
    assert any("folds over" in reason for reason in found.reasons)


def _replace(folder: Path, **arrays: np.ndarray) -> None:
    with np.load(folder / "height.npz") as old:
        kept = dict(old)
    np.savez(folder / "height.npz", **{**kept, **arrays})


def test_spots_close_open_grow_and_stay(tmp_path: Path) -> None:
    before = make_pass(
        tmp_path / "b",
        spots=[spot(1, "low", 20, -10, -1.5), spot(2, "high", -110, 70, 0.2)],
        extra={"at": (120.0, 80.0), "peak": -0.08, "width": 60.0},
    )
    # The low is filled flush; a low under the first pass's limit is reported now; a fresh one was made.
    after = make_pass(
        tmp_path / "a",
        added=1.5,
        seed=4,
        spots=[
            spot(1, "high", -110, 70, 0.2),
            spot(2, "low", 120, 80, -0.08),
            spot(3, "low", -60, -90, -0.3),
        ],
        extra={"at": (120.0, 80.0), "peak": -0.08, "width": 60.0},
    )
    x, y = np.meshgrid(after.height.grid.x_mm, after.height.grid.y_mm)
    dent = after.height.height_mm + bump(x, y, at=(-60, -90), peak=-0.3, width=50)
    _replace(tmp_path / "a", height_mm=dent)
    rows = {(r.before, r.after): r.change for r in compare_results(before, load_result(tmp_path / "a")).spots}
    assert rows == {(1, None): "closed", (2, 1): "same", (None, 2): "same", (None, 3): "opened"}


def test_other_panels_and_too_little_are_refused(bare: StoredResult, tmp_path: Path) -> None:
    x, y = grid(4.0, (600.0, 130.0))
    wide = load_result(make_folder(tmp_path / "wide", x, y, np.zeros((y.size, x.size))))
    with pytest.raises(RefusedError, match="one panel"):
        compare_results(bare, wide)
    make_pass(tmp_path / "none", seed=1)
    height = np.full(load_result(tmp_path / "none").height.height_mm.shape, np.nan)
    height[:5, :5] = 0
    _replace(tmp_path / "none", height_mm=height)
    with pytest.raises(NotMeasuredError, match="in common"):
        compare_results(bare, load_result(tmp_path / "none"))


def test_the_tags_uncertainty_is_the_sheets(bare: StoredResult) -> None:
    assert tag_uncertainty(bare, bare) == (pytest.approx(0.3 * np.sqrt(2)), 4)


def test_thickness_over_several_passes(bare: StoredResult, tmp_path: Path) -> None:
    """Filled 2.2 mm, sanded to 1.2 mm, skimmed to 1.5 mm: 1.5 mm lies there, though 2.5 mm was put on."""
    passes = [bare] + [
        make_pass(tmp_path / str(k), added=a, seed=k, bend=0.3 * k, step=2.5 + 0.2 * k)
        for k, a in enumerate((2.2, 1.2, 1.5), 1)
    ]
    found = compare_passes(passes)
    assert found.base == 0
    assert [round(s.build.max_mm, 2) for s in found.steps] == [2.2, pytest.approx(0, abs=0.01), 0.3]
    assert found.steps[1].cut.max_mm == pytest.approx(1.0, abs=0.003)
    assert found.whole.build.max_mm == pytest.approx(1.5, abs=0.003)
    assert found.whole.verdict == "ready"
    assert np.nanmax(found.thickness_mm) == pytest.approx(1.5, abs=0.01)


def test_sanding_into_the_metal_takes_the_base_down(bare: StoredResult, tmp_path: Path) -> None:
    """A high ground 0.15 mm down and then filled by 0.4 mm: 0.4 mm of filler, not 0.25."""
    at = {"at": (-110.0, 70.0), "width": 60.0}
    ground = make_pass(tmp_path / "1", seed=1, extra={**at, "peak": -0.15})
    filled = make_pass(tmp_path / "2", seed=2, extra={**at, "peak": 0.25})
    found = compare_passes([bare, ground, filled])
    assert found.whole.build.max_mm == pytest.approx(0.4, abs=0.003)


def test_thickness_counts_from_the_last_bare_metal(bare: StoredResult, tmp_path: Path) -> None:
    beaten = make_pass(tmp_path / "1", added=1.0, seed=1, stage="bare-metal")  # tapped up by 1 mm, no filler
    filled = make_pass(tmp_path / "2", added=1.45, seed=2)
    found = compare_passes([bare, beaten, filled])
    assert found.base == 1
    assert found.whole.build.max_mm == pytest.approx(0.45, abs=0.003)
    with pytest.raises(ValueError, match="two passes"):
        compare_passes([bare])


def test_small_faults_are_gone_new_or_still_there(tmp_path: Path) -> None:
    def with_faults(
        number: int, places: list[tuple[str, float, float, float]], smallest: float
    ) -> StoredResult:
        plain = make_pass(tmp_path / f"p{number}", seed=number)
        faults = [
            {"id": k, "kind": kind, "x_mm": x, "y_mm": y, "length_mm": size, "width_mm": size}
            for k, (kind, x, y, size) in enumerate(places, 1)
        ]
        looked = {kind: {"size_mm": smallest, "of": "length"} for kind in ("pit", "nib")}
        return replace(plain, details={**plain.details, "faults": faults, "looked_for": looked})

    before = with_faults(1, [("pit", 0, 0, 2.0), ("nib", 50, 50, 3.0), ("pit", -60, 40, 1.0)], 0.5)
    # The second is named otherwise and lies 3 mm off; the third is smaller than the later photos would show.
    after = with_faults(2, [("unsure", 52, 52, 3.0), ("pit", -100, -80, 2.0), ("nib", 120, -80, 0.4)], 1.5)
    found = compare_results(before, after)
    assert found.faults is not None
    assert [(row.before, row.after, row.change) for row in found.faults] == [
        (1, None, "gone"),
        (2, 1, "same"),
        (3, None, "not_measured"),
        (None, 2, "new"),
        (None, 3, "not_measured"),
    ]
    lines = fault_change_lines([asdict(row) for row in found.faults])
    assert lines[0] == "Small faults still there: 1 small place that can't be named (f1 after)."
    assert "Small faults gone: 1 pit or pinhole (f1 before)." in lines
    assert "f3 before, f3" in lines[-1]
    assert compare_results(make_pass(tmp_path / "q"), after).faults is None
    assert fault_change_lines([]) == ["Small faults: none before, none after."]
    damaged = replace(after, details={**after.details, "faults": [None, {"id": "x"}], "looked_for": 3})
    rows = compare_results(before, damaged).faults
    assert rows is not None
    assert {row.change for row in rows} == {"not_measured"}
