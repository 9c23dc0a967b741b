"""Many jobs under fire: throughput, random kills, ten thousand results. Not collected by pytest.

    python tests/bench/study_batch.py make  DIR [--jobs 1000]       small jobs, rendered; 50 scenes, many sheets
                                      [--whole]                     none of them with a photo cut short
    python tests/bench/study_batch.py rate  DIR [--blocks 5]        batch against single checks, in turns
                                      [--size 8] [--ways batch loaded]
    python tests/bench/study_batch.py kills DIR [--kills 200]       resumable: run it again and it goes on
                                      [--minutes M] [--gap 4 26]    stop after so long; seconds between kills
    python tests/bench/study_batch.py cluster-kills DIR [--kills N] the same with a Dask scheduler and two workers
    python tests/bench/study_batch.py starts DIR                    from the command to the first job's process
    python tests/bench/study_batch.py record DIR                    after rate: four batches at once into one record
                                                                    (SQLite, and the URL in $STUDY_POSTGRESQL)
    python tests/bench/study_batch.py verdict DIR                   what the kills left behind
    python tests/bench/study_batch.py many  DIR [--jobs 10000]      table, index in Chromium, quick jobs, memory

DIR holds jobs/ (made once), out/ (of the kills), state.json.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import psutil

SCENES, EACH = 50, 5
ENVIRONMENT = {
    **os.environ,
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "OPENCV_FOR_THREADS_NUM": "1",
}
SURFSCAN = [sys.executable, "-m", "surfscan"]


def make(folder: Path, count: int, *, whole: bool) -> None:
    """Rendered pairs of 260 x 200 pixels; a job is one of them with a limit of its own, so no two are alike.

    In four of five, one photo is cut short, so that it is refused in hundredths of a second: a check takes over one.
    """
    from surfscan.core.records import Camera
    from surfscan.synth.camera_noise import write_job
    from surfscan.synth.panels import Crown, Dish, Panel
    from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at

    size, pixels = (220.0, 170.0), (260, 200)
    for k in range(SCENES):
        scene_folder = folder / "scenes" / f"{k:02d}"
        if (scene_folder / "truth.json").is_file():
            continue
        rng = np.random.default_rng(k)
        x, y = rng.uniform(-0.2, 0.2, 2) * size
        low = Dish(float(x), float(y), -float(rng.uniform(0.01, 0.2)), 44.0, 44.0)
        scene = Scene(
            panel=Panel(size, form=Crown(3000.0, zero_at_mm=(83.0, 58.0)), deviation=low, edge_mm=30.0),
            camera=Camera(1.3 * pixels[0], ((pixels[0] - 1) / 2, (pixels[1] - 1) / 2)),
            board=board_facing(500.0, 50.0, size_mm=(900.0, 800.0), period_mm=30.0),
            tags=corner_tags(size),
            poses=(look_at((10.0, -198.0, 264.0), (0, 0, 0)), look_at((-15.0, -209.0, 253.0), (2, -2, 0))),
            image_size_px=pixels,
            supersampling=2,
            lens_blur_px=0.7,
        )
        write_job(scene, scene_folder, rng=rng)
    for k in range(count):
        job = folder / "jobs" / f"{k % SCENES:02d}" / f"panel-{k:05d}"
        if (job / "panel.toml").is_file():
            continue
        job.mkdir(parents=True, exist_ok=True)
        scene_folder = folder / "scenes" / f"{k % SCENES:02d}"
        for photo in scene_folder.glob("*.jpg"):
            data = photo.read_bytes()
            cut = not whole and k // SCENES % EACH and photo.name == "stripes-up.jpg"
            (job / photo.name).write_bytes(data[: len(data) // 2] if cut else data)
        text = (
            (scene_folder / "panel.toml")
            .read_text()
            .replace("low_mm = 0.04", f"low_mm = {0.03 + 1e-5 * k:.5f}")
        )
        (job / "panel.toml").write_text(text.replace('name = "known panel"', f'name = "panel {k}"'))


def batch(jobs: list[Path], out: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*SURFSCAN, "batch", *map(str, jobs), "--out", str(out), "--quiet", "--workers", "2", *more],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def whole_jobs(folder: Path, *, whole: bool) -> list[Path]:
    """The jobs of a folder none of whose photos is cut short: all of them where it was made `whole`."""
    jobs = sorted((folder / "jobs").glob("*/panel-*"), key=lambda job: job.name)
    return [job for job in jobs if whole or int(job.name[-5:]) // SCENES % EACH == 0]


def rate(folder: Path, blocks: int, size: int, ways: list[str], *, whole: bool) -> None:
    """Blocks of jobs in turns: one batch with two workers; pairs of loaded checks; pairs of single commands."""
    jobs = whole_jobs(folder, whole=whole)
    took: dict[str, list[float]] = {way: [] for way in ways}
    used: dict[str, list[float]] = {way: [] for way in ways}
    seen: list[float] = []
    for block in range(blocks):
        chosen = jobs[size * block : size * (block + 1)]
        for way in ways if block % 2 == 0 else ways[::-1]:
            out = folder / "rate" / f"{way}-{block}"
            shutil.rmtree(out, ignore_errors=True)
            began, before = time.monotonic(), _processor()
            if way == "batch":
                process = batch(chosen, out)
                me = psutil.Process(process.pid)
                while process.poll() is None:
                    with suppress(psutil.NoSuchProcess):
                        seen.append(me.memory_info().rss / 1e6)
                    time.sleep(0.5)
                process.communicate()
            else:
                running = [_by_hand(way, half, out) for half in (chosen[::2], chosen[1::2])]
                for one in running:
                    one.wait()
            took[way].append(time.monotonic() - began)
            used[way].append(_processor() - before)
            print(
                f"{block} {way} {took[way][-1]:.1f} s, processor {used[way][-1]:.1f} s,"
                f" load {os.getloadavg()[0]:.1f}",
                flush=True,
            )
    for way, values in took.items():
        print(
            f"{way:9} {size * blocks / sum(values):.3f} jobs a second, {size * blocks} jobs,"
            f" {sum(used[way]) / size / blocks:.2f} s of processor each"
        )
    for way in ways[1:]:
        ratios = [other / mine for mine, other in zip(took["batch"], took[way], strict=True)]
        whole_ratio = sum(took[way]) / sum(took["batch"])
        print(
            f"batch over {way}: {whole_ratio:.3f} (aim 0.95), by blocks {[round(one, 2) for one in ratios]}"
        )
    quarter = max(len(seen) // 4, 1)
    print(
        "the parent's memory by quarters, MB:",
        [round(max(seen[k * quarter : (k + 1) * quarter])) for k in range(4)],
    )


def _processor() -> float:
    """Seconds of processor of all that has been started and waited for, and of what that waited for."""
    told = resource.getrusage(resource.RUSAGE_CHILDREN)
    return told.ru_utime + told.ru_stime


def _by_hand(way: str, jobs: list[Path], out: Path) -> subprocess.Popen[Any]:
    """One of two programs side by side: `check` for each job, or one that is loaded once and checks its half."""
    if way == "commands":
        text = " ; ".join(
            f"{sys.executable} -m surfscan check {job} --out {out / job.name} --quiet >/dev/null"
            for job in jobs
        )
        return subprocess.Popen(["bash", "-c", text], env=ENVIRONMENT)
    code = (
        "import sys; from surfscan.fleet.work import check_into\n"
        "for job in sys.argv[2:]:\n"
        "    check_into(job, sys.argv[1] + job[-6:], {}, progress=lambda *_: None)"
    )
    return subprocess.Popen([sys.executable, "-c", code, str(out), *map(str, jobs)], env=ENVIRONMENT)


def marks(out: Path) -> dict[str, int]:
    return {str(one.relative_to(out)): one.stat().st_mtime_ns for one in out.glob("*/*/job.json")}


class State:
    """What has been killed, and when every finished job was finished; kept between runs of the study."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / "state.json"
        told = json.loads(self._path.read_text()) if self._path.is_file() else {}
        self.killed: dict[str, int] = told.get("killed", {})
        self.finished: dict[str, int] = told.get("finished", {})
        self.again: list[str] = told.get("again", [])

    def look(self, out: Path) -> None:
        """Whoever was finished before is still, and was not done again."""
        now = marks(out)
        self.again += [name for name, when in self.finished.items() if now.get(name) != when]
        self.finished = now

    def save(self) -> None:
        fresh = self._path.with_suffix(".new")
        fresh.write_text(json.dumps(vars(self) | {"_path": None}))
        os.replace(fresh, self._path)


