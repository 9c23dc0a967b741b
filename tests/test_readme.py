"""The README holds: its commands run as printed in a clean copy, its tables are those of the program."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import threading
from pathlib import Path

import pytest

from surfscan import cli
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.sheet_errors import _model_of
from surfscan.judge.limits import STAGES, default_limits

CLONE = Path(__file__).resolve().parents[1]
README = (CLONE / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^```sh\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
# A check tells its verdict by its status.
GOOD = {"check": {0, 10, 11}}


# These serve until they are stopped.
SERVERS = (".venv/bin/surfscan page", ".venv/bin/surfscan screen --lan")


def _serve_a_while(command: str, folder: Path, settings: dict[str, str]) -> None:
    """A server tells its address within 30 s, and ends when it is asked to."""
    process = subprocess.Popen(
        ["bash", "-c", f"exec {command}"],
        cwd=folder,
        env={**settings, "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout is not None
    ended = threading.Timer(30, process.kill)
    ended.start()
    try:
        said = ""
        for line in process.stdout:
            said += line
            if "http://" in line:
                break
        assert "http://" in said, f"{command}\n{said}"
        assert process.poll() is None, said
    finally:
        ended.cancel()
        process.terminate()
        process.wait(20)
        process.stdout.close()


def test_there_is_one_command_to_see_it_and_one_to_test_it() -> None:
    assert COMMANDS[0].strip().endswith("surfscan demo")
    assert COMMANDS[1].strip().endswith("python -m pytest")
    assert all(len(command.strip().splitlines()) == 1 for command in COMMANDS[:2])


def test_the_commands_run_as_printed_in_a_clean_copy(tmp_path: Path) -> None:
    """All in order, with real set-ups from the package registry.

    The tests inside the tests are only collected: running them is what is going on already.
    """
    clone, empty = tmp_path / "clone", tmp_path / "empty"
    left = shutil.ignore_patterns(
        ".git", ".venv*", "__pycache__", ".*_cache", ".hypothesis", "build", "*.egg-info"
    )
    shutil.copytree(CLONE, clone, ignore=left)
    empty.mkdir()
    settings = {**os.environ, "PYTEST_ADDOPTS": "--collect-only"}
    for name in ("PYTHONPATH", "VIRTUAL_ENV", "PYTEST_CURRENT_TEST"):
        settings.pop(name, None)
    lines = [line for block in COMMANDS for line in block.splitlines()]
    for command in lines:
        if command.startswith(SERVERS):
            _serve_a_while(command, clone, settings)
            continue
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", command],
            cwd=clone,
            env=settings,
            capture_output=True,
            text=True,
        )
        allowed = {0}.union(*(GOOD[name] for name in GOOD if f"surfscan {name}" in command))
        assert done.returncode in allowed, f"{command}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}"
    # The demo's photos travel in the installed package: it runs from anywhere.
    surfscan = str(clone / ".venv" / "bin" / "surfscan")
    shutil.move(clone / "surfscan", tmp_path / "moved-away")
    done = subprocess.run([surfscan, "demo"], cwd=empty, env=settings, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    assert (empty / "surfscan-demo" / "overlay.png").is_file()


def test_every_key_of_the_sheet_is_told() -> None:
    for top, field in Sheet.model_fields.items():
        table = _model_of(field.annotation)
        if table is None:
            continue
        for key in table.model_fields:
            name = f"{field.alias or top}.{key}"
            assert f"`{name}`" in README, name


def test_the_example_sheet_is_a_good_one(tmp_path: Path) -> None:
    (example,) = re.findall(r"^```toml\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    (tmp_path / "panel.toml").write_text(example, encoding="utf-8")
    assert load_sheet(tmp_path, need_photos=False).panel.stage == "primer"


def test_limits_and_statuses_are_those_of_the_program() -> None:
    for stage in STAGES:
        limits = default_limits(stage)
        (row,) = [line for line in README.splitlines() if line.endswith(" mm |") and f"`{stage}`" in line]
        assert f"| {limits.low_mm:g} mm |" in row
        assert limits.low_mm == limits.high_mm
        for depth in (limits.filler_depth_mm, limits.putty_depth_mm):
            assert f"default {depth:g} |" in README
    for verdict, status in cli.EXIT_STATUS.items():
        assert f"| `{verdict}` | {status} |" in README


@pytest.mark.parametrize("word", ["--json", "--quiet", "--debug"])
def test_options_told_exist(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["check", "--help"])
    assert word in capsys.readouterr().out
    assert word in README
