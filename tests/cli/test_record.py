"""``surfscan check --record``, ``history``, ``show``, ``forget``, and ``compare`` from the record."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from result_folders import bump, grid, make_folder, spot

from surfscan.cli import main
from surfscan.results.record import open_record

JOB = Path(__file__).parents[2] / "fixtures" / "jobs" / "clean-flat"


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """A record of three passes of job 4711 and one of another."""
    x, y = grid(5.0)
    xx, yy = np.meshgrid(x, y)
    path = tmp_path / "shop.db"
    with open_record(path) as record:
        for k, added in enumerate((0.0, 1.2, 0.9)):
            spots = [spot(1, "low", 0, 0, -1 + added)] if added < 0.9 else []
            folder = make_folder(
                tmp_path / f"p{k}",
                x,
                y,
                bump(xx, yy, peak=-1 + added),
                spots=spots,
                stage="filler" if k else "bare-metal",
                name="left door",
            )
            record.add(folder, job="4711", sheet=JOB / "panel.toml")
        record.add(folder, job="4712")
    return path


def test_a_check_adds_its_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "shop.db"
    order = ["check", str(JOB), "--out", str(tmp_path / "out"), "--quiet", "--record", str(path)]
    assert main([*order, "--job-number", "2026-12"]) == 0
    assert "pass 1 in the record" in capsys.readouterr().err
    with open_record(path) as record:
        row = record.history()[0]
        assert (row.job, row.verdict) == ("2026-12", "ready")
        assert record.sheet(1) == (JOB / "panel.toml").read_text()
        assert record.files(1)["height.npz"] == (tmp_path / "out" / "height.npz").read_bytes()
        photo = json.loads((tmp_path / "out" / "result.json").read_text())["photos"][0]
        assert [r.id for r in record.history(photo_sha256=photo["sha256"])] == [1]


def test_what_cannot_be_recorded_is_told_before_the_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    order = ["check", str(JOB), "--out", str(tmp_path / "out")]
    assert main([*order, "--record", str(tmp_path / "shop.db"), "--job-number", "B-AB 12"]) == 2
    assert "digits only" in capsys.readouterr().err
    (tmp_path / "text.db").write_text("no database " * 100)
    assert main([*order, "--record", str(tmp_path / "text.db")]) == 3
    assert "no record" in capsys.readouterr().err
    assert main([*order, "--job-number", "1"]) == 2
    assert not (tmp_path / "out").exists()


def test_the_history_is_listed(
    database: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["history", "--record", str(database), "--job-number", "4711"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert all("left door" in line for line in lines[1:])
    assert max(map(len, lines)) <= 96
    monkeypatch.setenv("SURFSCAN_RECORD", str(database))
    assert main(["history", "--json", "--check"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [row["id"] for row in document["passes"]] == [1, 2, 3, 4]
    assert document["damaged"] == []
    assert main(["history", "--panel", "hood"]) == 0
    assert capsys.readouterr().out == "No passes.\n"
    assert main(["history", "--inch", "--job-number", "4711"]) == 0
    in_inch = capsys.readouterr().out.splitlines()
    assert in_inch[0].endswith("worst in")
    for line, other in zip(lines[1:], in_inch[1:], strict=True):
        if line.split()[-1] == "-":
            assert other.split()[-1] == "-"
            continue
        assert float(other.split()[-1]) == pytest.approx(float(line.split()[-1]) / 25.4, abs=1e-4)
    assert main(["history", "--record", str(database) + "x"]) == 2


def test_a_pass_is_shown_and_written_back(
    database: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", "1", "--record", str(database), "--out", str(tmp_path / "back")]) == 10
    said = capsys.readouterr().out
    assert "left door (bare-metal)" in said
    assert "-1.000" in said
    for name in ("result.json", "height.npz"):
        assert (tmp_path / "back" / name).read_bytes() == (tmp_path / "p0" / name).read_bytes()
    assert (tmp_path / "back" / "panel.toml").read_bytes() == (JOB / "panel.toml").read_bytes()
    assert main(["show", "9", "--record", str(database)]) == 2
    assert "no pass 9" in capsys.readouterr().err


def test_passes_are_compared_out_of_the_record(
    database: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "cmp"
    order = ["compare", "--record", str(database), "--out", str(out), "--quiet", "--json"]
    assert main([*order, "1", "3"]) == 0
    assert json.loads(capsys.readouterr().out)["build"]["max_mm"] == pytest.approx(0.9, abs=0.01)
    assert main([*order, "--job-number", "4711"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert len(document["steps"]) == 2
    assert document["build"]["max_mm"] == pytest.approx(0.9, abs=0.01)
    assert main([*order, "1", str(tmp_path / "p2")]) == 0
    capsys.readouterr()
    assert main([*order, "1", "--job-number", "4711"]) == 2
    assert main([*order, "--job-number", "4712"]) == 2


def test_forgetting_asks_first(database: Path, capsys: pytest.CaptureFixture[str]) -> None:
    order = ["forget", "--record", str(database)]
    assert main([*order, "--job-number", "4711"]) == 0
    assert "3 passes would be forgotten" in capsys.readouterr().out
    assert main([*order, "--job-number", "4711", "--yes"]) == 0
    with open_record(database) as record:
        assert [row.id for row in record.history()] == [4]
    assert main([*order, "1", "--yes"]) == 2
    assert main([*order, "--yes"]) == 2


def test_a_damaged_pass_is_named_and_can_be_forgotten(
    database: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_record(database) as record, record._engine.connect() as connection:
        connection.exec_driver_sql("UPDATE surfscan_maps SET packed = x'00' WHERE pass_id = 2")
    assert main(["history", "--record", str(database), "--check"]) == 3
    assert "Damaged: pass 2." in capsys.readouterr().out
    assert main(["show", "2", "--record", str(database)]) == 3
    assert "Pass 2 of the record is damaged" in capsys.readouterr().err
    assert main(["show", "3", "--record", str(database)]) == 0
    assert main(["forget", "2", "--yes", "--record", str(database)]) == 0
    assert main(["history", "--record", str(database), "--check"]) == 0