def kills(folder: Path, wanted: int, minutes: float, per_kill: tuple[float, float]) -> None:
    """Kill the parent, the keeper or a job's process at random moments until so many were killed and all is done."""
    out, state, total = folder / "out", State(folder), len(list((folder / "jobs").glob("*/panel-*")))
    ends = time.monotonic() + 60 * minutes
    while time.monotonic() < ends:
        process = batch([folder / "jobs"], out)
        me = psutil.Process(process.pid)
        while process.poll() is None and sum(state.killed.values()) < wanted:
            time.sleep(random.uniform(*per_kill))
            with suppress(psutil.NoSuchProcess):
                below = me.children(recursive=True)
                victims = {
                    "parent": [me],
                    "keeper": me.children(),
                    "job": [one for one in below if one.ppid() != me.pid],
                }
                kind = random.choice([name for name, found in victims.items() if found])
                random.choice(victims[kind]).send_signal(signal.SIGKILL)
                state.killed[kind] = state.killed.get(kind, 0) + 1
            if time.monotonic() > ends and process.poll() is None:
                process.kill()
                state.killed["parent"] = state.killed.get("parent", 0) + 1
        said = process.communicate()
        state.look(out)
        state.save()
        print(
            f"{len(state.finished)} of {total} done, killed {state.killed}, done again {len(state.again)}",
            flush=True,
        )
        if process.returncode >= 0:
            print(process.returncode, *said)
            return


