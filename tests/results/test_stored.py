"""A result read back: what was written comes back, and what is damaged is told in a sentence."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from result_folders import bump, grid, make_folder, spot

from surfscan.core.errors import RefusedError
from surfscan.results.npz import MOST_BYTES
from surfscan.results.stored import load_result


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    x, y = grid()
    xx, yy = np.meshgrid(x, y)
    height = bump(xx, yy, peak=-0.3)
    height[0, :3] = np.nan
    return make_folder(tmp_path / "out", x, y, height, spots=[spot(1, "low", 0, 0, -0.3)])


def test_what_was_written_comes_back(folder: Path) -> None:
    result = load_result(folder)
    x, _ = grid()
    assert np.array_equal(result.height.grid.x_mm, x)
    assert result.height.grid.step_mm == 4.0
    assert np.nanmin(result.height.height_mm) == pytest.approx(-0.3, rel=1e-6)  # float32 on disk
    assert np.isnan(result.height.height_mm[0, :3]).all()
    assert result.spots[0].kind == "low"
    assert result.spots[0].flags == ()
    assert np.isnan(result.measures["FLTq_mm"])
    assert result.details["uncertainty"]["coverage_factor"] == 1.96
    assert not result.height.height_mm.flags.writeable


def test_maps_beside_the_height_come_back(folder: Path) -> None:
    with np.load(folder / "height.npz") as old:
        arrays = dict(old)
    np.savez(folder / "height.npz", **arrays, slope_mrad=np.ones_like(arrays["height_mm"]))
    assert load_result(folder).maps["slope_mrad"].sum() == arrays["height_mm"].size


def _rewrite(folder: Path, change: Callable[[dict[str, Any]], Any]) -> None:
    path = folder / "result.json"
    document = json.loads(path.read_text())
    change(document)
    path.write_text(json.dumps(document))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.update(schema=2), "newer surfscan"),
        (lambda d: d.update(schema=None), "no result of surfscan check"),
        (lambda d: d.pop("spots"), "damaged: spots"),
        (lambda d: d.update(verdict="fine"), "damaged: verdict"),
        (lambda d: d["spots"][0].update(kind="hole"), r"damaged: spots\.0\.kind"),
        (lambda d: d["panel"].update(size_mm=[1]), r"damaged: panel\.size_mm"),
    ],
)
def test_a_damaged_document_is_told(folder: Path, change: Callable[[dict[str, Any]], Any], says: str) -> None:
    _rewrite(folder, change)
    with pytest.raises(RefusedError, match=says):
        load_result(folder)


def test_half_a_document_or_a_missing_file_is_told(folder: Path) -> None:
    text = (folder / "result.json").read_text()
    (folder / "result.json").write_text(text[: len(text) // 2])
    with pytest.raises(RefusedError, match=r"result\.json is damaged"):
        load_result(folder)
    (folder / "result.json").unlink()
    with pytest.raises(RefusedError, match="cannot be read"):
        load_result(folder)
    with pytest.raises(RefusedError, match="not a folder"):
        load_result(folder / "nothing")


@pytest.mark.parametrize("keep", [0, 10, 0.5, -4])
def test_a_cut_map_is_told(folder: Path, keep: float) -> None:
    path = folder / "height.npz"
    data = path.read_bytes()
    path.write_bytes(data[: round(keep * len(data)) if 0 < keep < 1 else int(keep)])
    with pytest.raises(RefusedError, match=r"height\.npz is damaged"):
        load_result(folder)


def test_a_flipped_byte_in_the_map_is_told(folder: Path) -> None:
    path = folder / "height.npz"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(bytes(data))
    with pytest.raises(RefusedError, match=r"height\.npz is damaged"):
        load_result(folder)


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("x_mm", np.array([0.0]), "no row of places"),
        ("x_mm", np.r_[np.nan, np.arange(1.0, 81)], "no row of places"),
        ("x_mm", np.arange(81.0)[::-1], "even steps"),
        ("sigma_mm", np.full((61, 81), -1.0), "negative sigma"),
        ("height_mm", np.full((61, 81), np.inf), "infinite"),
        ("height_mm", np.zeros((3, 3)), "not"),
        ("flags", np.array([{"a": 1}], dtype=object), "unpacked"),
        ("flags", np.full((61, 81), "a"), "not numbers"),
    ],
)
def test_a_map_that_cannot_be_is_told(folder: Path, name: str, value: np.ndarray, says: str) -> None:
    with np.load(folder / "height.npz") as old:
        arrays = dict(old)
    np.savez(folder / "height.npz", **{**arrays, name: value})
    with pytest.raises(RefusedError, match=says):
        load_result(folder)


def test_a_map_without_sigma_is_told(folder: Path) -> None:
    with np.load(folder / "height.npz") as old:
        arrays = {key: old[key] for key in old.files if key != "sigma_mm"}
    np.savez(folder / "height.npz", **arrays)
    with pytest.raises(RefusedError, match="sigma_mm not in it"):
        load_result(folder)


def test_a_map_that_unpacks_without_end_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert MOST_BYTES >= 5e8
    monkeypatch.setattr("surfscan.results.npz.MOST_BYTES", 1000)
    with pytest.raises(RefusedError, match="MB of maps"):
        load_result(folder)


def test_a_key_that_is_there_twice_is_refused(folder: Path) -> None:
    path = folder / "result.json"
    path.write_text('{"verdict": "ready", ' + path.read_text().lstrip()[1:])
    with pytest.raises(RefusedError, match="'verdict' is in it twice"):
        load_result(folder)


def test_an_array_that_is_there_twice_is_refused(folder: Path) -> None:
    with (
        pytest.warns(UserWarning, match="Duplicate name"),
        zipfile.ZipFile(folder / "height.npz", "a") as parts,
    ):
        parts.writestr("height_mm.npy", parts.read("form_mm.npy"))
    with pytest.raises(RefusedError, match="is in it twice"):
        load_result(folder)


def test_an_array_that_names_more_than_it_holds_is_refused_before_it_is_made(folder: Path) -> None:
    head = io.BytesIO()
    np.lib.format.write_array_header_1_0(head, {"descr": "<f8", "fortran_order": False, "shape": (10**12,)})
    with np.load(folder / "height.npz") as stored:
        arrays = {key: stored[key] for key in stored.files if key != "height_mm"}
    np.savez(folder / "height.npz", **arrays)
    with zipfile.ZipFile(folder / "height.npz", "a") as parts:
        parts.writestr("height_mm.npy", head.getvalue())
    with pytest.raises(RefusedError, match="names more numbers than it holds"):
        load_result(folder)


def test_maps_of_another_run_are_refused(folder: Path) -> None:
    """As after a program killed between moving the maps and the numbers."""
    path = folder / "result.json"
    document = json.loads(path.read_text())
    path.write_text(json.dumps({**document, "maps_sha256": "0" * 64}))
    with pytest.raises(RefusedError, match=r"does not belong to its result\.json"):
        load_result(folder)
    assert load_result(folder, bound=False).verdict == document["verdict"]
