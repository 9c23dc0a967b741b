"""A day of 1,000,000 panels, simulated from times measured here. Not collected by pytest.

    python tests/bench/study_day.py measure DIR     what a check costs: processor, memory, bytes; a pass in a record
    python tests/bench/study_day.py day DIR [--panels 1000000]

The day: arrivals by the hour as shops work, jobs of the measured kinds in equal shares, a queue, W workers of one core.
A worker machine is lost now and then (its job is done again once the scheduler has noticed, 30 s), one job in 10,000
hangs until its 600 s are over, one in 100 is refused. Assumed, not measured: the object store's 50 ms a request and
50 MB/s a worker, a loss each 24 h of a worker, and a price of 0.04 a core hour.
"""

from __future__ import annotations

import argparse
import heapq
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
KINDS = ("flat", "crown", "deep", "crossed", "lamp")
ENVIRONMENT = {
    **os.environ,
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "OPENCV_FOR_THREADS_NUM": "1",
}
REQUEST_S, RATE_MB, LOST_EACH_H, PRICE, NOTICED_S, HANGS_S = 0.05, 50.0, 24.0, 0.04, 30.0, 600.0
HOURS = np.array([1, 1, 1, 1, 1, 1, 3, 8, 12, 13, 13, 12, 10, 13, 13, 11, 8, 5, 3, 2, 2, 1, 1, 1], float)


def bytes_of(folder: Path, *names: str) -> int:
    return sum(
        one.stat().st_size for one in folder.iterdir() if one.is_file() and (not names or one.name in names)
    )


