"""The README and the guide's chapters hold: their commands run as printed, their tables are the program's."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import threading
from pathlib import Path

import pytest
from pydantic import BaseModel

from surfscan import cli
from surfscan.guide.sheet_keys import keys_markdown, sheet_keys
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.sheet_errors import model_of
from surfscan.judge.limits import STAGES, default_limits
from surfscan.reading.budget import Inputs

CLONE = Path(__file__).resolve().parents[1]
README = (CLONE / "README.md").read_text(encoding="utf-8")
CHAPTERS = CLONE / "surfscan" / "data" / "guide"
TEXTS = [README, *(path.read_text(encoding="utf-8") for path in sorted(CHAPTERS.glob("*.md")))]
COMMANDS = [
    c for text in TEXTS for c in re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
]
# A check tells its verdict by its status.
GOOD = {name: {0, 10, 11} for name in ("check", "batch", "car", "watch")}


# These serve until they are stopped.
SERVERS = (".venv/bin/surfscan page", ".venv/bin/surfscan screen --lan", ".venv/bin/surfscan serve")


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
    settings = {**os.environ, "PYTEST_ADDOPTS": "--collect-only", "SURFSCAN_HOME": str(tmp_path / "home")}
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
    _run_the_python_part(clone, settings)
    # The demo's photos travel in the installed package: it runs from anywhere.
    surfscan = str(clone / ".venv" / "bin" / "surfscan")
    shutil.move(clone / "surfscan", tmp_path / "moved-away")
    done = subprocess.run([surfscan, "demo"], cwd=empty, env=settings, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    assert (empty / "surfscan-demo" / "overlay.png").is_file()


def _run_the_python_part(clone: Path, settings: dict[str, str]) -> None:
    """As printed, with a stand-in for the plotting library, which is the reader's own."""
    (code,) = re.findall(r"^```python\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    assert len(README.split("## In Python\n")[1].split("\n## ")[0].strip().splitlines()) <= 25
    stand_in = (
        "import sys; from unittest.mock import MagicMock;"
        "plot = MagicMock(); sys.modules.update({'matplotlib': MagicMock(pyplot=plot), 'matplotlib.pyplot': plot})\n"
    )
    shown = "\nx, y = plt.plot.call_args.args\nprint(len(x) == len(y), round(float(low.peak_mm), 1) < 0)\n"
    python = str(clone / ".venv" / "bin" / "python")
    done = subprocess.run(
        [python, "-c", stand_in + code + shown], cwd=clone, env=settings, capture_output=True, text=True
    )
    assert done.stdout.split() == ["True", "True"], done.stderr[-2000:]


def test_the_readme_is_short() -> None:
    assert len(README.splitlines()) < 250


def _names(table: type[BaseModel], before: str) -> list[str]:
    """The keys of a table and of the tables in it, found here by themselves."""
    found: list[str] = []
    for name, field in table.model_fields.items():
        inner = model_of(field.annotation)
        shown = f"{before}{field.alias or name}"
        found += [shown] if inner is None else _names(inner, f"{shown}.")
    return found


def test_every_key_of_the_sheet_is_told_with_unit_default_and_meaning() -> None:
    """In what `surfscan guide` writes, which is made from the tables that check a sheet."""
    keys = {key.name: key for key in sheet_keys()}
    assert [name for name in _names(Sheet, "") if name != "folder"] == list(keys)
    told = keys_markdown()
    for name, key in keys.items():
        assert key.meaning, name
        assert key.form, name
        assert key.default, name
        assert f"| `{name}` | {key.meaning} | {key.unit} |" in told
        end = name.rpartition("_")[2]
        assert (key.unit != "") == (end in ("mm", "px", "deg", "mrad", "rel", "35mm")), name
    limits, inputs = default_limits("primer"), Inputs()
    assert keys["limits.filler_depth_mm"].default == f"{limits.filler_depth_mm:g}"
    assert keys["uncertainty.board_centre_mm"].default == f"{inputs.board_centre_mm:g}"
    assert keys["panel.stage"].default == "needed"
    assert keys["board.pattern"].default == "`stripes`"


def test_the_example_sheet_is_a_good_one(tmp_path: Path) -> None:
    (example,) = re.findall(r"^```toml\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    (tmp_path / "panel.toml").write_text(example, encoding="utf-8")
    assert load_sheet(tmp_path, need_photos=False).panel.stage == "primer"


def test_limits_and_statuses_are_those_of_the_program() -> None:
    for stage in STAGES:
        limits = default_limits(stage)
        assert f"| `{stage}` | {limits.low_mm:g} | {limits.high_mm:g} |" in keys_markdown()
    for verdict, status in cli.EXIT_STATUS.items():
        assert f"| `{verdict}` | {status} |" in README


@pytest.mark.parametrize("word", ["--json", "--quiet", "--debug"])
def test_options_told_exist(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["check", "--help"])
    assert word in capsys.readouterr().out
    assert word in README
