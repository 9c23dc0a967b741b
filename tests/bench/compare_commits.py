"""Two commits on the same photos: are the numbers the same, and is a check as fast?

    python tests/bench/compare_commits.py OLD_CLONE NEW_CLONE [JOB_FOLDER ...]

Runs `surfscan check` of both clones over every job of fixtures/jobs (and the folders named), in turn, and compares
result.json and height.npz to the last bit. Words and what a later version adds are listed apart. Exit 1 on any
difference of numbers.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

# What is new on every run, or says which version ran.
PASSING = {"started", "seconds", "versions", "package", "python", "version", "surfscan"}
ROOT = Path(__file__).parents[2]


def run(clone: Path, job: Path, out: Path) -> tuple[int, float]:
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "surfscan", "check", str(job), "--out", str(out)],
        cwd=clone,
        capture_output=True,
        check=False,
    )
    return done.returncode, time.perf_counter() - began


def differences(old: Any, new: Any, place: str = "") -> tuple[list[str], list[str], list[str]]:
    """Numbers that differ, words that differ, and what only the new one has."""
    numbers: list[str] = []
    words: list[str] = []
    added: list[str] = []
    if isinstance(old, dict) and isinstance(new, dict):
        for key in old:
            if key in PASSING:
                continue
            if key not in new:
                numbers.append(f"{place}.{key} is gone")
                continue
            inner = differences(old[key], new[key], f"{place}.{key}")
            for total, part in zip((numbers, words, added), inner, strict=True):
                total += part
        added += [f"{place}.{key}" for key in new if key not in old]
    elif isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            target = words if all(isinstance(v, str) for v in [*old, *new]) else numbers
            target.append(f"{place}: {len(old)} -> {len(new)} rows")
        for k, (a, b) in enumerate(zip(old, new, strict=False)):
            for total, part in zip((numbers, words, added), differences(a, b, f"{place}[{k}]"), strict=True):
                total += part
    elif isinstance(old, str) and isinstance(new, str):
        if old != new:
            words.append(f"{place}: {old!r} -> {new!r}")
    elif old != new and not (old != old and new != new):
        numbers.append(f"{place}: {old!r} -> {new!r}")
    return numbers, words, added


def compare_maps(old: Path, new: Path) -> list[str]:
    if not old.exists() and not new.exists():
        return []
    with np.load(old) as a, np.load(new) as b:
        lost = [f"height.npz: {name} is gone" for name in a.files if name not in b.files]
        return lost + [
            f"height.npz: {name}"
            for name in a.files
            if name in b.files and not np.array_equal(a[name], b[name], equal_nan=a[name].dtype.kind == "f")
        ]


def compare_job(
    old: Path, new: Path, job: Path, times: list[float]
) -> tuple[list[str], list[str], list[str]]:
    """Check one job with both clones, in turn; adds the seconds of each to `times`."""
    with tempfile.TemporaryDirectory() as scratch:
        outs = [Path(scratch) / "old", Path(scratch) / "new"]
        codes = []
        for k, clone in enumerate((old, new)):
            code, seconds = run(clone, job, outs[k])
            codes.append(code)
            times[k] += seconds
        numbers = [] if codes[0] == codes[1] else [f"exit {codes[0]} -> {codes[1]}"]
        read = [out / "result.json" for out in outs]
        if not all(path.exists() for path in read):
            return numbers + ["only one wrote a result"] * any(path.exists() for path in read), [], []
        more, words, added = differences(*(json.loads(path.read_text()) for path in read))
        return numbers + more + compare_maps(*(out / "height.npz" for out in outs)), words, added


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("old", type=Path)
    parser.add_argument("new", type=Path)
    parser.add_argument("jobs", type=Path, nargs="*")
    parser.add_argument("--words", action="store_true", help="print sentences that differ too")
    asked = parser.parse_args()
    jobs = [*sorted((ROOT / "fixtures" / "jobs").iterdir()), *asked.jobs]
    times = [0.0, 0.0]
    wrong = 0
    for job in jobs:
        numbers, words, added = compare_job(asked.old.resolve(), asked.new.resolve(), job.resolve(), times)
        wrong += bool(numbers)
        said = "DIFFERS" if numbers else "same numbers"
        print(f"{job.name:20} {said}; {len(words)} sentences differ, {len(added)} keys added", flush=True)
        for line in numbers + (words + added if asked.words else []):
            print("    " + line[:200])
    print(f"time: new over old {times[1] / times[0]:.3f}")
    return wrong > 0


if __name__ == "__main__":
    sys.exit(main())
