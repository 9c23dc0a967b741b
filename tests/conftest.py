"""The order of the suite, and one thread for each of its workers.

The longest files come first, so that every core has work until the end. Workers already keep all cores busy: libraries
that start a thread for each core in each worker would only wait for one another.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

import pytest

_LONGEST = (
    "test_readme.py", "test_chapters.py", "test_browser.py", "test_fixtures.py", "test_steps.py",
    "test_relative_look.py", "test_batch.py", "test_mended.py", "test_sweep.py", "test_consistency.py",
    "ui/test_views.py", "test_television.py",
)  # fmt: skip
"""Files of over half a minute; the last of a run should be short ones."""

if (
    "PYTEST_XDIST_WORKER" in os.environ
):  # read when NumPy and OpenCV are loaded, which is later than this file
    for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
        os.environ.setdefault(_name, "1")


def _place(item: pytest.Item) -> int:
    path = item.path.as_posix()
    return next((k for k, name in enumerate(_LONGEST) if path.endswith(f"/{name}")), len(_LONGEST))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A file keeps its own order."""
    items.sort(key=_place)


@pytest.fixture(scope="session", autouse=True)
def _one_place_for_what_is_finished(tmp_path_factory: pytest.TempPathFactory) -> None:
    from finished import keep_in  # loads the libraries, after the lines above

    base = tmp_path_factory.getbasetemp()
    keep_in((base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "finished")


@pytest.fixture(scope="module", autouse=True)
def _main_stays_ours() -> Iterator[None]:
    """A page run by Streamlit's own tests takes the main module's place, and a process that is spawned would run it."""
    ours = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = ours
