"""Shares with their intervals: ready at first look, spots that come back; and passes until a panel was ready."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy.stats import binomtest

from surfscan.change.matching import reaches
from surfscan.core.message import Verdict
from surfscan.core.trade_names import STAGES
from surfscan.shop.passes import CheckedPass, CheckedSpot

__all__ = ["PassCounts", "Share", "count_passes", "first_looks", "share_of", "spots_back"]

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, with Wilson's 95 % interval.

    Attributes
    ----------
    stage, group : str
        What it is a share of: a stage, and a month or a kind of spot; "" for all.
    count, of : int
    low, high : float
        Wilson's score interval (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209), by SciPy; 0 to 1 where `of` is 0.
    """

    stage: str
    group: str
    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """0 to 1; NaN of none."""
        return self.count / self.of if self.of else float("nan")


def share_of(count: int, of: int, *, stage: str = "", group: str = "") -> Share:
    """A share with its interval."""
    if not of:
        return Share(stage, group, 0, 0, 0.0, 1.0)
    interval = binomtest(count, of).proportion_ci(CONFIDENCE, method="wilson")
    return Share(stage, group, count, of, float(interval.low), float(interval.high))


def first_looks(stories: Iterable[Sequence[CheckedPass]]) -> list[Share]:
    """Share of panels that were ready at the first look of a stage, by stage and month, and for each stage in all.

    A stage's first look is its first pass; where that was not measured, nothing was seen yet and the next one counts.
    """
    looked: Counter[tuple[str, str]] = Counter()
    ready: Counter[tuple[str, str]] = Counter()
    for story in stories:
        seen: set[str] = set()
        for one in story:
            if one.stage in seen or one.verdict == Verdict.NOT_MEASURED:
                continue
            seen.add(one.stage)
            for group in (one.month, ""):
                looked[one.stage, group] += 1
                ready[one.stage, group] += one.ready
    keys = sorted(looked, key=lambda key: (_rank(key[0]), key[1]))
    return [share_of(ready[key], looked[key], stage=key[0], group=key[1]) for key in keys]


@dataclass(frozen=True, slots=True)
class PassCounts:
    """Passes that a stage took.

    Attributes
    ----------
    stage : str
    ready : tuple of (passes, panels)
        How many panels were ready after so many passes.
    open : int
        Panels that were not ready at their latest pass.
    """

    stage: str
    ready: tuple[tuple[int, int], ...]
    open: int

    @property
    def mean(self) -> float:
        """Passes per panel that came to be ready; NaN of none."""
        panels = sum(n for _, n in self.ready)
        return sum(k * n for k, n in self.ready) / panels if panels else float("nan")


def count_passes(stories: Iterable[Sequence[CheckedPass]]) -> list[PassCounts]:
    """How many passes each stage took until the panel was ready, by stage."""
    done: dict[str, Counter[int]] = {}
    still: Counter[str] = Counter()
    for story in stories:
        for stage in dict.fromkeys(one.stage for one in story):
            here = [one for one in story if one.stage == stage]
            first = next((k for k, one in enumerate(here, 1) if one.ready), None)
            if first is None:
                still[stage] += 1
            else:
                done.setdefault(stage, Counter())[first] += 1
    return [
        PassCounts(stage, tuple(sorted(done.get(stage, {}).items())), still[stage])
        for stage in sorted({*done, *still}, key=_rank)
    ]


def spots_back(stories: Iterable[Sequence[CheckedPass]]) -> list[Share]:
    """Share of spots over their limit that the panel's next pass shows again at the same place, by stage and kind.

    The stage is that of the earlier pass. A place is the same as in `surfscan compare`; panels are taken to lie in
    the frame of their tags, so a panel whose tags were laid elsewhere counts as having lost its spots.
    """
    found: Counter[tuple[str, str]] = Counter()
    back: Counter[tuple[str, str]] = Counter()
    for story in stories:
        for before, after in pairwise(story):
            if after.verdict == Verdict.NOT_MEASURED:
                continue
            for spot in before.spots:
                if spot.verdict != Verdict.REWORK:
                    continue
                found[before.stage, spot.kind] += 1
                back[before.stage, spot.kind] += any(_same(spot, other) for other in after.spots)
    keys = sorted(found, key=lambda key: (_rank(key[0]), key[1]))
    return [share_of(back[key], found[key], stage=key[0], group=key[1]) for key in keys]


def _same(spot: CheckedSpot, other: CheckedSpot) -> bool:
    return (
        other.kind == spot.kind
        and other.verdict in (Verdict.REWORK, Verdict.CLOSE)
        and reaches(spot, other.x_mm - spot.x_mm, other.y_mm - spot.y_mm)
    )


def _rank(stage: str) -> tuple[int, str]:
    return (STAGES.index(stage) if stage in STAGES else len(STAGES), stage)
