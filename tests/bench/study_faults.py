"""Every call of a writer made to fail, ended at, or cut off by a power cut: the old is whole, or the new is.

    python tests/bench/study_faults.py [--jobs check papers record page] [--seeds N] [--state FILE] [--every N]

For each job (tests/faulted_jobs.py): each of its calls that write, rename, sync or take away fails once, and fails from
then on, with a full disk (ENOSPC, EDQUOT), a read-only one (EROFS), a network drive that is gone (EIO, ESTALE); the
program is killed at each call; and the power is cut after each call, N states of the disk each. With --state it goes on
where it was stopped.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from faulted_jobs import Job, make_jobs
from injected_faults import CALLS, count_calls, crashed, record_calls, run_under

ERRORS = ("ENOSPC", "EDQUOT", "EROFS", "EIO", "ESTALE")


def trials(job: Job, seeds: int, every: int) -> list[tuple[str, int, str]]:
    """Kind of fault, call, and more; power cuts last."""
    job.reset()
    calls = range(1, count_calls(job.write) + 1, every)
    made = [
        (error + more, k, f"error={error}:when={k}{more}")
        for error in ERRORS
        for k in calls
        for more in ("", "+")
    ]
    made += [("kill", k, f"signal=KILL:when={k}") for k in calls]
    job.reset()
    return made + [
        ("power", at, str(seed))
        for at in range(0, len(record_calls(job.write)) + 1, every)
        for seed in range(seeds)
    ]


def main() -> None:
    """Run, and print what is neither old nor new."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--jobs", nargs="+", default=["check", "record", "papers"])
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--every", type=int, default=1, help="only each Nth call")
    parser.add_argument("--state", type=Path)
    given = parser.parse_args()
    kept = json.loads(given.state.read_text()) if given.state and given.state.exists() else {}
    with tempfile.TemporaryDirectory() as name:
        jobs = make_jobs(Path(name) / "files")
        if "page" in given.jobs:
            from page_faults import page_job

            jobs["page"] = page_job(Path(name) / "page", pytest.MonkeyPatch())
        for job in (jobs[one] for one in given.jobs):
            done, ends = kept.get(job.name, [0, {}])
            counts = Counter(ends)
            job.reset()
            calls = record_calls(job.write)
            for kind, k, more in trials(job, given.seeds, given.every)[done:]:
                counts[one(job, kind, k, more, calls, Path(name) / "cut")] += 1
                done += 1
                kept[job.name] = [done, counts]
                if given.state:
                    fresh = given.state.with_suffix(".new")
                    fresh.write_text(json.dumps(kept))
                    fresh.replace(given.state)
            print(f"{job.name}: {done} trials, {dict(counts)}", flush=True)


def one(job: Job, kind: str, k: int, more: str, calls: list, cut: Path) -> str:
    """One trial: the kind of fault, and what is there after it."""
    job.reset()
    status, words, at = 0, "", job.at
    if kind == "power":
        crashed(job.at, calls, k, int(more), cut)
        at = cut
    else:
        status, words = run_under(job.write, ["-e", f"inject={CALLS}:{more}", "-o", "/dev/null"])
    kind = {"ENOSPC": "full", "EDQUOT": "full", "EROFS": "read-only", "EIO": "gone", "ESTALE": "gone"}.get(
        kind.rstrip("+"), kind
    )
    try:
        there = job.see(at)
    except Exception as error:
        print(f"{job.name}, {kind} at call {k} ({more}): {type(error).__name__}: {error}"[:400], flush=True)
        return f"{kind}: broken"
    if status not in ((0, 3) if kind != "kill" else (0, -9)) or (
        status == 0 and kind not in ("power", "kill") and there != "new"
    ):
        print(
            f"{job.name}, {kind} at call {k} ({more}): status {status}, {there}, {words[-300:]}", flush=True
        )
        return f"{kind}: told wrong"
    return f"{kind}: {there}"


if __name__ == "__main__":
    main()
