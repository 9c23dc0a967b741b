"""Panels, lights and sheets drawn at random and never looked at singly: never wrong, and do the intervals hold?

    python tests/bench/study_unseen.py --own 3000 --independent 300 --rows FILE [--first N] [--light stripes]
    python tests/bench/study_unseen.py --rows FILE --report

Each job is a panel of its own (`unseen_jobs.py`), photographed by the project's ray caster (512 x 384 pixels; dots
768 x 576) or by Mitsuba (1000 x 750), with a sheet as people fill it in. One line of JSON per job is added to the
file; jobs that it holds are not done again, so a study may be stopped and gone on with. `--report` prints what the file
holds, by family, every share with its Clopper-Pearson interval. `--keep DIR` keeps the photos, and uses those that
are there.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from unseen_jobs import Case, draw_case, independent_photos, own_photos, user_sheet
from unseen_report import report

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.judge.decide import guard_factor

FAR = 999.0
"""A distance to what is not there."""


def grade(case: Case, result: CheckResult) -> dict[str, Any]:
    """Each spot against the truth; missed and invented ones; a wrong "ready"."""
    grid, shape = result.height.grid, case.deviation()
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    truth = shape.height(x, y)
    seen = np.isfinite(result.height.height_mm)
    periods = result.run["settings"]["reflected_period_mm"]
    period = float(np.max(periods)) if periods else case.size[0] / 20  # a lamp has none
    limit = result.limits["low_mm"]
    rows: list[dict[str, Any]] = []
    used: set[int] = set()
    over = False
    for made in sorted(case.spots, key=lambda s: -abs(s.depth_mm)):
        sign = float(np.sign(made.depth_mm))
        near = np.hypot(x - made.x_mm, y - made.y_mm) < max(0.2 * made.width_mm, 6)
        if not near.any() or not seen[near].all():
            continue
        fine = np.linspace(-1, 1, 41) * max(0.2 * made.width_mm, 6)
        around = shape.height(*np.meshgrid(made.x_mm + fine, made.y_mm + fine))
        peak = float(sign * (sign * around).max())
        sigma = float(np.median(result.height.sigma_mm[near]))
        over |= abs(peak) > limit + guard_factor(result.limits["confidence"]) * sigma
        row = {"true": peak, "limit": limit, "sigma": sigma, **_place(case, made, period)}
        hits = [
            (float(np.hypot(s.x_mm - made.x_mm, s.y_mm - made.y_mm)), k)
            for k, s in enumerate(result.spots)
            if k not in used and (s.kind == "low") == (sign < 0)
        ]
        hits = [hit for hit in hits if hit[0] < max(15.0, 0.4 * made.length_mm)]
        if hits:
            k = min(hits)[1]
            used.add(k)
            row |= _read(result, k, peak)
        rows.append(row)
    invented = []
    for k, spot in enumerate(result.spots):
        sign = -1 if spot.kind == "low" else 1
        near = np.hypot(x - spot.x_mm, y - spot.y_mm) < 12
        if k not in used and not (sign * truth[near]).max() >= 0.7 * limit:
            invented.append(
                {
                    "peak": spot.peak_mm,
                    "u95": spot.u95_mm,
                    "limit": limit,
                    "flags": list(spot.flags),
                    "verdict": str(spot.verdict),
                }
            )
    ready = str(result.verdict) == "ready"
    first = result.findings[0].code if result.findings else ""
    return {
        "spots": rows,
        "invented": invented,
        "verdict": str(result.verdict),
        "wrong_ready": ready and over,
        "told": first.startswith("setup-") and not ready,
        "coverage": result.coverage,
    }


def _place(case: Case, made: Any, period: float) -> dict[str, Any]:
    """Where a spot lies among other things, mm, and how wide it is."""
    others = [
        float(np.hypot(o.x_mm - made.x_mm, o.y_mm - made.y_mm)) - (o.length_mm + made.length_mm) / 2
        for o in case.spots
        if o is not made
    ]
    half = made.length_mm / 2
    rim = min(s / 2 - abs(c) for s, c in zip(case.size, (made.x_mm, made.y_mm), strict=True)) - half
    cut = FAR
    if case.cut_out:
        low, high = np.min(case.cut_out, 0), np.max(case.cut_out, 0)
        at = np.array([made.x_mm, made.y_mm])
        cut = float(np.linalg.norm(np.maximum(0, np.maximum(low - at, at - high)))) - half
    tag = min(
        float(np.hypot(made.x_mm - sx * case.corner[0], made.y_mm - sy * case.corner[1])) - half - 30
        for sx in (-1, 1)
        for sy in (-1, 1)
    )
    return {
        "width": made.width_mm,
        "length": made.length_mm,
        "periods": made.width_mm / period,
        "shape": made.shape,
        "rim": rim,
        "next": min(others, default=FAR),
        "cut": cut,
        "tag": tag,
    }


def _read(result: CheckResult, k: int, peak: float) -> dict[str, Any]:
    """How a spot was read."""
    spot = result.spots[k]
    terms = result.details["uncertainty"]["spots"][k]["terms"]
    return {
        "error": spot.peak_mm - peak,
        "u95": spot.u95_mm,
        "open": spot.peak_open,
        "flags": list(spot.flags),
        "terms": {term["source"]: term["u_mm"] for term in terms},
    }


def one_job(kind: str, seed: int, light: str = "", keep: Path | None = None) -> dict[str, Any]:
    """Draw, photograph, check and grade one job."""
    rng = np.random.default_rng([12, seed, kind == "own"])
    case = draw_case(rng, light)
    if kind != "own" and case.light == "lamp":  # the other renderer's lamps are a fixture
        case = replace(draw_case(rng, "stripes"), rough=0.0)
    facts: dict[str, Any] = {
        "kind": kind,
        "seed": seed,
        "light": case.light,
        "form": case.form,
        "twist": max(map(abs, case.twist)),
        "radius": min(case.radii),
        "sheet": case.sheet,
        "blunder": case.blundered if case.sheet != "exact" and case.light != "lamp" else "",
        "hand_held": case.hand_held,
        "rough": case.rough,
        "cut_out": bool(case.cut_out),
        "part": case.board[0] < 2000,
        "cover": sum(np.pi / 4 * s.length_mm * s.width_mm for s in case.spots)
        / (case.size[0] * case.size[1]),
    }
    made = Path(tempfile.mkdtemp()) if keep is None else keep
    folder = made / f"{kind}-{seed}"
    began = time.perf_counter()
    try:
        if not (folder / "panel.toml").exists():
            if kind == "own":
                own_photos(case, folder, rng)
            else:
                independent_photos(case, folder, seed)
        facts["render_s"] = round(time.perf_counter() - began, 2)
        sheet = user_sheet(load_sheet(folder), case, np.random.default_rng([13, seed, kind == "own"]))
        began = time.perf_counter()
        try:
            result = check_job(sheet)
        except SurfscanError as error:
            return {**facts, "refused": str(error)[:200]}
        facts["check_s"] = round(time.perf_counter() - began, 2)
        facts["fair_form"] = result.run["settings"].get("fair_form", "")
        return {**facts, **grade(case, result)}
    finally:
        if keep is None:
            shutil.rmtree(made)


def main() -> None:
    """Run the study, or go on with it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--own", type=int, default=0)
    parser.add_argument("--independent", type=int, default=0)
    parser.add_argument("--rows", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--light", default="")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--report", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rows = (
        [json.loads(line) for line in options.rows.read_text().splitlines()] if options.rows.exists() else []
    )
    done = {(row["kind"], row["seed"]) for row in rows}
    tasks = [
        (kind, options.first + k) for kind in ("own", "independent") for k in range(getattr(options, kind))
    ]
    tasks = [] if options.report else [task for task in tasks if task not in done]
    began = time.perf_counter()
    for number, (kind, seed) in enumerate(tasks, 1):
        row = one_job(kind, seed, options.light, options.keep)
        rows.append(row)
        with options.rows.open("a") as file:
            file.write(json.dumps(row) + "\n")
        if number % 10 == 0 or number == len(tasks):
            each = (time.perf_counter() - began) / number
            left = each * (len(tasks) - number) / 60
            print(f"{number}/{len(tasks)}, {each:.2f} s a job, {left:.0f} min to go", flush=True)
    if sys.stdout.isatty() or options.report:
        report(rows)


if __name__ == "__main__":
    main()
