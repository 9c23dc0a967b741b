"""Broken sheets and files by the thousand; what ends neither in a result nor in a refusal in words is a fault.

    python tests/bench/study_fuzz.py sheets --count 20000 [--seed 0] [--state FILE]
    python tests/bench/study_fuzz.py files --count 5000
    python tests/bench/study_fuzz.py checks --count 200

`checks` runs `surfscan check` on small photos with those broken sheets that are still accepted. With --state a run goes
on where it was stopped, or where a decoder took the process with it: the number of the input is written before it is
read. Memory is held to --gb, so that whatever asks for more ends as a fault.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fuzz_files import broken, make_kinds
from fuzz_inputs import JOBS, fuzzed_sheet, outcome_of

from surfscan import cli
from surfscan.core.errors import SurfscanError
from surfscan.job.sheet import load_sheet

SLOW_S = {"sheets": 2.0, "files": 5.0, "checks": 30.0}
Run = Callable[[], object]


def _sheets(folder: Path, first: int, last: int) -> Iterator[tuple[str, Run]]:
    for seed in range(first, last):
        (folder / "panel.toml").write_bytes(fuzzed_sheet(seed))
        yield f"sheet {seed}", lambda: load_sheet(folder, need_photos=False)


def _files(folder: Path, first: int, last: int) -> Iterator[tuple[str, Run]]:
    kinds = make_kinds(folder)
    for seed in range(first, last):
        kind = kinds[seed % len(kinds)]
        path = folder / kind.name
        path.write_bytes(broken(kind, seed))
        yield f"{kind.name} {seed}", lambda kind=kind, path=path: kind.read(path)


def _checks(folder: Path, first: int, last: int) -> Iterator[tuple[str, Run]]:
    """Accepted sheets with the photos of the job they came from; one that names others ends early."""
    for job in JOBS.iterdir():
        for photo in job.glob("*.jpg"):
            (folder / photo.name).write_bytes(photo.read_bytes())

    def check() -> None:
        told = StringIO()
        with redirect_stderr(told), redirect_stdout(StringIO()):
            status = cli.main(["check", str(folder), "--out", str(folder / "out"), "--quiet"])
        assert status in (0, 3, 4, 10, 11), told.getvalue()

    for seed in range(first, last):
        (folder / "panel.toml").write_bytes(fuzzed_sheet(seed))
        try:
            load_sheet(folder)
        except SurfscanError:
            continue
        yield f"check {seed}", check


def main() -> None:
    """Run, and print each new fault with the number that makes it again."""
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=SLOW_S)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0, help="the first input's number")
    parser.add_argument("--state", type=Path, help="file that keeps how far it came")
    parser.add_argument("--gb", type=float, default=4.0)
    given = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (int(given.gb * 2**30), resource.RLIM_INFINITY))
    warnings.simplefilter("ignore")
    first, last = given.seed, given.seed + given.count
    if given.state is not None and given.state.exists():
        first = int(json.loads(given.state.read_text())["next"])
    ends: Counter[str] = Counter()
    began, worst = time.perf_counter(), (0.0, "")
    with tempfile.TemporaryDirectory() as name:
        make = {"sheets": _sheets, "files": _files, "checks": _checks}[given.what]
        for label, run in make(Path(name), first, last):
            if given.state is not None:
                fresh = given.state.with_suffix(".new")
                fresh.write_text(json.dumps({"next": int(label.split()[-1]) + 1, "input": label}))
                fresh.replace(given.state)  # whole, also when the process is ended here
            started = time.perf_counter()
            try:
                ends[outcome_of(run)] += 1
            except Exception as error:
                ends["fault"] += 1
                where = traceback.extract_tb(error.__traceback__)[-1]
                told = f"{type(error).__name__}: {error}"[:300]
                print(f"{label}: {told} ({where.filename}:{where.lineno})", flush=True)
            worst = max(worst, (time.perf_counter() - started, label))
            if time.perf_counter() - started > SLOW_S[given.what]:
                ends["slow"] += 1
                print(f"{label}: {time.perf_counter() - started:.1f} s", flush=True)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(
        f"{dict(ends)} in {time.perf_counter() - began:.0f} s, longest {worst[0]:.1f} s ({worst[1]}), {most:.1f} GB"
    )


if __name__ == "__main__":
    main()
