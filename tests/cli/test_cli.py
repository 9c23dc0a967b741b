"""The command: exit status, messages, streams, and nothing half-written; the computing is put in by hand."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from report.sample_result import made_result

from surfscan import cli
from surfscan.cli import check as check_command
from surfscan.cli import demo as demo_command
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.report.export import OUTPUT_FILES
from surfscan.version import VERSION

Put = Callable[[Any], None]


@pytest.fixture
def put(monkeypatch: pytest.MonkeyPatch) -> Put:
    """Let the check return a result, or raise."""

    def put_in(outcome: Any) -> None:
        def check(job: Path, *, progress: Callable[[str, float], None]) -> Any:
            progress("reading photos", 0.1)
            progress("reading photos", 0.2)
            progress("finding tags", 0.3)
            if isinstance(outcome, BaseException):
                raise outcome
            return outcome

        monkeypatch.setattr(check_command, "_check_job", lambda: check)

    return put_in


def run(*words: object) -> int:
    return cli.main([str(word) for word in words])


# The contract's exit statuses.
@pytest.mark.parametrize(
    ("verdict", "status"), [("ready", 0), ("rework", 10), ("close", 11), ("not_measured", 4)]
)
def test_status_by_verdict(tmp_path: Path, put: Put, verdict: str, status: int) -> None:
    put(made_result(verdict=verdict))
    assert run("check", tmp_path, "--out", tmp_path / "out") == status
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == sorted(OUTPUT_FILES)


@pytest.mark.parametrize(
    ("outcome", "status", "words"),
    [
        (RefusedError("photo a.jpg is empty", cure="copy it"), 3, "surfscan: photo a.jpg is empty. Copy it."),
        (NotMeasuredError("no stripes were found"), 4, "surfscan: no stripes were found."),
        (ZeroDivisionError("division by zero"), 1, "a fault of ours, not of your photos (ZeroDivisionError"),
        (MemoryError(), 3, "memory ran out"),
        (KeyboardInterrupt(), 130, "stopped; no half-written result was left"),
    ],
    ids=["refused", "not measured", "fault", "memory", "Ctrl-C"],
)
def test_status_by_error_with_one_line_and_nothing_left(
    tmp_path: Path,
    put: Put,
    capsys: pytest.CaptureFixture[str],
    outcome: BaseException,
    status: int,
    words: str,
) -> None:
    put(outcome)
    assert run("check", tmp_path, "--out", tmp_path / "out", "--quiet") == status
    told = capsys.readouterr()
    assert words in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert "Traceback" not in told.err
    assert told.out == ""
    assert not (tmp_path / "out").exists()


def test_a_fault_shows_where_only_when_asked(
    tmp_path: Path, put: Put, capsys: pytest.CaptureFixture[str]
) -> None:
    put(ZeroDivisionError("x"))
    assert run("check", tmp_path, "--out", tmp_path / "out", "--debug") == 1
    assert "Traceback" in capsys.readouterr().err


def test_an_earlier_result_stays_and_is_called_old(
    tmp_path: Path, put: Put, capsys: pytest.CaptureFixture[str]
) -> None:
    put(made_result())
    run("check", tmp_path, "--out", tmp_path / "out")
    before = {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    put(RefusedError("photo a.jpg is empty"))
    assert run("check", tmp_path, "--out", tmp_path / "out") == 3
    assert "still holds the result of an earlier run" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before


def test_json_goes_to_stdout_alone(tmp_path: Path, put: Put, capsys: pytest.CaptureFixture[str]) -> None:
    put(made_result())
    assert run("check", tmp_path, "--out", tmp_path / "out", "--json") == 10
    told = capsys.readouterr()
    assert told.out == (tmp_path / "out" / "result.json").read_text()
    assert json.loads(told.out)["verdict"] == "rework"
    assert told.err.splitlines() == [
        "surfscan: reading photos",
        "surfscan: finding tags",
        "surfscan: writing the result",
    ]


def test_json_of_an_error(tmp_path: Path, put: Put, capsys: pytest.CaptureFixture[str]) -> None:
    put(NotMeasuredError("no stripes were found"))
    assert run("check", tmp_path, "--out", tmp_path / "out", "--json") == 4
    told = json.loads(capsys.readouterr().out)
    assert told["verdict"] == "not_measured"
    assert told["reasons"] == ["no stripes were found."]


def test_table_goes_to_stdout(tmp_path: Path, put: Put, capsys: pytest.CaptureFixture[str]) -> None:
    put(made_result())
    run("check", tmp_path, "--out", tmp_path / "out", "--quiet")
    told = capsys.readouterr()
    assert told.out.startswith("door (primer)\nRework:")
    assert str(tmp_path / "out" / "overlay.png") in told.out
    assert told.err == ""


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["chek"],
        ["check"],
        ["check", "job"],
        ["check", "job", "--out"],
        ["check", "job", "--out", "o", "--jsn"],
        ["demo", "extra"],
    ],
)
def test_wrong_use(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*words) == 2
    told = capsys.readouterr().err
    assert told.startswith("surfscan: ")
    assert "--help" in told


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    for words, wanted in (
        (["--version"], f"surfscan {VERSION}"),
        (["--help"], "exit status"),
        (["check", "--help"], "--out"),
    ):
        with pytest.raises(SystemExit) as caught:
            run(*words)
        assert caught.value.code == 0
        assert wanted in capsys.readouterr().out


def test_output_that_cannot_be_written_is_refused_before_computing(
    tmp_path: Path, put: Put, capsys: pytest.CaptureFixture[str]
) -> None:
    put(AssertionError("computed although the folder could not be written"))
    (tmp_path / "file").write_text("x")
    for out in (tmp_path / "file", tmp_path / "file" / "below"):
        assert run("check", tmp_path, "--out", out) == 3
        assert "choose another folder" in capsys.readouterr().err.lower()


# The package under test, from whatever folder the process runs in.
SETTINGS = {**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[2])}


def python(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "surfscan", *words],
        capture_output=True,
        text=True,
        timeout=300,
        env=SETTINGS,
        **options,
    )


def test_a_reader_that_leaves_ends_the_command_without_a_word(tmp_path: Path) -> None:
    """``surfscan station list | true``: the status a shell gives for SIGPIPE, and no traceback."""
    with subprocess.Popen(
        [sys.executable, "-m", "surfscan", "station", "list"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**SETTINGS, "SURFSCAN_HOME": str(tmp_path)},
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        running.stdout.close()
        assert running.stderr.read() == b""
        assert running.wait(60) == 141


def test_as_a_process_a_folder_without_a_sheet_is_refused(tmp_path: Path) -> None:
    done = python("check", str(tmp_path), "--out", str(tmp_path / "out"))
    assert done.returncode == 3
    assert "has no panel.toml" in done.stderr
    assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_ctrl_c_in_the_middle_of_a_real_run(tmp_path: Path) -> None:
    # The demo's own photos, stopped as soon as the first stage is told.
    job, out = tmp_path / "job", tmp_path / "out"
    demo_command.copy_demo(job)
    running = subprocess.Popen(
        [sys.executable, "-m", "surfscan", "check", str(job), "--out", str(out)],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=SETTINGS,
    )
    assert running.stderr is not None
    first = running.stderr.readline()
    assert first.startswith("surfscan: ")
    time.sleep(0.05)
    os.kill(running.pid, signal.SIGINT)
    told, errors = running.communicate(timeout=60)
    assert running.returncode == 130
    assert "stopped" in errors
    assert "Traceback" not in errors
    assert told == ""
    assert not out.exists()


def test_demo_runs_and_says_what_to_look_at(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As a process of its own: tests/test_readme.py."""
    assert run("demo", "--out", tmp_path / "demo") == 0
    assert "What to look at" in capsys.readouterr().out
    assert sorted(p.name for p in (tmp_path / "demo").iterdir()) == sorted([*OUTPUT_FILES, "job"])
    told = json.loads((tmp_path / "demo" / "result.json").read_text())
    status = run("check", tmp_path / "demo" / "job", "--out", tmp_path / "again", "--quiet")
    assert status == {"ready": 0, "rework": 10, "close": 11}[told["verdict"]]
    assert json.loads((tmp_path / "again" / "result.json").read_text())["spots"] == told["spots"]
