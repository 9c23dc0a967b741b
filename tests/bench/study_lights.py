"""Every kind of light on random panels nobody has looked at, by both renderers: errors against what is allowed.

    PYTHONPATH=.:tests/renders python tests/bench/study_lights.py LIGHT... [--panels 6] [--renderer own]

LIGHT is of stripes, stepped, dots, one. Each panel has three spots of random place, size, sign and depth, every
other one a crown. Allowed: stripes max(2 um, 2 %), stepped max(0.7 um, 2 %), dots max(5 um, 5 %), one direction
15 %. Printed: each spot over half its allowance, the worst share of it, spots missed and invented, coverage of the
95 % interval.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import SurfscanError
from surfscan.core.records import Camera
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Dish, Panel
from surfscan.synth.scene import Exposure, Lighting, Scene, board_facing, corner_tags, look_at
from surfscan.synth.shape import Flat

ALLOWED = {"stripes": (0.002, 0.02), "stepped": (0.0007, 0.02), "dots": (0.005, 0.05), "one": (0.0, 0.15)}
PERIODS = (47.0, 39.0)
STEPS = 4


def draw(light: str, seed: int) -> dict[str, Any]:
    """A random panel and set-up, as plain numbers that both renderers are told."""
    rng = np.random.default_rng([seed, *light.encode()])
    fine = light == "stepped"
    w, h = (
        (rng.integers(30, 36) * 10, rng.integers(23, 27) * 10)
        if fine
        else (rng.integers(48, 64) * 10, rng.integers(36, 46) * 10)
    )
    elevation, back = rng.uniform(50, 60), rng.uniform(950, 1000) if fine else rng.uniform(1150, 1300)
    away = rng.uniform(650, 760) if fine else rng.uniform(780, 980)
    period = PERIODS[0] if fine else float(rng.integers(23, 27) if light == "dots" else rng.integers(22, 32))
    # One stripe's reflection on the panel: what the narrowest spot is told in.
    seen = period * back / (back + away)
    least = {"stripes": 62.0, "stepped": 18.0, "dots": 3.6 * seen * 1.6, "one": 80.0}[light]
    most = {"stripes": 120.0, "stepped": 50.0, "dots": 3.6 * seen * 1.6 + 50, "one": 130.0}[light]
    faults: list[tuple[float, float, float, float]] = []
    for _ in range(2000):
        if len(faults) == 3:
            break
        width = rng.uniform(least, most)
        x, y = (rng.uniform(-half + 0.62 * width, half - 0.62 * width) for half in (w / 2, h / 2))
        near_tag = abs(x) > w / 2 - 55 - width / 2 and abs(y) > h / 2 - 55 - width / 2
        if near_tag or any(np.hypot(x - a, y - b) < 0.65 * (width + c) for a, b, c, _ in faults):
            continue
        deepest = min(0.02 if fine else 0.3, 0.45e-3 * width**2 / 16)
        depth = rng.uniform(0.45 * deepest if fine else 0.06, max(deepest, 0.0085 if fine else 0.07))
        faults.append((float(x), float(y), float(width), float(rng.choice([-1, 1]) * depth)))
    return {
        "size": (int(w), int(h)),
        "focal": float(round(0.8 * (1200 if fine else 1600) * back / w, 1)),
        "elevation": elevation,
        "back": back,
        "away": away,
        "aside": rng.uniform(-40, 40),
        "period": period,
        "crown": float(rng.uniform(2500, 6000)) if seed % 2 and not fine else None,
        "faults": faults,
        "limits": (0.006, 0.006, 6.35) if fine else (0.04, 0.04, 6.35),
    }


def by_own(light: str, spec: dict[str, Any], folder: Path, seed: int) -> None:
    """Photos of the project's ray caster."""
    w, h = spec["size"]
    e = np.radians(spec["elevation"])
    pose = look_at((spec["aside"], -spec["back"] * np.cos(e), spec["back"] * np.sin(e)), (0, 0, 0), (0, 1, 0))
    shape = Flat()
    for x, y, width, peak in spec["faults"]:
        shape = shape + Dish(x, y, peak, width, profile="gaussian")
    form = Crown(spec["crown"], zero_at_mm=(w / 2 - 27, h / 2 - 27)) if spec["crown"] else Flat()
    board = board_facing(spec["away"], spec["elevation"], size_mm=(1900, 1600), period_mm=spec["period"])
    pixels = (1200, 900) if light == "stepped" else (1600, 1200)
    scene = Scene(
        panel=Panel((w, h), form, shape),
        camera=Camera(spec["focal"], ((pixels[0] - 1) / 2, (pixels[1] - 1) / 2)),
        board=board,
        tags=corner_tags((w, h)),
        shots=tuple(own_shots(light, pose)),
        image_size_px=pixels,
        albedo=0.1,
        dot_radius_mm=4.5,
        light=Lighting(board_bright=16.0, board_dark=0.1) if light == "dots" else Lighting(),
        limits_mm=dict(zip(("low_mm", "high_mm", "filler_depth_mm"), spec["limits"], strict=True)),
        stage="clear" if light == "stepped" else "primer",
    )
    write_job(scene, folder, rng=np.random.default_rng(seed), full_well_e=14000.0)


def own_shots(light: str, pose: Any) -> list[Exposure]:
    """The shots of a light, all from one place."""
    if light == "dots":
        return [Exposure("dots.jpg", pose, pattern="dots")]
    if light == "stepped":
        return [
            Exposure(
                f"{v}-{p:.0f}-{k}.jpg",
                pose,
                pattern="stepped",
                varies=v,
                period_mm=p,
                phase_deg=360.0 * k / STEPS,
            )
            for v in ("across", "up")
            for p in PERIODS
            for k in range(STEPS)
        ]
    return [
        Exposure(f"stripes-{v}.jpg", pose, varies=v)
        for v in (("across",) if light == "one" else ("across", "up"))
    ]


