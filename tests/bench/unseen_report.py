"""What a study of unseen panels found: counts and shares by family, each with its Clopper-Pearson interval."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.stats import binomtest

__all__ = ["families", "graded_spots", "report", "share"]

Row = dict[str, Any]

FAMILIES: dict[str, Callable[[Row], bool]] = {
    "all": lambda s: True,
    "own renderer": lambda s: s["kind"] == "own",
    "independent renderer": lambda s: s["kind"] != "own",
    "sheet exact": lambda s: s["sheet"] == "exact",
    "sheet as stated": lambda s: s["sheet"] == "stated" and not s["blunder"],
    "sheet as people do": lambda s: s["sheet"] == "people" and not s["blunder"],
    "sheet with a blunder": lambda s: bool(s["blunder"]),
    "flat": lambda s: s["form"] == "flat" and not s["twist"],
    "crown": lambda s: s["form"] != "flat" and not s["twist"],
    "crown under 3 m": lambda s: s["radius"] < 3000 and not s["twist"],
    "twisted": lambda s: bool(s["twist"]),
    "order over 2": lambda s: not s["fair_form"].startswith("second"),
    "width under 2 periods": lambda s: s["periods"] < 2,
    "width 2 to 3 periods": lambda s: 2 <= s["periods"] < 3,
    "width 3 to 8 periods": lambda s: 3 <= s["periods"] < 8,
    "width over 8 periods": lambda s: s["periods"] >= 8,
    "rim under 15 mm": lambda s: s["rim"] < 15,
    "tag under 15 mm": lambda s: s["tag"] < 15,
    "cut-out under 15 mm": lambda s: s["cut"] < 15,
    "touching the next": lambda s: s["next"] < 0,
    "spots cover over 30 %": lambda s: s["cover"] > 0.3,
    "hand-held": lambda s: s["hand_held"],
    "satin": lambda s: s["rough"] > 0,
    "part seen": lambda s: s["coverage"] < 0.85,
}


def families(spots: list[Row]) -> dict[str, list[Row]]:
    """The spots of each family that has any."""
    tests = dict(FAMILIES)
    for key in ("light", "shape"):
        tests |= {f"{key} {name}": _is(key, name) for name in sorted({s[key] for s in spots})}
    found = {name: [s for s in spots if belongs(s)] for name, belongs in tests.items()}
    return {name: part for name, part in found.items() if part}


def _is(key: str, name: str) -> Callable[[Row], bool]:
    return lambda s: bool(s[key] == name)


def share(good: int, of: int) -> str:
    """A share with its interval."""
    if not of:
        return "none"
    low, high = binomtest(good, of).proportion_ci()
    return f"{good}/{of} = {good / of:.3f} ({low:.3f} to {high:.3f})"


def graded_spots(jobs: list[Row]) -> list[Row]:
    """All spots that were read to the end and are over 0.7 of the limit, with the facts of their jobs."""
    spots = [
        {**{k: v for k, v in job.items() if k != "spots"}, **spot}
        for job in jobs
        for spot in job.get("spots", [])
    ]
    return [s for s in spots if "error" in s and not s["open"] and abs(s["true"]) >= 0.7 * s["limit"]]


def report(jobs: list[Row]) -> None:
    """Print what the study holds."""
    every = [{**job, **spot} for job in jobs for spot in job.get("spots", [])]
    checked = [job for job in jobs if "refused" not in job]
    expected = [s for s in every if abs(s["true"]) >= max(1.15 * s["limit"], s["limit"] + 1.645 * s["sigma"])]
    missed = [s for s in expected if "error" not in s]
    invented = [s for job in checked for s in job["invented"]]
    over = [s for s in invented if s["verdict"] == "rework"]
    print(f"{len(jobs)} jobs, {len(jobs) - len(checked)} refused; median coverage by light:")
    for light in sorted({job["light"] for job in checked}):
        part = [job["coverage"] for job in checked if job["light"] == light and not job["part"]]
        lost = sum(job["light"] == light for job in jobs) - sum(job["light"] == light for job in checked)
        print(
            f"  {light:9s} {len(part)} jobs, {lost} refused, coverage median"
            f" {np.median(part):.3f}, tenth {np.quantile(part, 0.1):.3f}"
        )
    print("wrong ready:", share(sum(job["wrong_ready"] for job in checked), len(checked)))
    print("missed:", share(len(missed), len(expected)))
    print(
        f"jobs with an invented spot: {share(sum(bool(job['invented']) for job in checked), len(checked))};"
        f" {len(invented)} spots, {len(over)} of them judged over the limit"
    )
    for name in ("", "blunder"):
        part = [job for job in checked if bool(job["blunder"]) == bool(name)]
        print(
            f"set-up told, {'with' if name else 'no'} blunder:",
            share(sum(j["told"] for j in part), len(part)),
        )
    for name, part in families(graded_spots(jobs)).items():
        _line(name, part)


def _line(name: str, part: list[Row]) -> None:
    e = np.array([s["error"] for s in part])
    u, t = np.array([s["u95"] for s in part]), np.array([s["true"] for s in part])
    small = np.array([{"stepped": 0.0007, "lamp": 0.04, "dots": 0.005}.get(s["light"], 0.002) for s in part])
    rate = np.array([{"lamp": 0.06, "one": 0.15, "dots": 0.05}.get(s["light"], 0.02) for s in part])
    close = int(np.sum(np.abs(e) <= np.maximum(small, rate * np.abs(t))))
    far = int(np.sum(np.abs(e) > 2.5 * np.maximum(small, rate * np.abs(t))))
    shrunk = int(np.sum(np.sign(e) != np.sign(t)))
    z = 1.96 * np.abs(e) / u
    print(
        f"{name:24s} inside {share(int(np.sum(np.abs(e) <= u)), len(part)):36s} z rms {np.sqrt(np.mean(z**2)):.2f}"
        f" max {z.max():4.1f}  u95 {1e3 * np.median(u):5.1f}  close {close / len(part):.3f} far {far:3d}"
        f"  shrunk {shrunk / len(part):.2f} (p {binomtest(shrunk, len(part)).pvalue:.3f})"
    )
