"""Whether a station drifts: a Shewhart chart for what is sudden, a CUSUM chart for what is slow, by a library."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from surfscan.core.parts import wanted
from surfscan.results.proofs import Proof
from surfscan.shop.passes import CheckedPass

__all__ = ["FEWEST", "Drift", "chart", "drifts"]

FEWEST = 8
"""Fewer points than this make no chart (our choice): their own limits would be little more than chance."""

BASE = 20
"""So many first points set the limits, or the first half where there are fewer than twice as many (common practice)."""

REFERENCE, DECISION = 0.5, 5.0
"""CUSUM's reference value and decision interval in standard deviations: tuned to a shift of one; a false alarm in about
465 points (D. C. Montgomery, Introduction to Statistical Quality Control, ch. 9, table 9.3: from memory)."""


@dataclass(frozen=True, slots=True)
class Drift:
    """One station's chart.

    Attributes
    ----------
    station : str
        "" for checks at no named station.
    of : {"proof", "consistency"}
        Measured over true depth of its proofs; or, where there are too few, by how much both directions disagree, mrad,
        in the middle of each week.
    when : tuple of str
    values, u95 : tuple of float
        The points, and half their 95 % intervals (NaN where none is known).
    base : int
        So many first points set the limits.
    centre, low, high : float
        Centre and limits of the Shewhart chart of single values, three standard deviations by moving ranges.
    up, down : tuple of float
        Both cumulative sums, in standard deviations; the decision interval is `DECISION`.
    outside, drifting : tuple of int
        Points outside the limits; points where a cumulative sum is over its interval.
    """

    station: str
    of: str
    when: tuple[str, ...]
    values: tuple[float, ...]
    u95: tuple[float, ...]
    base: int
    centre: float
    low: float
    high: float
    up: tuple[float, ...]
    down: tuple[float, ...]
    outside: tuple[int, ...]
    drifting: tuple[int, ...]

    @property
    def steady(self) -> bool:
        return not self.outside and not self.drifting


def drifts(proofs: Iterable[Proof], passes: Iterable[CheckedPass]) -> list[Drift]:
    """The chart of every station with enough points, by its proofs where they are enough, else by consistency."""
    proved: dict[str, list[tuple[str, float, float]]] = {}
    for proof in sorted(proofs, key=lambda one: datetime.fromisoformat(one.proved)):
        proved.setdefault(proof.station, []).append((proof.proved, proof.ratio, proof.u95))
    checked = _by_week(passes)
    found = []
    for station in sorted({*proved, *checked}):
        kinds = (("proof", proved.get(station, [])), ("consistency", checked.get(station, [])))
        kind, rows = next(((k, r) for k, r in kinds if len(r) >= FEWEST), ("", []))
        made = chart(rows, station=station, of=kind) if rows else None
        found += [made] if made is not None else []
    return found


def _by_week(passes: Iterable[CheckedPass]) -> dict[str, list[tuple[str, float, float]]]:
    """The middle of each week's consistencies by station: single checks are many, and skewed."""
    weeks: dict[str, dict[str, list[float]]] = {}
    for one in passes:
        if math.isfinite(one.closure_mrad):
            day = datetime.fromisoformat(one.when).date()
            monday = (day - timedelta(days=day.weekday())).isoformat()
            weeks.setdefault(one.station, {}).setdefault(monday, []).append(one.closure_mrad)
    return {
        station: [(week, median(values), math.nan) for week, values in sorted(found.items())]
        for station, found in weeks.items()
    }


def chart(rows: Sequence[tuple[str, float, float]], *, station: str = "", of: str = "proof") -> Drift | None:
    """The chart of points by time.

    Parameters
    ----------
    rows : sequence of (when, value, u95)
    station, of : str

    Returns
    -------
    Drift or None
        None where there are fewer than `FEWEST`, or the first ones are all the same.
    """
    if len(rows) < FEWEST:
        return None
    shewhart = wanted("shewhart")  # late: it brings pandas
    when, values, u95 = (tuple(column) for column in zip(*rows, strict=True))
    base = min(BASE, max(FEWEST, len(values) // 2))
    fitted = shewhart.imr(list(values[:base]), rules=None)
    sigma = float(fitted.stats["sigma_within"])
    if not sigma > 0:
        return None
    single = shewhart.imr(list(values), rules=None, limits=fitted.baseline)
    centre = float(fitted.stats["i_center"])
    sums = shewhart.cusum(list(values), k=REFERENCE, h=DECISION, center=centre, sigma=sigma).table
    low, high = float(single.stats["i_lcl"]), float(single.stats["i_ucl"])
    return Drift(
        station,
        of,
        when,
        values,
        u95,
        base,
        centre,
        low,
        high,
        tuple(float(v) / sigma for v in sums["cusum_pos"]),
        tuple(-float(v) / sigma for v in sums["cusum_neg"]),
        tuple(k for k, v in enumerate(values) if not low <= v <= high),
        tuple(k for k, flagged in enumerate(sums["signal"]) if flagged),
    )
