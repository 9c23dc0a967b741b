"""Small faults: how often each kind is found by its size, false calls on clean panels, and names.

    PYTHONPATH=tests/bench python tests/bench/study_small_faults.py FOLDER [--how WAY] [--clean N]

Plates and clean panels are made once in FOLDER (a plate 10 s, a clean panel 15 s on two cores; --plates N, --noisy N).
Prints the tables of FIGURES.md and writes its part of `surfscan/data/faults/found.json`, from which a check says down
to what size it looked: that for two photos of stripes, or with --how for crossed ones. Names are learned and
told by `train_names.py`. With --independent OTHER, plates that `tests/renders/fault_photos.py` has put there are told
instead: made, found, largest missed, and names of those of 8 pixels and more.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path

import numpy as np
from fault_panels import PANEL, SIZES_MM, made_scene, take_panel
from fault_rows import NOISY_FROM, WAYS, plate, rows_of
from pod import a90

from surfscan.faults.describe import Looks
from surfscan.faults.names import SURE, name_of

OUT = Path(__file__).parents[2] / "surfscan" / "data" / "faults" / "found.json"


BY_WIDTH = ("scratch", "hair")
"""Kinds whose width decides whether they are seen."""


def detection(plates: list[dict]) -> dict[str, float | None]:
    """a90/95 of each kind in photo pixels; None where it is beyond what was made."""
    found: dict[str, float | None] = {}
    print("kind       made  found   a90 px  a90/95 px")
    for kind in SIZES_MM:
        made = [one for rows in plates for one in rows["made"] if one["kind"] == kind]
        size = np.array([one["size_px"] for one in made])
        if kind in BY_WIDTH:
            size = size * np.array([one["width_mm"] / one["length_mm"] for one in made])
        hit = np.array([one["found"] for one in made])
        middle, bound = (
            max(v, float(size.min())) for v in a90(size, hit)
        )  # nothing is known of smaller ones
        known = bound <= size.max()
        found[kind] = round(bound, 2) if known else None
        print(
            f"{kind:<9} {len(made):5}  {hit.mean():.3f}  {middle:7.2f}  {bound:8.2f}{'' if known else ' beyond'}"
        )
    return found


def clean(folder: Path, many: int, *, how: str) -> None:
    """False calls of clean panels of 640 x 440 mm with a dent, waves, noise, JPEG 85 and dust on the camera."""
    calls = []
    for seed in range(2100, 2100 + many):
        start, changed = WAYS[how]
        scene = made_scene(seed, PANEL)
        job = take_panel(folder / f"{start}c{seed}", changed(scene) if changed else scene, seed)
        rows = rows_of(job)
        calls.append(len(rows["found"]))
        print(
            f"clean {seed}: {calls[-1]} false, {rows['specks']} of 8 specks, {rows['like_dust']} like dust",
            flush=True,
        )
    if calls:
        print(f"false calls of {len(calls)} clean panels: {np.mean(calls):.2f} each, {max(calls)} at most")


def independent(folder: Path) -> None:
    """Plates of the independent renderer: found, and named."""
    plates = [rows_of(job) for job in sorted(folder.glob("m*"))]
    for kind in SIZES_MM:
        made = [one for rows in plates for one in rows["made"] if one["kind"] == kind]
        missed = [one["size_px"] for one in made if not one["found"]]
        if made:
            largest = max(missed, default=0)
            print(
                f"{kind:<9} {len(made):5}  {1 - len(missed) / len(made):.3f}  largest missed {largest:.1f} px"
            )
    named = Counter()
    for rows in plates:
        for one in rows["found"]:
            true = rows["made"][one["made"]]
            if one["made"] >= 0 and true["size_px"] >= 8:
                kind, sure = name_of(Looks(np.array(one["features"]), 0, 0.0), how="pair")
                named[("right" if kind == true["kind"] else "wrong") if sure >= SURE else "unsure"] += 1
                named["likeliest right"] += kind == true["kind"]
    print(dict(named), "false", sum(one["made"] < 0 for rows in plates for one in rows["found"]))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--plates", type=int, default=64)
    parser.add_argument("--noisy", type=int, default=12)
    parser.add_argument("--clean", type=int, default=12)
    parser.add_argument("--how", choices=list(WAYS), default="pair")
    parser.add_argument("--independent", type=Path)
    given = parser.parse_args()
    if given.independent:
        independent(given.independent)
        return
    told = []
    for first, many in ((1, given.plates), (NOISY_FROM, given.noisy)):
        seeds = range(first, first + many)
        plates = [rows_of(plate(seed, given.folder, how=given.how)) for seed in seeds]
        found = detection(plates)
        noise = float(np.percentile([rows["noise"] for rows in plates], 95))
        print(f"noise over contrast: {np.median([r['noise'] for r in plates]):.4f}, 95 % under {noise:.4f}")
        wrong = sum(one["made"] < 0 for rows in plates for one in rows["found"])
        print(f"found that is no made fault: {wrong} on {len(plates)} plates")
        told.append({"noise": round(noise, 4), "a90_95_px": found})
    document = json.loads(OUT.read_text())
    document["by_noise"][given.how] = told
    OUT.write_text(json.dumps(document, indent=1) + "\n")
    clean(given.folder, given.clean, how=given.how)


if __name__ == "__main__":
    main()
