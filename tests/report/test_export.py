"""The output folder: all files or none, by the contract, and nobody else's touched."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from report.sample_result import made_result

from surfscan.core.errors import RefusedError
from surfscan.report import export
from surfscan.report.export import OUTPUT_FILES, write_result
from surfscan.report.output import prepare_output

# The contract's columns of a spot.
COLUMNS = [
    "id", "kind", "x_mm", "y_mm", "peak_mm", "u95_mm", "length_mm", "width_mm", "angle_deg", "area_cm2",
    "volume_ml", "peak_slope_mrad", "verdict", "action", "flags", "peak_open",
]  # fmt: skip


def test_all_files_by_the_contract(tmp_path: Path) -> None:
    result = made_result()
    assert [path.name for path in write_result(tmp_path, result)] == list(OUTPUT_FILES)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(OUTPUT_FILES)
    told = json.loads((tmp_path / "result.json").read_text(), parse_constant=pytest.fail)
    assert told["schema"] == 1
    assert told["verdict"] == "rework"
    assert told["limits"]["low_mm"] == 0.04
    assert told["measures"] == {"FLTt_mm": 0.47, "FLTq_mm": None}  # NaN is null
    assert [list(spot) for spot in told["spots"]] == [[*COLUMNS, "advice", "shape"]] * 3
    assert told["spots"][1]["flags"] == ["narrow"]
    assert told["photos"][0]["quality"]["sharp"] == 2.0
    with (tmp_path / "spots.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [*COLUMNS, "shape"]
    assert float(rows[0]["peak_mm"]) == -0.35
    for name in ("overlay.png", "map.png"):
        with Image.open(tmp_path / name) as picture:
            picture.load()
            assert picture.mode == "RGB"


def test_arrays_by_the_contract(tmp_path: Path) -> None:
    result = made_result()
    write_result(tmp_path, result)
    with np.load(tmp_path / "height.npz") as got:
        assert np.all(np.diff(got["x_mm"]) > 0)
        assert np.all(np.diff(got["y_mm"]) > 0)
        for name in ("height_mm", "form_mm", "sigma_mm", "flags"):
            assert got[name].shape == (got["y_mm"].size, got["x_mm"].size)
        # float32 of numbers up to 17 mm: half a unit in the last place is 1 nm.
        np.testing.assert_allclose(got["form_mm"], result.height.form_mm, atol=1e-6)
        np.testing.assert_allclose(got["height_mm"], result.height.height_mm, atol=2e-8)
        assert np.array_equal(got["flags"], result.height.flags)


def test_foreign_files_stay_and_ours_are_replaced(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "result.json").write_text("old")
    write_result(tmp_path, made_result(spots=()))
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert json.loads((tmp_path / "result.json").read_text())["spots"] == []


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("step", ["_write_height", "_write_pictures", "_spots_csv", "to_json"])
def test_a_full_disk_or_a_stop_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, error: BaseException
) -> None:
    write_result(tmp_path, made_result())
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(export, step, fail)
    with pytest.raises((RefusedError, KeyboardInterrupt)):
        write_result(tmp_path, made_result(spots=(), verdict="ready"))
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_ctrl_c_while_the_files_are_moved_comes_after_the_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    move = os.replace

    def move_and_press(source: Path, target: Path) -> None:
        move(source, target)
        os.kill(os.getpid(), 2)

    monkeypatch.setattr(os, "replace", move_and_press)
    with pytest.raises(KeyboardInterrupt):
        write_result(tmp_path, made_result())
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(OUTPUT_FILES)


def test_output_folder_is_made_or_refused(tmp_path: Path) -> None:
    assert prepare_output(tmp_path / "new" / "deep") is True
    assert prepare_output(tmp_path / "new" / "deep") is False
    assert list((tmp_path / "new" / "deep").iterdir()) == []
    (tmp_path / "file").write_text("x")
    with pytest.raises(RefusedError, match="is a file"):
        prepare_output(tmp_path / "file")
    with pytest.raises(RefusedError, match="cannot be written") as caught:
        prepare_output(tmp_path / "file" / "below")
    assert caught.value.status == 3
