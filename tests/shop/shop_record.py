"""A record of a made-up shop: panels that take one to three looks, a set-up whose consistency creeps up."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from result_folders import bump, grid, make_folder, spot

from surfscan.results.record import open_record

START = datetime(2026, 1, 5, 8, tzinfo=UTC)


def add_pass(
    record: object,
    folder: Path,
    *,
    job: str,
    panel: str,
    stage: str,
    days: float,
    low_mm: float = 0.0,
    **more: float,
) -> int:
    """One pass: a low of this depth in the middle, or fair; `fill_ml`, `closure`, `u95` as the result tells them."""
    x, y = grid(more.get("step", 40.0))
    lows = [spot(1, "low", 0, 0, -low_mm, 0.01)] if low_mm else None
    when = (START + timedelta(days=days)).isoformat(timespec="seconds")
    deviation = bump(*np.meshgrid(x, y), peak=-low_mm)
    make_folder(folder, x, y, deviation, spots=lows, stage=stage, name=panel, started=when)
    document = json.loads((folder / "result.json").read_text())
    if "fill_ml" in more:
        document["fill"] = {"highs_down_first": {"volume_ml": more["fill_ml"], "depth_mm": low_mm}}
    document["uncertainty"]["typical_u95_mm"] = more.get("u95")
    document["run"]["settings"]["closure_mrad"] = more.get("closure")
    (folder / "result.json").write_text(json.dumps(document))
    return record.add(folder, job=job)  # type: ignore[attr-defined]


def make_record(
    database: Path,
    folder: Path,
    *,
    panels: int,
    seed: int = 1,
    stages: tuple[str, ...] = ("filler", "primer"),
) -> None:
    """So many panels over half a year, each looked at in these stages one after the other until it is fair."""
    rng = np.random.default_rng(seed)
    names = ("left front door", "right quarter", "bonnet", "roof")
    with open_record(database) as record:
        for k in range(panels):
            day = 180 * k / panels
            for stage in stages:
                chance = 0.35 if stage == "filler" else 0.7
                for look in range(4):
                    fair = rng.random() < chance + 0.2 * look
                    low = 0.0 if fair else float(rng.uniform(0.2, 1.5))
                    more = {"closure": float(rng.normal(0.04, 0.004)) + 0.0001 * max(0.0, day - 120)}
                    more |= {"u95": float(rng.uniform(0.002, 0.004)), "fill_ml": 12.0 * low}
                    given = {
                        "job": str(1000 + k),
                        "panel": names[k % 4],
                        "stage": stage,
                        "days": day + 0.1 * look,
                    }
                    add_pass(record, folder, **given, low_mm=low, **more)  # type: ignore[arg-type]
                    if fair:
                        break
