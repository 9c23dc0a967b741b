"""The spots of a panel in the order in which a tech does them: steps as records, with what each takes.

Metal up, highs down, filler, block, glaze, prime; what has to be looked at or wiped off, first, and a crack before
anything goes on. Spots of one step are one line, lows that lie close go into one fill, small faults of one kind are
one line, and after each step stands what to check again. An aid, never an order.
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

from surfscan.core.message import Verdict, fill_in
from surfscan.core.records import Spot
from surfscan.core.trade_names import SUBSTRATES, UNKNOWN_SUBSTRATE
from surfscan.core.units import MM, Units
from surfscan.judge.fault_words import counted, numbered
from surfscan.judge.trade_table import Row, figure, rows

__all__ = ["WorkStep", "block_for", "read_steps", "step_parts", "with_faults", "work_order"]


@dataclass(frozen=True, slots=True)
class WorkStep:
    """One step of a work order.

    Attributes
    ----------
    name : str
        As in `surfscan/data/trade/steps.toml`.
    spots : tuple of int
        Their numbers; those that go into one fill.
    substrate : str
    work : str
        In a word, for "look".
    depth_mm, volume_ml : float
        The deepest, and all together; 0 where the step fills nothing.
    block_mm : float, optional
        Length of the block to use; None where none is used.
    faults : tuple of int
        Numbers of the small faults that it does.
    kinds : dict
        How many of each kind they are.
    """

    name: str
    spots: tuple[int, ...]
    substrate: str
    work: str = ""
    depth_mm: float = 0.0
    volume_ml: float = 0.0
    block_mm: float | None = None
    faults: tuple[int, ...] = ()
    kinds: Mapping[str, int] = field(default_factory=dict)

    def row(self) -> dict[str, Any]:
        """As `result.json` lists it."""
        return {
            "step": self.name,
            "spots": list(self.spots),
            "substrate": self.substrate,
            "material": material(self.name, self.substrate),
            "block_mm": self.block_mm,
            "depth_mm": self.depth_mm,
            "volume_ml": self.volume_ml,
            "work": self.work,
            "faults": list(self.faults),
            "kinds": dict(self.kinds),
        }


def work_order(spots: Sequence[Spot], *, substrate: str) -> tuple[WorkStep, ...]:
    """Put the work on a panel in order.

    Parameters
    ----------
    spots : sequence of Spot
        With their verdicts and advice; those over their limit count.
    substrate : str
        One of ``trade_names.SUBSTRATES``.

    Returns
    -------
    tuple of WorkStep
        Empty when nothing is over a limit.
    """
    if substrate not in SUBSTRATES:
        raise ValueError(f"substrate must be one of {', '.join(SUBSTRATES)}; found {substrate!r}")
    known = rows()
    codes = {s.id: s.advice.code for s in spots}
    codes |= {s.id: codes[s.advice.numbers["spot"]] for s in spots if s.advice.code == "as-spot"}
    over = [(s, known[codes[s.id]]) for s in spots if s.verdict == Verdict.REWORK and codes[s.id] in known]
    cut = [s for s in spots if codes[s.id].startswith("open-")]
    steps: list[WorkStep] = []
    if cut:
        steps.append(
            WorkStep("look", _numbers(cut), substrate, "cut by the rim of what was seen, to be shot whole")
        )
    for name in _steps():
        steps += _steps_named(name, over, substrate)
    return tuple(steps)


def with_faults(
    steps: Sequence[WorkStep], faults: Sequence[Mapping[str, Any]], work: Mapping[str, str], substrate: str
) -> tuple[WorkStep, ...]:
    """The order with what is done about small faults, each in its place.

    Parameters
    ----------
    steps : sequence of WorkStep
    faults : sequence of mapping
        As ``details["faults"]`` lists them.
    work : mapping
        What is done about each kind.
    substrate : str
    """
    own = []
    for name, entry in _steps().items():
        here = [row for row in faults if row["kind"] in entry.get("kinds", ())]
        # one line a kind where its work is said, else one for all
        groups = dict.fromkeys(row["kind"] if "{work}" in entry["what"] else "" for row in here)
        for group in groups:
            rows = [row for row in here if group in ("", row["kind"])]
            numbers = tuple(row["id"] for row in rows)
            kinds = Counter(row["kind"] for row in rows)
            own.append(WorkStep(name, (), substrate, work.get(group, ""), faults=numbers, kinds=kinds))
    order = list(_steps())
    return tuple(sorted([*steps, *own], key=lambda step: order.index(step.name)))


def _steps_named(name: str, over: list[tuple[Spot, Row]], substrate: str) -> list[WorkStep]:
    here = [(s, row) for s, row in over if name in (row.step, row.ahead)]
    if name == "look":
        works = sorted({row.work for _, row in here})
        return [WorkStep(name, _numbers(s for s, row in here if row.work == w), substrate, w) for w in works]
    if name == "fill":
        return [_fill(list(group), substrate) for group in _together([s for s, _ in here])]
    if name == "block":
        # whatever was filled is blocked, and what stands proud in the same go
        here += [(s, row) for s, row in over if row.step == "fill"]
    if name == "prime":
        here += [(s, row) for s, row in over if row.after == "prime"]
    if not here:
        return []
    some = [s for s, _ in here]
    block = block_for(max(_bridged(s) for s in some)) if name in ("block", "glaze", "prime") else None
    depth = max(abs(s.peak_mm) for s in some)
    return [WorkStep(name, _numbers(some), substrate, depth_mm=depth, block_mm=block)]


def _fill(group: list[Spot], substrate: str) -> WorkStep:
    return WorkStep(
        "fill",
        _numbers(group),
        substrate,
        depth_mm=max(abs(s.peak_mm) for s in group),
        volume_ml=sum(s.volume_ml for s in group),
    )


def _numbers(spots: Any) -> tuple[int, ...]:
    return tuple(sorted(s.id for s in spots))


def _bridged(spot: Spot) -> float:
    """What a block has to bridge: the length along which it is drawn, less for a long and narrow one."""
    return min(spot.length_mm, 5 * spot.width_mm)


def block_for(length_mm: float) -> float | None:
    """The shortest common block that bridges a low of this length; the longest there is where none does.

    A block longer than the low is wide rides on the fair surface on both sides; a shorter one follows the low down.
    """
    lengths, longer = _data()["blocks_mm"], _data()["longer"]
    if not math.isfinite(length_mm):
        return None
    return float(next((one for one in lengths if one >= longer * length_mm), lengths[-1]))


def _together(spots: list[Spot]) -> list[list[Spot]]:
    """Groups of lows whose rims lie closer than what one spreader pull takes in."""
    within = figure("one_fill_within")
    groups: list[list[Spot]] = []
    for spot in spots:
        near = [g for g in groups if any(_gap(spot, other) <= within for other in g)]
        groups = [g for g in groups if g not in near] + [[*(s for g in near for s in g), spot]]
    return sorted(groups, key=lambda g: min(s.id for s in g))


def _gap(one: Spot, other: Spot) -> float:
    """Distance between two rims, each an ellipse of the spot's length and width; 0 or less where they meet."""
    dx, dy = other.x_mm - one.x_mm, other.y_mm - one.y_mm
    apart = math.hypot(dx, dy)
    towards = math.degrees(math.atan2(dy, dx))
    return apart - _radius(one, towards) - _radius(other, towards)