def starts(folder: Path, times: int = 10) -> None:
    """How long until the first job has a process of its own, with two workers."""
    jobs = sorted((folder / "jobs").glob("*/panel-*"))[:2]
    took = []
    for k in range(times):
        out = folder / "starts"
        shutil.rmtree(out, ignore_errors=True)
        began = time.monotonic()
        process = batch(jobs, out)
        me = psutil.Process(process.pid)
        while all(one.ppid() == process.pid for one in me.children(recursive=True)):
            time.sleep(0.005)
        took.append(time.monotonic() - began)
        process.kill()
        process.communicate()
        time.sleep(1.0)
        print(f"{k}: {took[-1]:.2f} s, load {os.getloadavg()[0]:.1f}", flush=True)
    print(
        f"the first job's process after {min(took):.2f} to {max(took):.2f} s, median {np.median(took):.2f} (aim 3)"
    )


def one_record(folder: Path) -> None:
    """Four batches at once add what `rate` found to one new record, each result in two of them."""
    from surfscan.results.record import open_record

    blocks = [sorted(one.glob("*/job.json")) for one in sorted((folder / "rate").glob("batch-*"))[:4]]
    home = folder / "record"
    for name, record in (
        ("SQLite", str(home / "shop.db")),
        ("PostgreSQL", os.environ.get("STUDY_POSTGRESQL", "")),
    ):
        if not record:
            continue
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir()
        sources: list[list[Path]] = [[] for _ in blocks]
        wanted = set()
        for k, block in enumerate(blocks):
            for mark in block:
                told = json.loads(mark.read_text())
                if told["heights"]:
                    wanted.add(told["job"]["panel"])
                for out in (k, (k + 1) % len(blocks)):
                    shutil.copytree(mark.parent, home / f"out-{out}" / mark.parent.name)
                    sources[out].append(Path(told["job"]["source"]))
        began = time.monotonic()
        running = [batch(jobs, home / f"out-{k}", "--record", record) for k, jobs in enumerate(sources)]
        said = [one.communicate()[1] for one in running]
        took = time.monotonic() - began
        with open_record(record) as opened:
            passes, bad = [row.panel for row in opened.history()], opened.unreadable()
        print(
            f"{name}: status {[one.returncode for one in running]}, {len(passes)} passes, each once:"
            f" {sorted(passes) == sorted(wanted)}, unreadable {list(bad)}, {took:.0f} s",
            *(text for text in said if text),
            sep="\n",
        )


