"""Faults of the disk while a result, papers or a pass are written: what was there before is whole, or the new is.

A few of each; all of them are in tests/bench/study_faults.py.
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import time
from collections import Counter
from pathlib import Path

import pytest
from faulted_jobs import Job, make_jobs, result_of
from injected_faults import CALLS, count_calls, crashed, record_calls, run_under
from needs_strace import needs_strace

from surfscan.core.commit import finish
from surfscan.core.errors import RefusedError
from surfscan.report.export import write_result
from surfscan.report.output import write_files
from surfscan.results.stored import load_result

pytestmark = needs_strace


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Job]:
    return make_jobs(tmp_path_factory.mktemp("faults"))


@pytest.mark.parametrize("name", ["check", "papers", "record"])
def test_a_call_that_fails_leaves_the_old_or_the_new(jobs: dict[str, Job], name: str) -> None:
    job = jobs[name]
    job.reset()
    most, seen = count_calls(job.write), Counter[str]()
    for k, error in zip(
        (1, most // 3, 2 * most // 3, most), ("EROFS", "ENOSPC", "ESTALE", "EIO"), strict=True
    ):
        job.reset()
        status, words = run_under(
            job.write, ["-e", f"inject={CALLS}:error={error}:when={k}+", "-o", "/dev/null"]
        )
        there = job.see(job.at)
        assert status in (0, 3), words
        assert there == "new" or status == 3  # who is told that it is done finds it done
        seen[there] += 1
    assert seen["old"] >= 1


@pytest.mark.parametrize("name", ["check", "record"])
def test_a_power_cut_leaves_the_old_or_the_new(jobs: dict[str, Job], name: str, tmp_path: Path) -> None:
    job = jobs[name]
    job.reset()
    calls = record_calls(job.write)
    assert job.see(job.at) == "new"
    job.reset()
    seen = Counter[str]()
    for at in [*range(0, len(calls), max(1, len(calls) // 25)), len(calls)]:
        crashed(job.at, calls, at, 0, tmp_path / "cut")
        seen[job.see(tmp_path / "cut")] += 1
    assert min(seen["old"], seen["new"]) >= 1


def test_the_harness_tells_a_writer_that_does_not_sync(tmp_path: Path) -> None:
    """The usual way, a temporary file renamed, which loses old and new in a power cut."""
    home = tmp_path / "home"
    home.mkdir()
    (home / "a").write_bytes(b"old" * 3000)

    def careless() -> None:
        (home / "b").write_bytes(b"new" * 3000)
        os.replace(home / "b", home / "a")

    calls = record_calls(careless)
    (home / "a").write_bytes(b"old" * 3000)
    found = set()
    for seed in range(30):
        crashed(home, calls, len(calls), seed, tmp_path / "cut")
        found.add((tmp_path / "cut/a").read_bytes())
    assert found > {b"old" * 3000, b"new" * 3000}


def test_a_move_cut_short_is_finished_by_the_reader(tmp_path: Path) -> None:
    write_result(tmp_path, result_of("old", -0.3))
    (tmp_path / "fresh").mkdir()
    write_result(tmp_path / "fresh", result_of("new", -0.5))
    whole = tmp_path / ".surfscan-whole-x"
    whole.mkdir()
    names = ("height.npz", "overlay.png", "map.png", "spots.csv", "result.json")
    (whole / ".order").write_text("\n".join(names))
    for name in names[1:]:
        os.replace(tmp_path / "fresh" / name, whole / name)
    os.replace(tmp_path / "fresh/height.npz", tmp_path / "height.npz")  # moved before the cut
    (whole / "seal.json.gone").touch()
    (tmp_path / "seal.json").write_text("of the old")
    assert load_result(tmp_path).panel["name"] == "new"
    assert not whole.exists()
    assert not (tmp_path / "seal.json").exists()
    whole.mkdir()
    (whole / ".order").write_text("../outside\n/etc/hostname")  # a name is never a path
    finish(tmp_path)
    assert not whole.exists()


def _write_many(folder: Path, name: str, go: object) -> None:
    result = result_of(name, -0.3 if name == "one" else -0.5)
    go.wait()  # type: ignore[attr-defined]
    for _ in range(3):
        write_result(folder, result)


def test_two_programs_on_one_folder_leave_one_whole_result_at_any_time(tmp_path: Path) -> None:
    write_result(tmp_path, result_of("one", -0.3))
    context = multiprocessing.get_context("fork")
    go, seen = context.Event(), Counter[str]()
    writers = [context.Process(target=_write_many, args=(tmp_path, name, go)) for name in ("one", "two")]
    for writer in writers:
        writer.start()
    go.set()
    while any(writer.is_alive() for writer in writers):
        seen[load_result(tmp_path).panel["name"]] += 1
    assert [writer.exitcode for writer in writers] == [0, 0]
    assert load_result(tmp_path).panel["name"] in ("one", "two")
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_a_clock_set_back_is_no_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = time.time()
    left = tmp_path / ".surfscan-left"
    left.mkdir()
    monkeypatch.setattr(time, "time", lambda: now - 1e8)
    write_files(tmp_path, {"a": b"1"})
    assert left.exists()  # it is not old by this clock, and may be somebody's
    monkeypatch.setattr(time, "time", lambda: now + 1e8)
    write_files(tmp_path, {"a": b"2"})
    assert not left.exists()
    assert (tmp_path / "a").read_bytes() == b"2"


def test_a_sync_that_fails_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_files(tmp_path, {"a": b"old"})

    def fails(handle: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(RefusedError, match="Input/output error"):
        write_files(tmp_path, {"a": b"new"})
    assert (tmp_path / "a").read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 1
