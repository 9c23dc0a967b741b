"""A check in a process of its own: the same numbers, the same refusals, and a crash that takes nothing along."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from surfscan.checking.apart import CheckWorker
from surfscan.checking.pipeline import check_job
from surfscan.core.errors import RefusedError
from surfscan.report.panes import draw_photo_pair

SMALL = Path(__file__).parents[2] / "fixtures" / "jobs" / "bad-photos"


@pytest.fixture(scope="module")
def worker() -> Iterator[CheckWorker]:
    made = CheckWorker()
    made.start()
    yield made
    made.close()


def test_it_finds_what_a_check_here_finds(worker: CheckWorker) -> None:
    told: list[tuple[str, float]] = []
    there, here = worker.check(SMALL, progress=lambda *step: told.append(step)), check_job(SMALL)
    assert there.spots == here.spots
    assert np.array_equal(there.height.height_mm, here.height.height_mm, equal_nan=True)
    points = np.array([[0.0, 0.0, 0.0], [100.0, -50.0, 1.0]])
    assert np.array_equal(there.project(points), here.project(points))
    assert np.array_equal(draw_photo_pair(there).painted, draw_photo_pair(here).painted)
    shares = [share for _, share in told]
    assert told[0] == ("reading the sheet", 0.0)
    assert shares == sorted(shares)


def test_a_refusal_comes_back_whole_and_the_next_job_is_checked(worker: CheckWorker, tmp_path: Path) -> None:
    (tmp_path / "panel.toml").write_text("[panel]\nstage = 'primer'\nsise_mm = [600, 400]\n")
    with pytest.raises(RefusedError, match="sise_mm") as there:
        worker.check(tmp_path)
    with pytest.raises(RefusedError) as here:
        check_job(tmp_path)
    assert str(there.value) == str(here.value)
    assert worker.check(SMALL).spots


def test_a_killed_check_is_told_and_the_next_one_runs(worker: CheckWorker) -> None:
    def kill(stage: str, share: float) -> None:
        if share > 0.2:
            assert worker._child is not None
            worker._child.kill()

    with pytest.raises(RuntimeError, match="process ended, status -9"):
        worker.check(SMALL, progress=kill)
    assert worker.check(SMALL).spots
