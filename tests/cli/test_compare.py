"""``surfscan compare``: two folders in, status of the build out."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from result_folders import bump, grid, make_folder

from surfscan.cli import main
from surfscan.judge.reasons import read_reasons, sentence_of


@pytest.fixture
def passes(tmp_path: Path) -> tuple[Path, Path]:
    x, y = grid(4.0)
    xx, yy = np.meshgrid(x, y)
    low = bump(xx, yy, peak=-1.0)
    return (
        make_folder(tmp_path / "before", x, y, low, stage="bare-metal"),
        make_folder(tmp_path / "after", x, y, 0.1 * low),
    )


def test_two_folders_are_compared(
    passes: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before, after = map(str, passes)
    assert main(["compare", before, after, "--out", str(tmp_path / "out"), "--quiet"]) == 0
    said = capsys.readouterr()
    assert "Up to 0.899 mm" in said.out or "Up to 0.9 mm" in said.out
    assert said.err == ""
    assert json.loads((tmp_path / "out" / "compare.json").read_text())["verdict"] == "ready"
    assert main(["compare", before, after, "--out", str(tmp_path / "out"), "--quiet", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["build"]["max_mm"] == pytest.approx(0.9, abs=0.01)


def test_inches_are_in_every_line_and_the_file_stays_in_millimetres(
    passes: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["compare", *map(str, passes), "--out", str(out), "--quiet"]) == 0
    in_mm, picture = capsys.readouterr().out, (out / "difference.png").read_bytes()
    assert main(["compare", *map(str, passes), "--out", str(out), "--quiet", "--inch"]) == 0
    said = capsys.readouterr().out.replace(str(tmp_path), "")
    assert re.search(r"\b(mm|cm²)", said) is None
    assert "Up to 0.0354 in was added" in said  # 0.9 mm / 25.4
    assert "the limit of 5/64 in" in said  # 2 mm, in the nearest 64th
    assert len(said.splitlines()) == len(in_mm.splitlines())
    assert (out / "difference.png").read_bytes() != picture
    assert json.loads((out / "compare.json").read_text())["build"]["max_mm"] == pytest.approx(0.9, abs=0.01)


def test_the_findings_say_what_the_reasons_say(passes: tuple[Path, Path], tmp_path: Path) -> None:
    assert main(["compare", *map(str, passes), "--out", str(tmp_path / "out"), "--quiet"]) == 0
    document = json.loads((tmp_path / "out" / "compare.json").read_text())
    assert [sentence_of(one) for one in read_reasons(document["findings"])] == document["reasons"]


@pytest.mark.parametrize(("depth", "status"), [(0.5, 10), (0.9, 11)])
def test_the_status_is_the_builds(
    passes: tuple[Path, Path], tmp_path: Path, depth: float, status: int
) -> None:
    document = json.loads((passes[1] / "result.json").read_text())
    document["limits"]["filler_depth_mm"] = depth
    (passes[1] / "result.json").write_text(json.dumps(document))
    assert main(["compare", *map(str, passes), "--out", str(tmp_path / "out"), "--quiet"]) == status


def test_what_cannot_be_read_is_told_and_leaves_no_folder(
    passes: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["compare", str(passes[0]), str(tmp_path / "none"), "--out", str(out)]) == 3
    assert "not a folder" in capsys.readouterr().err
    (passes[1] / "height.npz").write_bytes(b"PK")
    assert main(["compare", *map(str, passes), "--out", str(out)]) == 3
    assert "height.npz is damaged" in capsys.readouterr().err
    assert not out.exists()
    assert main(["compare", str(passes[0]), "--out", str(out)]) == 2
    assert "two passes" in capsys.readouterr().err
