"""The page while the disk is full, may only be read, or is gone: it says so, and what the record held is whole."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import pytest
from faulted_jobs import Job
from injected_faults import CALLS, count_calls, run_under
from needs_strace import needs_strace
from page_faults import page_job

pytestmark = needs_strace


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Job]:
    with pytest.MonkeyPatch.context() as patch:
        yield page_job(tmp_path_factory.mktemp("page"), patch)


def test_a_call_that_fails_is_told_and_the_record_is_whole(job: Job) -> None:
    most, seen = count_calls(job.write), Counter[str]()
    assert most > 10
    for k, error in zip(
        (1, most // 3, most // 2, most - 2), ("EROFS", "ENOSPC", "ESTALE", "EIO"), strict=True
    ):
        job.reset()
        inject = f"inject={CALLS}:error={error}:when={k}+"
        status, words = run_under(job.write, ["-e", inject, "-o", "/dev/null"])
        there = job.see(job.at)
        assert status in (0, 3), words
        assert there == "new" or status == 3  # who is told that it is done finds it done
        seen[there] += 1
    assert seen["old"] >= 1
