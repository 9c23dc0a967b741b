"""Broken sheets and files by the thousand; what ends neither in a result nor in a refusal in words is a fault.

    python tests/bench/study_fuzz.py sheets --count 20000 [--seed 0] [--state FILE]
    python tests/bench/study_fuzz.py files --count 5000
    python tests/bench/study_fuzz.py checks --count 200
    python tests/bench/study_fuzz.py results --count 1000
    python tests/bench/study_fuzz.py fields --count 314

`checks` runs `surfscan check` on small photos with those broken sheets that are still accepted, `results` the commands
that read a result over edited ones, `fields` sets each kind of field of a checked fixture's result to an odd value in
turn and makes its papers. With --state a run goes on where it was stopped: the number of the input is written
before it is read. Memory is held to --gb, so that whatever asks for more ends as a fault.
"""

from __future__ import annotations

import argparse
import copy
import json
import resource
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import asdict, dataclass, field
from io import StringIO
from itertools import count
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz_files import broken, make_kinds
from fuzz_inputs import JOBS, fuzzed_sheet, outcome_of, places
from fuzz_results import make_base, run_edited

from surfscan import cli
from surfscan.core.aside import end_aside
from surfscan.core.errors import SurfscanError
from surfscan.job.sheet import load_sheet

SLOW_S = {"sheets": 2.0, "files": 5.0, "checks": 30.0, "results": 30.0, "fields": 30.0}
Run = Callable[[], object]
ODD = (None, "x", "", -1, 0, 1e300, float("nan"), [], {}, True, "\x1b[31mred", [1, 2, 3], 10**30, "a" * 3000)
"""What no field is."""


def _sheets(folder: Path, first: int) -> Iterator[tuple[str, Run]]:
    for seed in count(first):
        (folder / "panel.toml").write_bytes(fuzzed_sheet(seed))
        yield f"sheet {seed}", lambda: load_sheet(folder, need_photos=False)


def _files(folder: Path, first: int) -> Iterator[tuple[str, Run]]:
    kinds = make_kinds(folder)
    for seed in count(first):
        kind = kinds[seed % len(kinds)]
        path = folder / kind.name
        path.write_bytes(broken(kind, seed))
        yield f"{kind.name} {seed}", lambda kind=kind, path=path: kind.read(path)


def _checks(folder: Path, first: int) -> Iterator[tuple[str, Run]]:
    """Accepted sheets with the photos of the job they came from; one that names others ends early."""
    for job in JOBS.iterdir():
        for photo in job.glob("*.jpg"):
            (folder / photo.name).write_bytes(photo.read_bytes())

    def check() -> None:
        told = StringIO()
        with redirect_stderr(told), redirect_stdout(StringIO()):
            status = cli.main(["check", str(folder), "--out", str(folder / "out"), "--quiet"])
        assert status in (0, 3, 4, 10, 11), told.getvalue()

    for seed in count(first):
        (folder / "panel.toml").write_bytes(fuzzed_sheet(seed))
        try:
            load_sheet(folder)
        except SurfscanError:
            continue
        yield f"check {seed}", check


def _results(folder: Path, first: int) -> Iterator[tuple[str, Run]]:
    """Edited results through the commands that read one."""
    base = make_base(folder)

    def run(seed: int) -> None:
        came = run_edited(base, seed)
        assert not came.is_fault, f"{came.command}: {came.status}, {came.said}"

    for seed in count(first):
        yield f"result {seed}", lambda seed=seed: run(seed)


