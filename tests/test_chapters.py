"""The guide's chapters hold: their commands run as printed, one chapter after another, where the README has left off.

The program is called in this process, so that it is loaded once; servers and the shell's own commands run in a shell.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from finished import JOBS, keep
from printed_commands import CHAPTERS, CLONE, SERVERS, allowed, blocks, run_printed

from surfscan import cli
from surfscan.checking import pipeline
from surfscan.core.records import CheckResult

SURFSCAN = ".venv/bin/surfscan "
pipeline_check = pipeline.check_job
TOLD = [name for name, text in CHAPTERS.items() if blocks(text)]


@pytest.fixture(scope="module")
def shop_floor(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as the README leaves it: the demo's, and its job checked once more into `result`."""
    folder = tmp_path_factory.mktemp("floor")
    (folder / ".venv").symlink_to(sys.prefix)
    (folder / "fixtures").symlink_to(CLONE / "fixtures")
    with contextlib.chdir(folder):
        assert cli.main(["demo"]) == 0
    shutil.copytree(folder / "surfscan-demo", folder / "result", ignore=shutil.ignore_patterns("job"))
    return folder


def _checked_and_kept(job: Path, **more: Any) -> CheckResult:
    """The check itself; of a fixture it is kept for other tests."""
    result = pipeline_check(job, **more)
    if (CLONE / job).resolve().parent == JOBS and not more.keys() - {"progress"}:
        keep(job.name, result)
    return result


@pytest.mark.parametrize("chapter", TOLD)
def test_the_commands_run_as_printed(
    chapter: str, shop_floor: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(pipeline, "check_job", _checked_and_kept)
    monkeypatch.chdir(shop_floor)
    monkeypatch.setenv("SURFSCAN_HOME", str(shop_floor / "home"))
    for command in (line for block in blocks(CHAPTERS[chapter]) for line in block.splitlines()):
        if command.startswith(SERVERS) or not command.startswith(SURFSCAN):
            run_printed(command, shop_floor, dict(os.environ))
            continue
        words = [
            path
            for word in shlex.split(command)[1:]
            for path in (sorted(map(str, Path().glob(word))) if "*" in word else [word])
        ]
        assert cli.main(words) in allowed(command), f"{command}\n{capsys.readouterr()}"


def test_the_chapters_are_those_with_commands() -> None:
    assert {"many-panels", "more-ways", "panel-story", "the-shop"} <= set(TOLD)