def cluster_kills(folder: Path, wanted: int, minutes: float, per_kill: tuple[float, float]) -> None:
    """The same, with a scheduler and two workers of Dask: one of them, or the parent, is killed."""
    out, state = folder / "out", State(folder)
    killed, ends = 0, time.monotonic() + 60 * minutes
    address = "tcp://127.0.0.1:8799"
    run: dict[str, subprocess.Popen[Any]] = {}

    def started(name: str) -> None:
        what = (
            ["scheduler", "--port", "8799", "--no-dashboard"] if name == "scheduler" else ["worker", address]
        )
        more = [] if name == "scheduler" else ["--nthreads", "1", "--no-dashboard", "--death-timeout", "20"]
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": ENVIRONMENT}
        run[name] = subprocess.Popen([sys.executable, "-m", "dask", *what, *more], **quiet)

    try:
        while time.monotonic() < ends:
            for name in ("scheduler", "one", "two"):
                if name not in run or run[name].poll() is not None:
                    started(name)
                    time.sleep(1.0)
            process = batch([folder / "jobs"], out, "--scheduler", address)
            while process.poll() is None and killed < wanted:
                time.sleep(random.uniform(*per_kill))
                name = random.choice(["scheduler", "one", "two", "parent"])
                victim = process if name == "parent" else run[name]
                victim.send_signal(signal.SIGKILL)
                killed += 1
                kind = f"Dask {name}".replace("one", "worker").replace("two", "worker")
                state.killed[kind] = state.killed.get(kind, 0) + 1
                if name in ("one", "two"):
                    victim.wait()
                    started(name)
            said = process.communicate()
            state.look(out)
            state.save()
            print(
                len(state.finished),
                "done, killed",
                state.killed,
                "status",
                process.returncode,
                said[1][-300:],
                flush=True,
            )
            if process.returncode in (0, 1, 4, 10, 11):
                print(*said)
                return
    finally:
        for one in run.values():
            one.terminate()


def verdict(folder: Path, least: int = SCENES) -> None:
    """Every job there once, whole, and the same as a check in this process finds (one of each scene)."""
    from surfscan.checking.pipeline import check_job
    from surfscan.core.errors import NotMeasuredError
    from surfscan.report.export import document
    from surfscan.results.stored import load_result

    out, state = folder / "out", State(folder)
    jobs = sorted((folder / "jobs").glob("*/panel-*"))
    outcomes: dict[str, int] = {}
    bad, tries, waiting = [], 0, 0
    for job in jobs:
        place = out / job.relative_to(folder / "jobs")
        if not (place / "job.json").is_file():
            waiting += 1
            continue
        try:
            row = json.loads((place / "job.json").read_text())["job"]
            outcomes[row["outcome"]] = outcomes.get(row["outcome"], 0) + 1
            tries += row["tries"] - 1
            if row["outcome"] in ("refused", "not_measured"):
                if sorted(one.name for one in place.iterdir()) != ["job.json"]:
                    bad.append(f"{job.name}: more than its row")
            elif load_result(place).verdict != row["outcome"]:
                bad.append(f"{job.name}: another verdict")
        except Exception as error:
            bad.append(f"{job.name}: {error}")
    rows = sum(1 for _ in (out / "jobs.csv").open()) - 1 if (out / "jobs.csv").is_file() else 0
    print(
        f"{len(jobs)} jobs, {waiting} still to do, {outcomes}, {rows} rows, started again {tries},"
        f" bad {bad[:5]} ({len(bad)})"
    )
    print(
        f"killed {state.killed}, {sum(state.killed.values())} in all; finished and done again: {state.again}"
    )
    different = 0
    finished = [
        one
        for one in whole_jobs(folder, whole=False)
        if (out / one.relative_to(folder / "jobs") / "job.json").is_file()
    ]
    whole = finished[:least]
    for job in whole:
        try:
            mine = document(check_job(job))
        except NotMeasuredError as error:
            mine = str(error)
            theirs = json.loads((out / job.relative_to(folder / "jobs") / "job.json").read_text())["job"][
                "reason"
            ]
            different += mine != theirs
            continue
        theirs = json.loads((out / job.relative_to(folder / "jobs") / "result.json").read_text())
        mine, theirs = (
            {k: v for k, v in one.items() if k not in ("run", "maps_sha256")} for one in (mine, theirs)
        )
        different += json.dumps(mine) != json.dumps(theirs)
    print(f"{different} of {len(whole)} results differ from a check here")


def many(folder: Path, count: int) -> None:
    """A made tree of results: table and index written, opened; and as many quick (refused) jobs through one parent."""
    from surfscan.fleet.table import write_tables

    out = folder / "many"
    shutil.rmtree(out, ignore_errors=True)
    models = sorted((folder / "out").glob("*/*/job.json")) or sorted(
        (folder / "rate").glob("batch-*/*/job.json")
    )
    for k in range(count):
        place = out / f"{k % 100:02d}" / f"panel-{k:05d}"
        place.mkdir(parents=True)
        model = models[k % len(models)]
        told = json.loads(model.read_text())
        told["job"]["job"] = f"{k % 100:02d}/panel-{k:05d}"
        (place / "job.json").write_text(json.dumps(told))
        if (model.parent / "small.jpg").is_file():
            shutil.copy(model.parent / "small.jpg", place / "small.jpg")
    began = time.monotonic()
    counts = write_tables(str(out))
    print(
        f"{counts}: written in {time.monotonic() - began:.2f} s (aim 20), processor {time.process_time():.1f} s"
    )
    open_index(out / "index.html")
    quick(folder / "quick", count)


