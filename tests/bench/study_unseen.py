"""Panels drawn at random and never looked at singly: are all spots found, how well, and do the intervals hold?

    python tests/bench/study_unseen.py --own 200 --independent 60 --rows /tmp/unseen.jsonl

Each job is a panel of its own (size, crown, waves, one to six spots of any shape, camera, board, stripes, exposure),
photographed by the project's ray caster or by Mitsuba, with a sheet that is exact or drawn from the default
uncertainties. One line of JSON per job is added to the file; jobs that it holds are not done again, so a
study may be stopped and gone on with. `--report` prints what the file holds, by family, with Clopper-Pearson
intervals.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from random_maps import Spot, place_spots, spot_height
from scipy.stats import binomtest
from study_coverage import draw_sheet

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import Camera, CheckResult
from surfscan.job.sheet import load_sheet
from surfscan.reading.budget import Inputs
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Panel, Ripple
from surfscan.synth.scene import Scene, board_facing, corner_tags, look_at
from surfscan.synth.shape import Flat, Shape

LIMIT_MM = 0.04
STEP = 0.02
"""Half the step of numeric slopes, mm."""


@dataclass(frozen=True)
class Made(Shape):
    """A spot of `random_maps` as a shape of the renderer; slopes and curvatures by differences."""

    made: Spot

    def spot(self) -> dict[str, Any]:
        return {
            "kind": "low" if self.made.depth_mm < 0 else "high",
            "x_mm": self.made.x_mm,
            "y_mm": self.made.y_mm,
            "depth_mm": abs(self.made.depth_mm),
            "w": self.made.length_mm,
            "h": self.made.width_mm,
        }

    def _surface(self, x: Any, y: Any) -> Any:
        z = spot_height(self.made, x, y)
        p = (spot_height(self.made, x + STEP, y) - spot_height(self.made, x - STEP, y)) / (2 * STEP)
        q = (spot_height(self.made, x, y + STEP) - spot_height(self.made, x, y - STEP)) / (2 * STEP)
        return z, p, q

    def _curvatures(self, x: Any, y: Any) -> Any:
        h = 0.5
        (_, pe, qe), (_, pw, qw) = self._surface(x + h, y), self._surface(x - h, y)
        (_, _, qn), (_, _, qs) = self._surface(x, y + h), self._surface(x, y - h)
        return (pe - pw) / (2 * h), (qe - qw) / (2 * h), (qn - qs) / (2 * h)


@dataclass(frozen=True)
class Case:
    """One random job before it is photographed."""

    size: tuple[float, float]
    form: str
    radii: tuple[float, float]
    spots: list[Spot]
    waves: list[tuple[float, float, float, float]]
    distance: float
    elevation: float
    back: float
    period: float
    shifts: tuple[float, ...]
    board: tuple[float, float]
    hand_held: bool
    exact: bool

    def shape(self) -> Shape:
        """Spots and waves."""
        shape: Shape = Flat()
        for made in self.spots:
            shape = shape + Made(made)
        for wave in self.waves:
            shape = shape + Ripple(*wave)
        return shape


def draw_case(rng: np.random.Generator) -> Case:
    """Draw a job."""
    size = (560.0, 400.0)
    if rng.random() < 0.4:
        size = (float(rng.integers(38, 72)) * 10, float(rng.integers(30, 48)) * 10)
    form = str(rng.choice(["flat", "sphere", "barrel", "two arcs"], p=[0.35, 0.35, 0.15, 0.15]))
    r1, r2 = (float(np.exp(rng.uniform(np.log(1900), np.log(8000)))) for _ in range(2))
    radii = {"flat": (np.inf, np.inf), "sphere": (r1, r1), "barrel": (r1, np.inf), "two arcs": (r1, r2)}[form]
    spots = place_spots(rng, size)
    amplitude = rng.uniform(0, 0.0013)
    waves = [(amplitude, rng.uniform(70, 190), rng.uniform(0, 180), rng.uniform(0, 360)) for _ in range(3)]
    hand_held = bool(rng.random() < 0.5)
    # The board of most jobs lights all that a flat panel shows, of a few only a part.
    board = (2200.0, 1900.0) if form == "flat" else (3200.0, 2800.0)
    if rng.random() < 0.1:
        board = (board[0] * 0.4, board[1] * 0.6)
    return Case(
        size,
        form,
        radii,
        spots,
        waves,
        rng.uniform(750, 1050),
        rng.uniform(46, 60),
        rng.uniform(1050, 1300) * max(1.0, size[0] / 600),
        float(rng.integers(22, 36)),
        tuple(rng.uniform(-1, 1, 6)) if hand_held else (0.0,) * 6,
        board,
        hand_held,
        bool(rng.random() < 0.5),
    )


def eyes(case: Case) -> list[tuple[Any, tuple[float, float, float]]]:
    """Camera place and upward direction of both photos."""
    e = np.radians(case.elevation)
    rows = []
    for k in range(2):
        a, b, c = case.shifts[3 * k : 3 * k + 3]
        place = np.array([120 * a, -case.back * np.cos(e) + 60 * b, case.back * np.sin(e) + 60 * c])
        rows.append((place, (0.06 * b, 1.0, 0.0)))
    return rows


def own_photos(case: Case, folder: Path, rng: np.random.Generator) -> None:
    """By the project's own ray caster, 900 x 675 pixels."""
    tags = corner_tags(case.size)
    at = (case.size[0] / 2 - 27, case.size[1] / 2 - 27)
    form = Flat() if case.form == "flat" else Crown(*_crown(case), zero_at_mm=at)
    poses = tuple(look_at(place, (0, 0, 0), up) for place, up in eyes(case))
    board = board_facing(case.distance, case.elevation, size_mm=case.board, period_mm=case.period)
    camera = Camera(0.8 * 900 * case.back / case.size[0], (449.5, 337.0))
    scene = Scene(
        panel=Panel(case.size, form, case.shape()),
        camera=camera,
        board=board,
        tags=tags,
        poses=poses,
        image_size_px=(900, 675),
    )
    write_job(scene, folder, rng=rng)


