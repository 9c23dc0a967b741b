"""The comparison's files: the contract's keys, readable back, all or none."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from result_folders import bump, grid, make_folder, spot

from surfscan.change.buildup import compare_passes
from surfscan.core.errors import RefusedError
from surfscan.core.flags import bit
from surfscan.report.difference import COMPARE_FILES, comparison_document, write_comparison
from surfscan.report.difference_table import format_comparison
from surfscan.results.stored import load_result


def _passes(folder: Path, *added: float) -> list[Path]:
    x, y = grid(4.0)
    xx, yy = np.meshgrid(x, y)
    paths = []
    for k, value in enumerate(added):
        z = (
            bump(xx, yy, peak=-1.0)
            + bump(xx, yy, peak=value)
            - 0.1 * (value > 0.5) * bump(xx, yy, at=(110, 70))
        )
        rows = [spot(1, "low", 0, 0, -1 + value)] if value < 0.9 else []
        stage = "filler" if k else "bare-metal"
        paths.append(make_folder(folder / f"p{k}", x, y, z, spots=rows, stage=stage))
    return paths


def test_the_contracts_keys_and_maps(tmp_path: Path) -> None:
    found = compare_passes([load_result(p) for p in _passes(tmp_path, 0.0, 0.8)])
    out = tmp_path / "out"
    out.mkdir()
    written = write_comparison(out, found)
    assert sorted(p.name for p in written) == sorted(COMPARE_FILES)
    assert sorted(p.name for p in out.iterdir()) == sorted(COMPARE_FILES)
    document = json.loads((out / "compare.json").read_text())
    keys = {"max_mm", "u95_mm", "x_mm", "y_mm", "area_cm2", "volume_ml", "limit_mm", "verdict"}
    assert keys <= set(document["build"])
    assert keys <= set(document["cut"])
    assert document["build"]["max_mm"] == pytest.approx(0.8, abs=0.005)
    assert document["cut"]["max_mm"] == pytest.approx(0.1, abs=0.005)
    assert document["build"]["limit_mm"] == 2.0
    assert document["build"]["verdict"] == "ready"
    assert document["spots"][0] | {"before": 1, "after": 1, "change": "smaller"} == document["spots"][0]
    with np.load(out / "difference.npz") as maps:
        assert set(maps.files) == {"x_mm", "y_mm", "difference_mm", "sigma_mm"}
        assert maps["difference_mm"].shape == (maps["y_mm"].size, maps["x_mm"].size)
        assert np.nanmax(maps["difference_mm"]) == pytest.approx(0.8, abs=0.005)
        assert (np.diff(maps["y_mm"]) > 0).all()
    picture = cv2.imread(str(out / "difference.png"))
    assert picture.shape[1] == 1600
    # What rose is warm and what fell is cold: red over blue at one, blue over red at the other.
    text = format_comparison(found)
    assert "added:" in text
    assert "taken off:" in text
    assert "smaller" in text
    assert max(len(line) for line in text.splitlines()) <= 96


def test_the_picture_shows_what_rose_and_what_fell(tmp_path: Path) -> None:
    found = compare_passes([load_result(p) for p in _passes(tmp_path, 0.0, 0.8)]).whole
    from surfscan.report.difference_picture import draw_difference

    picture = draw_difference(found).astype(int)
    warm = (picture[..., 0] - picture[..., 2] > 60).mean()
    cold = (picture[..., 2] - picture[..., 0] > 60).mean()
    assert warm > 0.02
    assert cold > 0.005


def test_the_builds_verdict_counts_what_was_not_seen(tmp_path: Path) -> None:
    before, after = _passes(tmp_path, 0.0, 0.8)
    with np.load(after / "height.npz") as old:
        arrays = dict(old)
    arrays["height_mm"][:, :30] = np.nan
    arrays["flags"][:, :30] = bit("weak_stripes")
    np.savez(after / "height.npz", **arrays)
    document = comparison_document(compare_passes([load_result(before), load_result(after)]))
    assert document["common"] < 0.8
    assert document["verdict"] == document["build"]["verdict"] == "not_measured"


def test_several_passes_are_told_step_by_step(tmp_path: Path) -> None:
    found = compare_passes([load_result(p) for p in _passes(tmp_path, 0.0, 1.2, 0.9)])
    out = tmp_path / "out"
    out.mkdir()
    write_comparison(out, found)
    document = json.loads((out / "compare.json").read_text())
    assert len(document["steps"]) == 2
    assert document["base"] == 0
    assert document["build"]["max_mm"] == pytest.approx(0.9, abs=0.005)
    assert document["steps"][0]["build"]["max_mm"] == pytest.approx(1.2, abs=0.005)
    with np.load(out / "difference.npz") as maps:
        assert np.nanmax(maps["thickness_mm"]) == pytest.approx(0.9, abs=0.005)
        assert np.nanmin(maps["thickness_mm"]) == 0
    assert "step by step" in format_comparison(found)


def test_a_folder_that_cannot_be_written_keeps_what_it_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = compare_passes([load_result(p) for p in _passes(tmp_path, 0.0, 0.8)])
    out = tmp_path / "out"
    out.mkdir()
    write_comparison(out, found)
    before = (out / "compare.json").read_bytes()

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("surfscan.report.difference.np.savez", full)
    with pytest.raises(RefusedError, match="No space left"):
        write_comparison(out, found)
    assert (out / "compare.json").read_bytes() == before
    assert sorted(p.name for p in out.iterdir()) == sorted(COMPARE_FILES)