def _radius(spot: Spot, direction_deg: float) -> float:
    turn = math.radians(direction_deg - spot.angle_deg)
    a, b = spot.length_mm / 2, spot.width_mm / 2
    if not (a > 0 and b > 0):
        return 0.0
    return 1 / math.hypot(math.cos(turn) / a, math.sin(turn) / b)


def read_steps(listed: Any) -> tuple[WorkStep, ...]:
    """Steps back from ``details["work_order"]``; what this version does not know is left out."""
    steps = []
    for row in listed if isinstance(listed, list) else ():
        if isinstance(row, dict) and row.get("step") in _steps() and isinstance(row.get("spots"), list):
            steps.append(
                WorkStep(
                    row["step"],
                    tuple(int(n) for n in row["spots"]),
                    str(row.get("substrate", UNKNOWN_SUBSTRATE)),
                    str(row.get("work", "")),
                    float(row.get("depth_mm") or 0.0),
                    float(row.get("volume_ml") or 0.0),
                    row.get("block_mm"),
                    tuple(int(n) for n in row.get("faults", ())),
                    dict(row.get("kinds", {})),
                )
            )
    return tuple(steps)


def step_parts(step: WorkStep, units: Units = MM) -> dict[str, str]:
    """A step in words.

    Returns
    -------
    dict
        "what" to do, "with" material and block ("" for neither), "again": what to check after.
    """
    entry = _steps()[step.name]
    count = len(step.spots)
    numbers = {
        "faults": f"{counted(step.kinds)} ({numbered(step.faults)})",
        "spots": f"spot{'s' * (count > 1)} {', '.join(map(str, step.spots))}",
        "one": " in one" if count > 1 else "",
        "work": step.work.removeprefix("to look at: "),
        "depth_mm": step.depth_mm,
        "volume_ml": step.volume_ml,
    }
    block = "" if step.block_mm is None else f"a block of {units.length(step.block_mm)} or longer"
    with_what = " and ".join(part for part in (material(step.name, step.substrate), block) if part)
    return {"what": fill_in(entry["what"], numbers, units), "with": with_what, "again": entry["again"]}


def material(name: str, substrate: str) -> str:
    """What a step takes, by substrate; "" for nothing."""
    return str(_steps()[name].get("material", {}).get(substrate, ""))


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads((files("surfscan") / "data/trade/steps.toml").read_text(encoding="utf-8"))


@cache
def _steps() -> dict[str, dict[str, Any]]:
    return {one["name"]: one for one in _data()["step"]}
