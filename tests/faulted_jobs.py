"""What writes, for the studies of faults: each with what was there before, and how to see that it is whole."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from result_folders import bump, grid

from surfscan.checking.from_map import check_map
from surfscan.core.records import CheckResult
from surfscan.judge.limits import default_limits, with_given
from surfscan.papers.folder import write_report
from surfscan.papers.particulars import Particulars
from surfscan.papers.sealed import Signing
from surfscan.papers.signing import load_private_key, make_key
from surfscan.papers.verifying import verify_report
from surfscan.report.export import write_result
from surfscan.results.record import open_record
from surfscan.results.stored import load_result

__all__ = ["Job", "make_jobs", "result_of"]

WHEN = datetime(2026, 3, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Job:
    """A writer: `before` is what was there, `write` changes `at`, `see` says what is there, "old" or "new".

    `see` raises what a user would be told where it is neither.
    """

    name: str
    before: Path
    at: Path
    write: Callable[[], object]
    see: Callable[[Path], str]

    def reset(self) -> None:
        """What was there before, again."""
        shutil.rmtree(self.at, ignore_errors=True)
        shutil.copytree(self.before, self.at)


def result_of(name: str, peak_mm: float) -> CheckResult:
    """A small result, by its panel's name."""
    x, y = grid(8.0)
    height = bump(*np.meshgrid(x, y), peak=peak_mm)
    limits = with_given(default_limits("primer"), {})
    return check_map(height, limits=limits, stage="primer", u_mm=0.005, step_mm=8.0, name=name)


def make_jobs(folder: Path) -> dict[str, Job]:
    """Check, record and papers, over what an earlier run of each left."""
    old, new = result_of("old", -0.3), result_of("new", -0.5)
    for name in ("check", "papers", "record"):
        (folder / f"{name}-before").mkdir(parents=True)
    for name, result in (("old-result", old), ("new-result", new)):
        write_result(folder / name, result)
    write_result(folder / "check-before", old)
    write_result(folder / "papers-before", new)
    make_key(folder / "key")
    key = load_private_key(folder / "key")
    signing = Signing(key, stamp=True)
    write_report(folder / "papers-before", Particulars("old"), created=WHEN, signing=signing)
    with open_record(folder / "record-before/r.sqlite") as record:
        record.add(folder / "old-result")

    def add() -> None:
        with open_record(folder / "record/r.sqlite") as record:
            record.add(folder / "new-result")

    def see_papers(at: Path) -> str:
        found = verify_report(at, key=key.public_key())
        assert not found.differences, found.differences
        return "new" if ">new<" in (at / "report.html").read_text() else "old"

    def see_record(at: Path) -> str:
        with open_record(at / "r.sqlite") as record:
            panels = [record.get(one.id).panel["name"] for one in record.history()]
        assert panels[0] == "old", panels
        return panels[-1]

    def job(name: str, write: Callable[[], object], see: Callable[[Path], str]) -> Job:
        return Job(name, folder / f"{name}-before", folder / name, write, see)

    papers = folder / "papers"
    jobs = (
        job("check", lambda: write_result(folder / "check", new), lambda at: load_result(at).panel["name"]),
        job(
            "papers",
            lambda: write_report(papers, Particulars("new"), created=WHEN, signing=signing),
            see_papers,
        ),
        job("record", add, see_record),
    )
    return {one.name: one for one in jobs}
