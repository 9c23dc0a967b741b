"""Checks of the bundled fixtures: each is done once in a run of the suite, and kept where all its workers find it.

For tests that need a result of a fixture as it lies there. What a test changes, it checks by itself.
"""

from __future__ import annotations

import fcntl
import os
import pickle
from collections.abc import Callable
from functools import cache
from pathlib import Path

from surfscan.checking.pipeline import check_job
from surfscan.core.records import CheckResult

JOBS = Path(__file__).parents[1] / "fixtures" / "jobs"
_folder: Path | None = None


def keep_in(folder: Path) -> None:
    """Keep results in this folder, which is the same for all workers of a run (`conftest.py`)."""
    global _folder
    folder.mkdir(exist_ok=True)
    _folder = folder


@cache
def finished(name: str) -> CheckResult:
    """The result of a fixture's job; it is shared, so leave it as it is."""
    return kept(name, lambda: check_job(JOBS / name))


def kept(name: str, make: Callable[[], CheckResult]) -> CheckResult:
    """What is kept under a name, or made now while other workers that ask for it wait."""
    assert _folder is not None
    path = _folder / f"{name}.pickle"
    with (_folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not path.is_file():
            keep(name, make())
        result: CheckResult = pickle.loads(path.read_bytes())
    return result


def keep(name: str, result: CheckResult) -> None:
    """Keep a result that came about anyway."""
    assert _folder is not None
    half = _folder / f"{name}.{os.getpid()}"
    half.write_bytes(pickle.dumps(result, protocol=5))
    half.replace(_folder / f"{name}.pickle")
