"""What is found on made plates, fault by fault, kept beside each plate: for training the names and for the study."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from fault_panels import (
    PLATE,
    Kind,
    as_crossed,
    as_crossed_twice,
    drawn_marks,
    made_faults,
    made_scene,
    nearest,
    take_panel,
)

from surfscan.checking.faults import traces_of
from surfscan.checking.pipeline import read_job
from surfscan.core.flags import bit
from surfscan.faults.describe import describe
from surfscan.faults.detect import find_candidates
from surfscan.faults.dust import tells_apart
from surfscan.faults.leftover import leftovers_of
from surfscan.job.sheet import load_sheet

HOW = (Kind(), Kind(), Kind(square=False), Kind(roughness_rad=0.002))
"""Plates in turn: gloss twice, smooth stripes, satin."""

NOISY_FROM, NOISY = 101, Kind(full_well_e=1200)
"""Plates from this seed on: gloss at a seventh of the light."""


WAYS = {"pair": ("p", None), "crossed": ("x", as_crossed), "crossed_twice": ("xx", as_crossed_twice)}
"""Photos of a plate: two of stripes, one of crossed ones, two of crossed ones."""


def plate(seed: int, folder: Path, *, how: str = "pair") -> Path:
    """A made plate with its photos."""
    kind = NOISY if seed >= NOISY_FROM else HOW[seed % len(HOW)]
    scene = made_scene(seed, PLATE, drawn_marks(seed), how=kind)
    start, changed = WAYS[how]
    return take_panel(folder / f"{start}{seed}", changed(scene) if changed else scene, seed, how=kind)


def rows_of(job: Path) -> dict[str, Any]:
    """Made faults with whether each was found, and found ones with their features and the made one that they are."""
    kept = job / "rows.json"
    if kept.exists():
        return dict(json.loads(kept.read_text()))
    _, taken = read_job(load_sheet(job))
    reading = taken.reading
    judged = (reading.flags & (bit("outside") | bit("tag") | bit("left_out") | bit("fold"))) == 0
    shown = {"grid": reading.grid, "height_mm": reading.height_mm}
    traces = traces_of(taken)
    leftovers = leftovers_of(traces, judged=judged, period_mm=[one.spacing_mm for one in traces], **shown)
    found = find_candidates(leftovers, **shown)
    made = made_faults(job)
    rows, dusty = [], 0
    for one in found.candidates:
        looks = describe(one, found, leftovers)
        if looks.like_dust and not tells_apart(leftovers, found.panel, one.x_mm, one.y_mm):
            dusty += 1  # told as that, not as a fault
            continue
        rows.append(
            {
                "made": nearest(one.x_mm, one.y_mm, made),
                "features": [round(float(v), 5) for v in looks.features],
                "sign": looks.sign,
                "size_px": looks.size_px,
                "score": one.score,
                "length_mm": one.length_mm,
                "width_mm": one.width_mm,
            }
        )
    hit = {row["made"] for row in rows}
    noisy = [float(np.median((lo.noise / lo.strength)[lo.clear][::17])) for lo in leftovers]
    result = {
        "pitch_mm": found.panel.pitch_mm,
        "noise": max(noisy),
        "specks": len(found.specks),
        "like_dust": dusty,
        "made": [
            {**one, "found": k in hit, "size_px": one["length_mm"] / found.panel.pitch_mm}
            for k, one in enumerate(made)
        ],
        "found": rows,
    }
    kept.write_text(json.dumps(result))
    return result


def main() -> None:
    """Plates of some seeds: FOLDER [crossed|crossed_twice] SEED..."""
    folder = Path(sys.argv[1])
    how = sys.argv[2] if sys.argv[2] in WAYS else "pair"
    for seed in (int(word) for word in sys.argv[2:] if word not in WAYS):
        rows = rows_of(plate(seed, folder, how=how))
        hit = sum(one["found"] for one in rows["made"])
        print(
            f"p{seed}: {hit} of {len(rows['made'])} found, {sum(r['made'] < 0 for r in rows['found'])} false",
            flush=True,
        )


if __name__ == "__main__":
    main()