def _crown(case: Case) -> tuple[float, float | None]:
    return (case.radii[0], None) if case.form == "sphere" else case.radii


def independent_photos(case: Case, folder: Path, seed: int) -> None:
    """By Mitsuba, 1000 x 750 pixels, through the script that makes the fixtures."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "renders"))
    import mitsuba as mi
    import mitsuba_scenes
    import scene_table

    mi.set_variant("scalar_rgb")  # needs no compiler on the machine
    form = []
    if case.form == "sphere":
        form = [(scene_table.ball, {"r": case.radii[0]})]
    elif case.form != "flat":
        form = [(scene_table.arcs, {"rx": case.radii[0], "ry": case.radii[1]})]

    def deviation(x: Any, y: Any, at: Any, peak: float, w: float, h: float) -> Any:
        return case.shape().surface(x, y)

    views = eyes(case)
    scene_table.SCENES["unseen"] = {
        "size": (int(case.size[0]), int(case.size[1])),
        "pixels": (1000, 750),
        "seed": seed,
        "focal": round(0.8 * 1000 * case.back / case.size[0], 1),
        "form": form,
        "eyes": [place for place, _ in views],
        "ups": [up for _, up in views],
        "board": scene_table.board_at(case.distance, case.elevation, case.board, case.period),
        "faults": [(deviation, {"at": (0, 0), "peak": 1.0, "w": 1, "h": 1})],
        "waves": 0.0,
        "step": 1.6,
    }
    mitsuba_scenes.make("unseen", folder.parent, 10)
    (folder.parent / "unseen").rename(folder)


def grade(case: Case, result: CheckResult) -> dict[str, Any]:
    """Each spot against the truth; missed and invented ones."""
    grid, shape = result.height.grid, case.shape()
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    truth = shape.height(x, y)
    seen = np.isfinite(result.height.height_mm)
    period = float(np.max(result.run["settings"]["reflected_period_mm"]))
    rows: list[dict[str, Any]] = []
    used: set[int] = set()
    order = sorted(case.spots, key=lambda s: -abs(s.depth_mm))
    for made in order:
        sign = np.sign(made.depth_mm)
        near = np.hypot(x - made.x_mm, y - made.y_mm) < max(0.2 * made.width_mm, 6)
        if not near.any() or not seen[near].all():
            continue
        fine = np.linspace(-1, 1, 41) * max(0.2 * made.width_mm, 6)
        around = shape.height(*np.meshgrid(made.x_mm + fine, made.y_mm + fine))
        peak = float(sign * (sign * around).max())
        others = [
            np.hypot(o.x_mm - made.x_mm, o.y_mm - made.y_mm) - (o.length_mm + made.length_mm) / 2
            for o in case.spots
            if o is not made
        ]
        hits = [
            (np.hypot(s.x_mm - made.x_mm, s.y_mm - made.y_mm), k)
            for k, s in enumerate(result.spots)
            if k not in used and (s.kind == "low") == (sign < 0)
        ]
        hits = [h for h in hits if h[0] < max(15.0, 0.4 * made.length_mm)]
        row: dict[str, Any] = {
            "true": peak,
            "expected": abs(peak) >= 1.15 * LIMIT_MM,
            "width": made.width_mm,
            "periods": made.width_mm / period,
            "shape": made.shape,
            "rim": min(s / 2 - abs(c) for s, c in zip(case.size, (made.x_mm, made.y_mm), strict=True))
            - made.length_mm / 2,
            "next": min(others, default=999.0),
        }
        if hits:
            k = min(hits)[1]
            used.add(k)
            spot = result.spots[k]
            terms = result.details["uncertainty"]["spots"][k]["terms"]
            row |= {
                "error": spot.peak_mm - peak,
                "u95": spot.u95_mm,
                "flags": list(spot.flags),
                "terms": {term["source"]: term["u_mm"] for term in terms},
            }
        rows.append(row)
    invented = []
    for k, spot in enumerate(result.spots):
        sign = -1 if spot.kind == "low" else 1
        near = np.hypot(x - spot.x_mm, y - spot.y_mm) < 12
        if k not in used and not (sign * truth[near]).max() >= 0.7 * LIMIT_MM:
            invented.append({"peak": spot.peak_mm, "u95": spot.u95_mm, "flags": list(spot.flags)})
    over = [r for r in rows if abs(r["true"]) > LIMIT_MM]
    wrong = result.verdict == "ready" and bool(over)
    return {"spots": rows, "invented": invented, "wrong_ready": wrong, "coverage": result.coverage}


def one_job(kind: str, seed: int) -> dict[str, Any]:
    """Draw, photograph, check and grade one job."""
    rng = np.random.default_rng([11, seed, kind == "own"])
    case = draw_case(rng)
    facts = {
        "kind": kind,
        "seed": seed,
        "form": case.form,
        "radius": min(case.radii),
        "exact": case.exact,
        "hand_held": case.hand_held,
        "cover": sum(np.pi / 4 * s.length_mm * s.width_mm for s in case.spots)
        / (case.size[0] * case.size[1]),
    }
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "job"
        began = time.perf_counter()
        if kind == "own":
            own_photos(case, folder, rng)
        else:
            independent_photos(case, folder, seed)
        facts["render_s"] = round(time.perf_counter() - began, 1)
        sheet = load_sheet(folder)
        if not case.exact:
            sheet = draw_sheet(sheet, rng, Inputs())
        try:
            result = check_job(sheet)
        except SurfscanError as error:
            return {**facts, "refused": str(error)[:200]}
        facts["fair_form"] = result.run["settings"].get("fair_form", "")
        return {**facts, **grade(case, result)}


def share(good: int, of: int) -> str:
    """A share with its Clopper-Pearson interval."""
    if not of:
        return "none"
    low, high = binomtest(good, of).proportion_ci()
    return f"{good}/{of} = {good / of:.3f} ({low:.3f} to {high:.3f})"


def report(rows: list[dict[str, Any]]) -> None:
    """Print what the study holds."""
    spots = [
        {**{k: v for k, v in job.items() if k != "spots"}, **s} for job in rows for s in job.get("spots", [])
    ]
    graded = [s for s in spots if "error" in s and abs(s["true"]) >= 0.7 * LIMIT_MM]
    missed = sum(s["expected"] and "error" not in s for s in spots)
    invented = sum(len(r.get("invented", [])) for r in rows)
    print(
        f"{len(rows)} jobs, {sum('refused' in r for r in rows)} refused, {len(spots)} spots seen whole;"
        f" missed {missed} of {sum(s['expected'] for s in spots)}, invented {invented},"
        f" wrong ready {sum(r.get('wrong_ready', False) for r in rows)}"
    )
    families: dict[str, Any] = {
        "all": lambda s: True,
        "own": lambda s: s["kind"] == "own",
        "independent": lambda s: s["kind"] != "own",
        "sheet exact": lambda s: s["exact"],
        "sheet drawn": lambda s: not s["exact"],
        "flat": lambda s: s["form"] == "flat",
        "crown": lambda s: s["form"] != "flat",
        "crown under 3 m": lambda s: s["radius"] < 3000,
        "width under 3 periods": lambda s: s["periods"] < 3,
        "width 3 to 8 periods": lambda s: 3 <= s["periods"] < 8,
        "width over 8 periods": lambda s: s["periods"] >= 8,
        "at the rim (under 15 mm)": lambda s: s["rim"] < 15,
        "touching the next": lambda s: s["next"] < 0,
        "spots cover over 30 %": lambda s: s["cover"] > 0.3,
        "hand-held": lambda s: s["hand_held"],
        "part seen": lambda s: s["coverage"] < 0.85,
        "order over 2": lambda s: not s["fair_form"].startswith("second"),
    }
    families |= {name: (lambda s, n=name: s["shape"] == n) for name in sorted({s["shape"] for s in graded})}
    for name, belongs in families.items():
        part = [s for s in graded if belongs(s)]
        if not part:
            continue
        e = np.array([s["error"] for s in part])
        u, t = np.array([s["u95"] for s in part]), np.array([s["true"] for s in part])
        near = int(np.sum(np.abs(e) <= np.maximum(0.002, 0.02 * np.abs(t))))
        far = int(np.sum(np.abs(e) > np.maximum(0.005, 0.05 * np.abs(t))))
        shrunk = int(np.sum(np.sign(e) != np.sign(t)))
        inside = share(int(np.sum(np.abs(e) <= u)), len(part))
        print(
            f"{name:26s} inside {inside:34s} worst z {np.abs(1.96 * e / u).max():4.1f}"
            f"  u95 {1e3 * np.median(u):4.1f}  close {share(near, len(part))}  far {far}"
            f"  shrunk {shrunk / len(part):.2f} (p {binomtest(shrunk, len(part)).pvalue:.3f})"
            f"  median |e| {1e3 * np.median(np.abs(e)):.2f} um"
        )


def main() -> None:
    """Run the study, or go on with it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--own", type=int, default=0)
    parser.add_argument("--independent", type=int, default=0)
    parser.add_argument("--rows", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--report", action="store_true")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    rows = (
        [json.loads(line) for line in options.rows.read_text().splitlines()] if options.rows.exists() else []
    )
    done = {(row["kind"], row["seed"]) for row in rows}
    tasks = [
        (kind, options.first + k) for kind in ("independent", "own") for k in range(getattr(options, kind))
    ]
    tasks = [task for task in tasks if task not in done]
    for number, (kind, seed) in enumerate(tasks, 1):
        began = time.perf_counter()
        row = one_job(kind, seed)
        rows.append(row)
        with options.rows.open("a") as file:
            file.write(json.dumps(row) + "\n")
        print(f"{number}/{len(tasks)} {kind} {seed}: {time.perf_counter() - began:.1f} s", flush=True)
    report(rows)


if __name__ == "__main__":
    main()