def open_index(path: Path) -> None:
    from playwright.sync_api import sync_playwright

    print(f"index of {path.stat().st_size / 1e6:.2f} MB")
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto("about:blank")
        for _ in range(3):
            began = time.monotonic()
            page.goto(path.as_uri())
            page.locator(".row .picture img").first.wait_for()
            shown = time.monotonic() - began
            began = time.monotonic()
            page.get_by_role("button", name="Farthest out").click()
            page.locator("#body .row").first.wait_for()
            sort = time.monotonic() - began
            began = time.monotonic()
            page.locator("#text").fill("panel-00042")
            page.locator("#count").filter(has_text="1 of").wait_for()
            found = time.monotonic() - began
            rows = page.locator("#body .row").count()
            print(
                f"opened in {shown:.2f} s (aim 2), sorted in {sort:.2f} s, one found in {found:.2f} s, {rows} row drawn"
            )
        phone = browser.new_page(viewport={"width": 390, "height": 844}, is_mobile=True, has_touch=True)
        phone.goto(path.as_uri())
        for column in ("worst_mm", "outcome"):
            began = time.monotonic()
            phone.locator("#by").select_option(column)
            phone.locator("#body .row").first.wait_for()
            sort = time.monotonic() - began
        first = phone.locator("#body .row .verdict").first.inner_text()
        phone.locator("#turn").click()
        last = phone.locator("#body .row .verdict").first.inner_text()
        wide = phone.evaluate("document.documentElement.scrollWidth")
        print(
            f"a phone of 390 px: page {wide} px wide, sorted in {sort:.2f} s, by verdict from {first} or from {last}"
        )
        browser.close()


def quick(folder: Path, count: int) -> None:
    """Jobs that are refused at once: what the parent itself costs, in time and in memory."""
    for k in range(count):
        job = folder / "jobs" / f"{k:05d}"
        job.mkdir(parents=True, exist_ok=True)
        (job / "panel.toml").write_text(f"[panel]\nname = 'panel {k}'\n")
    shutil.rmtree(folder / "out", ignore_errors=True)
    began = time.monotonic()
    process = batch([folder / "jobs"], folder / "out")
    me, seen = psutil.Process(process.pid), []
    while process.poll() is None:
        with suppress(psutil.NoSuchProcess):
            seen.append(me.memory_info().rss / 1e6)
        time.sleep(0.5)
    took = time.monotonic() - began
    fifth = max(len(seen) // 5, 1)
    parts = [round(max(seen[k * fifth : (k + 1) * fifth] or [0])) for k in range(5)]
    print(
        f"{count} quick jobs: {count / took:.0f} a second; the parent's memory by fifths of the run, MB: {parts}"
    )


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument(
        "what", choices=["make", "rate", "kills", "cluster-kills", "starts", "record", "verdict", "many"]
    )
    given.add_argument("folder", type=Path)
    given.add_argument("--jobs", type=int)
    given.add_argument("--kills", type=int, default=200)
    given.add_argument("--blocks", type=int, default=5)
    given.add_argument("--size", type=int, default=8)
    given.add_argument("--ways", nargs="+", default=["batch", "loaded", "commands"])
    given.add_argument("--whole", action="store_true")
    given.add_argument("--minutes", type=float, default=1e6)
    given.add_argument("--gap", type=float, nargs=2, default=(4.0, 26.0))
    options = given.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    if options.what == "make":
        make(options.folder, options.jobs or 1000, whole=options.whole)
    elif options.what == "rate":
        rate(options.folder, options.blocks, options.size, options.ways, whole=options.whole)
    elif options.what == "kills":
        kills(options.folder, options.kills, options.minutes, options.gap)
    elif options.what == "cluster-kills":
        cluster_kills(options.folder, options.kills, options.minutes, options.gap)
    elif options.what == "starts":
        starts(options.folder)
    elif options.what == "record":
        one_record(options.folder)
    elif options.what == "verdict":
        verdict(options.folder, options.jobs or SCENES)
    else:
        many(options.folder, options.jobs or 10_000)


if __name__ == "__main__":
    main()