def by_independent(light: str, spec: dict[str, Any], folder: Path, seed: int) -> None:
    """Photos of Mitsuba, by the script that shares no code with the package."""
    import mitsuba
    import mitsuba_scenes
    import scene_table as table

    mitsuba.set_variant("llvm_ad_mono")
    fine = light == "stepped"
    one = {
        "size": spec["size"],
        "seed": seed,
        "focal": spec["focal"],
        "form": [(table.ball, {"r": spec["crown"]})] if spec["crown"] else [],
        "eyes": [table.away(spec["back"], spec["elevation"], 2.0)],
        "board": table.board_at(spec["away"], spec["elevation"], (1900, 1600), spec["period"]),
        "faults": [table.spot(table.bell, x, y, peak, width) for x, y, width, peak in spec["faults"]],
        "waves": 0.0003 if fine else 0.0008,
        "limits": spec["limits"],
        "albedo": 0.1,
    }
    if fine:
        one |= {
            "pattern": "stepped",
            "pixels": (1200, 900),
            "step": 0.5,
            "stage": "clear",
            "periods": PERIODS,
        }
        one |= {"steps": STEPS, "well": 20000}
    if light == "dots":
        one |= {"pattern": "dots", "radius": 4.5, "bright": 16.0, "dark": 0.1, "albedo": 0.08}
    table.SCENES[folder.name] = one
    mitsuba_scenes.make(folder.name, folder.parent, 32)
    if light == "one":
        text = (folder / "panel.toml").read_text()
        cut = text.index('[[photo]]\nfile = "stripes-up.jpg"')
        (folder / "panel.toml").write_text(text[:cut] + text[text.index("[limits]") :])


def score(light: str, folder: Path) -> dict[str, Any]:
    """Check a job and hold its spots against the known deviation."""
    truth = np.load(folder / "truth.npz")
    x, y = np.meshgrid(truth["x_mm"], truth["y_mm"])
    made = json.loads((folder / "truth.json").read_text())["spots"]
    result = check_job(folder)
    floor, share = ALLOWED[light]
    limit = result.limits["low_mm"]
    used: set[int] = set()
    out: dict[str, Any] = {"shares": [], "inside": [], "missed": 0, "coverage": result.coverage, "lines": []}
    for spot in made:
        near = np.hypot(x - spot["x_mm"], y - spot["y_mm"]) < 0.35 * spot["w"]
        sign = -1 if spot["kind"] == "low" else 1
        true = sign * float(np.nanmax(sign * truth["deviation_mm"][near]))
        hits = [
            (np.hypot(s.x_mm - spot["x_mm"], s.y_mm - spot["y_mm"]), s)
            for s in result.spots
            if s.kind == spot["kind"] and s.id not in used
        ]
        hits = [hit for hit in hits if hit[0] <= max(15.0, 0.4 * spot["w"])]
        if not hits:
            if abs(true) >= 1.15 * limit:
                out["missed"] += 1
                out["lines"].append(f"missed {true:+.4f} of width {spot['w']:.0f}")
            continue
        best = min(hits, key=lambda hit: hit[0])[1]
        used.add(best.id)
        error = best.peak_mm - true
        out["shares"].append(abs(error) / max(floor, share * abs(true)))
        out["inside"].append(abs(error) <= best.u95_mm)
        if out["shares"][-1] > 0.5:
            out["lines"].append(
                f"{true:+.4f} of width {spot['w']:.0f}: off {1e3 * error:+.2f} um (u95 {1e3 * best.u95_mm:.2f})"
            )
    invented = [s for s in result.spots if s.id not in used and abs(s.peak_mm) > limit]
    out["invented"] = len(invented)
    out["lines"] += [f"invented {s.peak_mm:+.4f} at {s.x_mm:.0f}, {s.y_mm:.0f}" for s in invented]
    return out


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("lights", nargs="+", choices=list(ALLOWED))
    parser.add_argument("--panels", type=int, default=6)
    parser.add_argument("--renderer", choices=("own", "independent", "both"), default="both")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    renderers = {"own": by_own, "independent": by_independent}
    with tempfile.TemporaryDirectory() as made:
        for light in options.lights:
            for name in ("own", "independent") if options.renderer == "both" else (options.renderer,):
                rows = []
                for k in range(options.panels):
                    seed = 1000 * options.seed + k
                    folder = Path(made) / f"{light}-{name}-{k}"
                    folder.mkdir()
                    renderers[name](light, draw(light, seed), folder, seed)
                    try:
                        row = score(light, folder)
                    except SurfscanError as error:
                        print(f"  {folder.name}: {error}", flush=True)
                        continue
                    rows.append(row)
                    for line in row["lines"]:
                        print(f"  {folder.name}: {line}", flush=True)
                report(light, name, rows)


def report(light: str, name: str, rows: list[dict[str, Any]]) -> None:
    """One line for a light and a renderer."""
    shares = [v for row in rows for v in row["shares"]]
    inside = [v for row in rows for v in row["inside"]]
    missed, invented = (sum(row[key] for row in rows) for key in ("missed", "invented"))
    worst, median = (max(shares), float(np.median(shares))) if shares else (np.nan, np.nan)
    least = min((row["coverage"] for row in rows), default=0.0)
    print(
        f"{light}, {name}: {len(rows)} panels, {len(shares)} spots, worst {worst:.2f} and median {median:.2f} of the"
        f" allowance, {missed} missed, {invented} invented, {sum(inside)}/{len(inside)} inside u95, least"
        f" {100 * least:.0f} % measured",
        flush=True,
    )


if __name__ == "__main__":
    main()