def _fields(folder: Path, first: int) -> Iterator[tuple[str, Run]]:
    """A real result, one field after the other, each kind of list entry once, then again with other values."""
    base = folder / "base"
    with redirect_stderr(StringIO()), redirect_stdout(StringIO()):
        cli.main(["check", str(JOBS / "flat"), "--out", str(base), "--quiet"])
    document = json.loads((base / "result.json").read_text())
    kinds = {
        tuple("#" if isinstance(part, int) else part for part in path): path for path in places(document)
    }

    def report(path: tuple[int | str, ...], value: object) -> None:
        work = folder / "work"
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(base, work)
        edited = copy.deepcopy(document)
        home: Any = edited
        for part in path[:-1]:
            home = home[part]
        home[path[-1]] = value
        (work / "result.json").write_text(json.dumps(edited))
        with redirect_stderr(StringIO()) as told, redirect_stdout(StringIO()):
            status = cli.main(["report", str(work), "--out", str(work / "papers")])
        said = told.getvalue()
        assert status == 0 or (status == 3 and "allowed: " in said), (
            f"{path}: {value!r:.40}: {status}, {said}"
        )

    for seed in count(first):
        path = list(kinds.values())[seed % len(kinds)]
        value = ODD[(seed + seed // len(kinds)) % len(ODD)]
        yield f"field {seed}", lambda path=path, value=value: report(path, value)


MAKE = {"fields": _fields, "sheets": _sheets, "files": _files, "checks": _checks, "results": _results}


@dataclass
class Tally:
    """How far a run came, kept in a file after each input so that it goes on where it was stopped."""

    next: int = 0
    done: int = 0
    ends: dict[str, int] = field(default_factory=dict)
    longest_s: float = 0.0
    longest: str = ""
    most_cpu_s: float = 0.0
    seconds: float = 0.0
    most_gb: float = 0.0
    input: str = ""

    def add(self, end: str) -> None:
        self.ends[end] = self.ends.get(end, 0) + 1

    def keep(self, path: Path | None) -> None:
        most = max(
            resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
        )
        self.most_gb = max(self.most_gb, most / 1e6)
        if path is not None:
            fresh = path.with_suffix(".new")
            fresh.write_text(json.dumps(asdict(self)))
            fresh.replace(path)  # whole, also when the process is ended here


def main() -> None:
    """Run, and print each new fault with the number that makes it again."""
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=SLOW_S)
    parser.add_argument("--count", type=int, default=1000, help="inputs that are run in all")
    parser.add_argument("--seed", type=int, default=0, help="the first input's number")
    parser.add_argument("--state", type=Path, help="file that keeps how far it came")
    parser.add_argument("--gb", type=float, default=4.0)
    given = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (int(given.gb * 2**30), resource.RLIM_INFINITY))
    warnings.simplefilter("ignore")
    tally = Tally(next=given.seed)
    if given.state is not None and given.state.exists():
        tally = Tally(**json.loads(given.state.read_text()))
    with tempfile.TemporaryDirectory() as name:
        for label, run in MAKE[given.what](Path(name), tally.next):
            if tally.done >= given.count:
                break
            tally.next, tally.done, tally.input = int(label.split()[-1]) + 1, tally.done + 1, label
            tally.keep(given.state)
            one(label, run, tally, SLOW_S[given.what])
    end_aside()  # so that its memory counts too
    tally.keep(given.state)
    print(
        f"{given.what}: {tally.done} run, {tally.ends} in {tally.seconds:.0f} s, longest {tally.longest_s:.1f} s"
        f" ({tally.longest}), at most {tally.most_cpu_s:.1f} s of processor, {tally.most_gb:.2f} GB"
    )


def one(label: str, run: Run, tally: Tally, slow_s: float) -> None:
    """Run one input, and print what is a fault."""
    started, worked = time.perf_counter(), time.process_time()
    try:
        tally.add(outcome_of(run))
    except Exception as error:
        tally.add("fault")
        where = traceback.extract_tb(error.__traceback__)[-1]
        print(
            f"{label}: {type(error).__name__}: {error}"[:300] + f" ({where.filename}:{where.lineno})",
            flush=True,
        )
    took, worked = time.perf_counter() - started, time.process_time() - worked
    tally.seconds += took
    tally.most_cpu_s = max(tally.most_cpu_s, worked)
    if took > tally.longest_s:
        tally.longest_s, tally.longest = took, label
    if took > slow_s:  # a busy machine is no slow program: the processor's seconds tell them apart
        tally.add("slow" if worked > slow_s else "slow by the clock alone")
        print(f"{label}: {took:.1f} s, {worked:.1f} s of processor", flush=True)


if __name__ == "__main__":
    main()
