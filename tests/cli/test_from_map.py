"""``check --from-map`` and ``export`` as a user runs them: a closed-form surface judged from every open form."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from surfscan import cli
from surfscan.results.grid_text import write_grid_text
from surfscan.results.surfaces import write_sdf, write_x3p

STEP = 2.0
X, Y = (STEP * (np.arange(n) - (n - 1) / 2) for n in (251, 181))


def panel(low_mm: float = 0.3) -> np.ndarray:
    """A crown of 2 m radius with a Gaussian low of sigma 20 mm at (60, -40) and a corner not measured."""
    x, y = np.meshgrid(X, Y)
    height = np.sqrt(2000.0**2 - x**2) - 2000.0
    height = height - low_mm * np.exp(-((x - 60) ** 2 + (y + 40) ** 2) / (2 * 20.0**2))
    height[:20, :20] = np.nan
    return height


def check(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, dict]:
    status = cli.main(["check", *map(str, words), "--quiet", "--json"])
    return status, json.loads(capsys.readouterr().out)


@pytest.fixture
def maps(tmp_path: Path) -> dict[str, list[object]]:
    height = panel()
    write_x3p(tmp_path / "m.x3p", height, step_mm=STEP)
    write_sdf(tmp_path / "m.sdf", height, step_mm=STEP)
    write_grid_text(tmp_path / "m.csv", height, x_mm=X, y_mm=Y)
    bare = tmp_path / "bare.txt"
    np.savetxt(bare, height[::-1] * 1e3)  # as others write it: top row first, here in um
    return {
        "x3p": [tmp_path / "m.x3p"],
        "sdf": [tmp_path / "m.sdf"],
        "csv": [tmp_path / "m.csv"],
        "txt": [bare, "--unit", "um", "--step-mm", STEP],
    }


@pytest.mark.parametrize("kind", ["x3p", "sdf", "csv", "txt"])
def test_the_low_is_found_on_the_crown_from_every_form(
    maps: dict[str, list[object]], kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    status, found = check(capsys, "--from-map", *maps[kind], "--u-mm", 0.002, "--out", out)
    assert status == 10
    (spot,) = found["spots"]
    assert spot["kind"] == "low"
    # Closed form; 2 % and one cell: the fair form is fitted to what surrounds the low.
    assert spot["peak_mm"] == pytest.approx(-0.3, rel=0.02)
    assert abs(spot["peak_mm"] + 0.3) < spot["u95_mm"]
    assert (spot["x_mm"], spot["y_mm"]) == pytest.approx((60, -40), abs=STEP)
    # Full width of a Gaussian at half its depth: 2 sigma sqrt(2 ln 2); a cell counts wholly or not at all.
    assert spot["length_mm"] == pytest.approx(2 * 20 * np.sqrt(2 * np.log(2)), abs=STEP)
    assert found["coverage"] == pytest.approx(1 - 400 / (251 * 181), abs=1e-6)
    assert {p.name for p in out.iterdir()} == {
        "result.json", "height.npz", "overlay.png", "map.png", "spots.csv",
    }  # fmt: skip


def test_a_fair_map_is_ready_and_a_wide_uncertainty_is_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_x3p(tmp_path / "fair.x3p", panel(0.005), step_mm=STEP)
    words = ["--from-map", tmp_path / "fair.x3p", "--out", tmp_path / "out", "--stage", "filler"]
    assert check(capsys, *words, "--u-mm", 0.001, "--low-mm", 0.05)[0] == 0
    status, found = check(capsys, *words, "--u-mm", 0.1, "--low-mm", 0.05)
    assert (status, found["verdict"]) == (11, "close")
    assert found["limits_basis"]["low_mm"] == "given with the command"


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--from-map", "FILE"], 2, "needs its uncertainty"),
        (["--from-map", "FILE", "--u-mm", "0"], 3, "over 0 and at most 100"),
        (["--from-map", "FILE", "--u-mm", "0.01", "--stage", "wax"], 2, "found wax"),
        (["--from-map", "FILE", "--u-mm", "0.01", "--low-mm", "-1"], 2, "--low-mm"),
        (["--from-map", "FILE", "--u-mm", "0.01", "--unit", "furlong"], 0, ""),  # x3p says its own
        (["--from-map", "none.x3p", "--u-mm", "0.01"], 3, "is not a file"),
        (["--from-map", "result.bin", "--u-mm", "0.01"], 3, "is not a file"),
        (["JOB", "--from-map", "FILE", "--u-mm", "0.01"], 2, "found both"),
        ([], 2, "found neither"),
        (["JOB", "--u-mm", "0.01"], 2, "goes with --from-map only"),
    ],
)
def test_wrong_use_is_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], status: int, said: str
) -> None:
    write_x3p(tmp_path / "fair.x3p", panel(0.001), step_mm=STEP)
    given = [str(tmp_path / "fair.x3p") if word == "FILE" else word for word in words]
    found = cli.main(["check", *given, "--quiet", "--out", str(tmp_path / "out")])
    text = capsys.readouterr().err
    assert found == status, text
    assert said in text
    assert "Traceback" not in text
    assert status == 0 or not (tmp_path / "out").exists()


def test_unequal_steps_are_brought_onto_square_cells(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_grid_text(tmp_path / "m.csv", panel()[:, ::2], x_mm=X[::2], y_mm=Y)
    _, found = check(capsys, "--from-map", tmp_path / "m.csv", "--u-mm", 0.002, "--out", tmp_path / "out")
    assert found["run"]["settings"]["grid_mm"] == 2 * STEP
    assert found["spots"][0]["peak_mm"] == pytest.approx(-0.3, rel=0.02)
    assert (found["spots"][0]["x_mm"], found["spots"][0]["y_mm"]) == pytest.approx((60, -40), abs=2 * STEP)


def test_export_of_a_result_and_its_schema(
    maps: dict[str, list[object]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, files = tmp_path / "out", tmp_path / "files"
    check(capsys, "--from-map", *maps["csv"], "--u-mm", 0.002, "--out", out)
    assert cli.main(["export", str(out), "--out", str(files)]) == 0
    listed = capsys.readouterr().out.split()
    assert sorted(Path(p).name for p in listed) == sorted(p.name for p in files.iterdir())
    schema = json.loads((files / "spots.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    spots = json.loads((files / "spots.json").read_text())
    jsonschema.validate(spots, schema)
    spots["spots"][0]["kind"] = "dent"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spots, schema)
    # What was exported is judged as it was before: form taken off already, so the spot is the same.
    status, again = check(
        capsys, "--from-map", files / "deviation.x3p", "--u-mm", 0.002, "--out", tmp_path / "again"
    )
    assert status == 10
    assert again["spots"][0]["peak_mm"] == pytest.approx(spots["spots"][0]["peak_mm"], rel=0.01)


def test_export_says_what_it_can_t_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["export", str(tmp_path), "--out", str(tmp_path / "f"), "--as", "dxf"]) == 2
    assert "found dxf" in capsys.readouterr().err
    assert cli.main(["export", str(tmp_path), "--out", str(tmp_path / "f")]) == 3
    assert "result.json cannot be read" in capsys.readouterr().err
    assert not (tmp_path / "f").exists()