def one_check(job: Path, out: Path) -> dict[str, float]:
    """Processor seconds without the start of the program (a keeper has that done), memory, bytes."""
    code = (
        "import resource, sys\nfrom surfscan.fleet.work import check_into\n"
        "u = lambda: sum(resource.getrusage(resource.RUSAGE_SELF)[:2])\nbegan = u()\n"
        "check_into(sys.argv[1], sys.argv[2], {}, progress=lambda *_: None)\n"
        "peak = next(line for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print(u() - began, int(peak.split()[1]) / 1000)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(job), str(out)],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    seconds, memory = map(float, done.stdout.split())
    photos = [p.name for p in job.iterdir() if p.suffix in (".jpg", ".toml")]
    return {
        "cpu_s": seconds,
        "memory_mb": memory,
        "in_mb": bytes_of(job, *photos) / 1e6,
        "out_mb": bytes_of(out) / 1e6,
        "map_mb": bytes_of(out, "height.npz") / 1e6,
    }


def measure(folder: Path) -> None:
    from surfscan.results.record import open_record

    costs: dict[str, Any] = {}
    jobs = {name: ROOT / "fixtures" / "jobs" / name for name in KINDS}
    large = Path(tempfile.gettempdir()) / "surfscan-bench-12mp" / "grey"
    if not (large / "truth.json").is_file():
        sys.path.insert(0, str(Path(__file__).parent))
        from bench_check import make_pair

        make_pair(large, colour=False)
    jobs["12 megapixels"] = large
    for name, job in jobs.items():
        out = folder / "costs" / name
        costs[name] = one_check(job, out)
        with tempfile.TemporaryDirectory() as made, open_record(Path(made) / "r.db") as record:
            record.add(out)
            began = time.perf_counter()
            for _ in range(3):
                record.add(out)
            costs[name]["record_s"] = (time.perf_counter() - began) / 3
            costs[name]["record_mb"] = sum(p.stat().st_size for p in Path(made).iterdir()) / 4e6
        print(name, {key: round(value, 2) for key, value in costs[name].items()}, flush=True)
    (folder / "costs.json").write_text(json.dumps(costs, indent=1))


def day(folder: Path, panels: int) -> None:
    costs = json.loads((folder / "costs.json").read_text())
    rng = np.random.default_rng(1)
    share = HOURS / HOURS.sum()
    hour = rng.choice(24, panels, p=share)
    arrivals = np.sort((hour + rng.random(panels)) * 3600.0)
    names = list(costs)
    kind = rng.integers(len(names), size=panels)
    cpu = np.array([costs[name]["cpu_s"] for name in names])[kind] * rng.lognormal(0, 0.15, panels)
    moved = np.array([costs[name]["in_mb"] + costs[name]["out_mb"] for name in names])[kind]
    files = 3 + 8
    store = files * REQUEST_S + moved / RATE_MB
    service = cpu + store
    refused, hangs = rng.random(panels) < 0.01, rng.random(panels) < 1e-4
    service[refused] = 0.1 + 3 * REQUEST_S
    service[hangs] = HANGS_S
    mean = float(service.mean())
    peak = panels * share.max() / 3600
    millions = panels / 1e6
    total = {
        key: statistics.mean(costs[n][key] for n in names) * millions for key in ("in_mb", "out_mb", "map_mb")
    }
    print(f"a job holds a worker {mean:.1f} s ({cpu.mean():.1f} s processor), peak {peak:.1f} jobs a second")
    print(f"in {total['in_mb']:.2f} TB, out {total['out_mb']:.2f} TB (maps {total['map_mb']:.2f} TB)")
    print(f"{files * millions:.0f} million requests to the store")
    record = statistics.mean(costs[n]["record_s"] for n in names)
    size = statistics.mean(costs[n]["record_mb"] for n in names)
    print(
        f"record: {1 / record:.0f} passes a second by one writer, needed {peak:.1f} at the peak; "
        f"{size * panels / 1e6:.2f} TB a day, {peak * size:.0f} MB/s at the peak"
    )
    for share_of_peak in (0.7, 0.85, 0.95, 1.05, 1.3):
        workers = int(peak * mean * share_of_peak)
        told = run(arrivals, service, hangs, workers, rng)
        hours = workers * 24
        print(
            f"{workers:6} workers ({share_of_peak:.2f} of the peak's need): wait median {told['median']:.1f} s, "
            f"99 % {told['p99']:.0f} s, most {told['most']:.0f} s; busy {told['busy']:.2f} of the day, "
            f"{told['again']} done again; {hours * PRICE:.0f} a day, "
            f"{told['used_h'] * PRICE:.0f} where only used hours count"
        )


def run(arrivals: Any, service: Any, hangs: Any, workers: int, rng: Any) -> dict[str, float]:
    """First come, first served; a lost machine's job goes to the head of the line when that is noticed."""
    free = [0.0] * workers
    heapq.heapify(free)
    lost_rate = 1 / (LOST_EACH_H * 3600)
    lost = rng.random(arrivals.size) < 1 - np.exp(-service * lost_rate)
    at = rng.random(arrivals.size)
    waits = np.empty(arrivals.size)
    used, again = 0.0, 0
    for k in range(arrivals.size):
        begin = max(arrivals[k], heapq.heappop(free))
        waits[k] = begin - arrivals[k]
        took = service[k]
        if lost[k]:  # part of it, then noticed, then all of it; a new machine stands in meanwhile
            took = at[k] * service[k] + NOTICED_S + service[k]
            again += 1
        used += took
        heapq.heappush(free, begin + took)
    return {
        "median": float(np.median(waits)),
        "p99": float(np.percentile(waits, 99)),
        "most": float(waits.max()),
        "busy": used / (workers * 86400),
        "used_h": used / 3600,
        "again": again,
    }


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("what", choices=["measure", "day"])
    given.add_argument("folder", type=Path)
    given.add_argument("--panels", type=int, default=1_000_000)
    options = given.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    if options.what == "measure":
        shutil.rmtree(options.folder / "costs", ignore_errors=True)
        measure(options.folder)
    else:
        day(options.folder, options.panels)


if __name__ == "__main__":
    main()
