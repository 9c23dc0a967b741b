"""Calls in processes of their own: the same numbers, the same refusals, and what ends one takes nothing along."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import RefusedError
from surfscan.fleet.apart import CHECK, Bounds, EndedError, Keeper
from surfscan.report.panes import draw_photo_pair

SMALL = Path(__file__).parents[2] / "fixtures" / "jobs" / "bad-photos"


@pytest.fixture(scope="module")
def keeper() -> Iterator[Keeper]:
    with Keeper() as made:
        made.start()
        yield made


def is_there(number: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(number, 0)
        return True
    return False


def goes(number: int) -> bool:
    """Whether a process that was killed is gone within 5 s: a killed orphan stays a moment, until it is reaped."""
    ends = time.monotonic() + 5
    while is_there(number) and time.monotonic() < ends:
        time.sleep(0.01)
    return not is_there(number)


def ended(keeper: Keeper, name: str, *arguments: object, bounds: Bounds | None = None) -> EndedError:
    with pytest.raises(EndedError) as caught:
        keeper.call(f"fleet_calls:{name}", *arguments, bounds=bounds or Bounds())
    return caught.value


def test_it_finds_what_a_check_here_finds(keeper: Keeper) -> None:
    told: list[tuple[str, float]] = []
    there, loaded = keeper.call(
        "fleet_calls:call_and_list", CHECK, SMALL, progress=lambda *step: told.append(step)
    )
    here = check_job(SMALL)
    assert [name for name in loaded if name.startswith(("scipy", "numpy", "cv2", "surfscan"))] == []
    assert there.spots == here.spots
    assert np.array_equal(there.height.height_mm, here.height.height_mm, equal_nan=True)
    points = np.array([[0.0, 0.0, 0.0], [100.0, -50.0, 1.0]])
    assert np.array_equal(there.project(points), here.project(points))
    assert np.array_equal(draw_photo_pair(there).painted, draw_photo_pair(here).painted)
    shares = [share for _, share in told]
    assert told[0] == ("reading the sheet", 0.0)
    assert shares == sorted(shares)


def test_a_refusal_comes_back_whole(keeper: Keeper, tmp_path: Path) -> None:
    (tmp_path / "panel.toml").write_text("[panel]\nstage = 'primer'\nsise_mm = [600, 400]\n")
    with pytest.raises(RefusedError, match="sise_mm") as there:
        keeper.call(CHECK, tmp_path)
    with pytest.raises(RefusedError) as here:
        check_job(tmp_path)
    assert str(there.value) == str(here.value)


@pytest.mark.parametrize("fork", [True, False])
def test_each_call_has_a_process_of_its_own(keeper: Keeper, fork: bool) -> None:
    """Also where there is no fork: an interpreter each."""
    told: list[str] = []
    with Keeper(fork=fork) as other:
        used = keeper if fork else other
        values = [
            used.call("fleet_calls:echo", k, progress=lambda stage, _: told.append(stage)) for k in (1, 2)
        ]
    assert [value for value, _ in values] == [1, 2]
    assert len({os.getpid(), *(number for _, number in values)}) == 3
    assert told == ["echoing", "echoing"]


@pytest.mark.parametrize("fork", [True, False])
def test_what_ends_a_call_is_told_and_the_next_one_runs(keeper: Keeper, fork: bool) -> None:
    with Keeper(fork=fork) as other:
        used = keeper if fork else other
        crash = ended(used, "end_by", signal.SIGSEGV)
        assert (crash.kind, crash.status, crash.from_outside) == ("crashed", -signal.SIGSEGV, False)
        assert ended(used, "end_by", signal.SIGKILL).from_outside
        late = ended(used, "hang", 60, bounds=Bounds(seconds=0.3))
        assert (late.kind, late.status) == ("timeout", -signal.SIGKILL)
        fault = ended(used, "fail")
        assert (fault.kind, str(fault)) == ("fault", "ZeroDivisionError: made for the test")
        short = ended(used, "hoard", 3000, bounds=Bounds(memory_mb=1000))
        assert (short.kind, str(short)) == ("memory", "it needs more memory than 1000 MB")
        assert used.call("fleet_calls:hoard", 100, bounds=Bounds(memory_mb=1000)) == 100_000_000


def test_a_lost_keeper_is_started_again_and_its_children_end(keeper: Keeper) -> None:
    numbers: list[int] = []

    def lose(stage: str, share: float) -> None:
        numbers.append(int(stage))
        assert keeper._process is not None
        keeper._process.kill()

    with pytest.raises(EndedError) as caught:
        keeper.call("fleet_calls:tell_and_hang", progress=lose)
    assert (caught.value.kind, caught.value.from_outside) == ("crashed", True)
    assert goes(numbers[0])
    assert keeper.call("fleet_calls:echo", "again")[0] == "again"


def test_closing_ends_what_runs() -> None:
    keeper, numbers = Keeper(), []
    begun = threading.Event()

    def tell(stage: str, share: float) -> None:
        numbers.append(int(stage))
        begun.set()

    caught: list[BaseException] = []

    def call() -> None:
        try:
            keeper.call("fleet_calls:tell_and_hang", progress=tell)
        except BaseException as error:
            caught.append(error)

    thread = threading.Thread(target=call)
    thread.start()
    assert begun.wait(20)
    keeper.close()
    thread.join(10)
    assert goes(numbers[0])
    assert isinstance(caught[0], EndedError)
    assert caught[0].kind == "stopped"
    with pytest.raises(EndedError, match="stopped"):
        keeper.call("fleet_calls:echo", 1)
