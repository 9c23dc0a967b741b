"""The README holds: its commands run as printed, its tables are the program's."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from printed_commands import CLONE, README, blocks, copy_clone, link_required, run_printed
from pydantic import BaseModel

from surfscan import cli
from surfscan.core.parts import EXTRAS
from surfscan.guide.sheet_keys import keys_markdown, sheet_keys
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.sheet_errors import model_of
from surfscan.judge.limits import STAGES, default_limits
from surfscan.reading.budget import Inputs

COMMANDS = blocks(README)


def test_there_is_one_command_to_see_it_and_one_to_test_it() -> None:
    assert COMMANDS[0].strip().endswith("surfscan demo")
    assert COMMANDS[1].strip().endswith("python -m pytest")
    assert all(len(command.strip().splitlines()) == 1 for command in COMMANDS[:2])


def test_the_test_command_is_what_ci_runs() -> None:
    """Letter for letter, in a clean copy: `.ci/run` takes README's first line with pytest in it and runs that."""
    run = (CLONE / ".ci" / "run").read_text(encoding="utf-8")
    assert "command=$(grep -m 1 'python -m pytest' README.md)" in run
    assert 'bash -euo pipefail -c "$command"' in run
    first = next(line for line in README.splitlines() if "python -m pytest" in line)
    assert first == COMMANDS[1].strip()


def test_the_commands_run_as_printed_in_a_clean_copy(tmp_path: Path) -> None:
    """All in order; the test command is what is going on already.

    The set-up's own packages come from the registry where `.ci/run` runs the test command; here pip finds the same
    ones by links, those of `.[all]` alone, and nothing else that the tests need.
    """
    clone, empty, installed = tmp_path / "clone", tmp_path / "empty", tmp_path / "installed"
    copy_clone(clone)
    link_required(installed, "surfscan[all]", "duckdb")
    empty.mkdir()
    settings = {**os.environ, "SURFSCAN_HOME": str(tmp_path / "home"), "PYTHONPATH": str(installed)}
    settings["PIP_NO_COMPILE"] = "1"  # only what is imported
    for name in ("VIRTUAL_ENV", "PYTEST_CURRENT_TEST"):
        settings.pop(name, None)
    for command in (line for k, block in enumerate(COMMANDS) if k != 1 for line in block.splitlines()):
        run_printed(command, clone, settings)
    python = str(clone / ".venv" / "bin" / "python")
    _see_what_is_installed(python, empty, settings)
    _run_the_python_part(clone, settings)
    # The demo's photos travel in the installed package: they are there from anywhere, without the clone.
    shutil.move(clone / "surfscan", tmp_path / "moved-away")
    copy = "from pathlib import Path; from surfscan.cli.demo import copy_demo; copy_demo(Path('job'))"
    subprocess.run([python, "-c", copy], cwd=empty, env=settings, check=True)
    there = {path.name: path.read_bytes() for path in (empty / "job").iterdir()}
    assert there == {path.name: path.read_bytes() for path in (clone / "surfscan-demo" / "job").iterdir()}


def _see_what_is_installed(python: str, folder: Path, settings: dict[str, str]) -> None:
    """All parts are there, and nothing that only the tests need."""
    code = (
        "import sys; from importlib.util import find_spec; print(*(n for n in sys.argv[1:] if find_spec(n)))"
    )
    names = [*EXTRAS, "pytest", "hypothesis", "playwright"]
    done = subprocess.run(
        [python, "-c", code, *names], cwd=folder, env=settings, capture_output=True, text=True
    )
    assert done.stdout.split() == list(EXTRAS), done.stderr


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
