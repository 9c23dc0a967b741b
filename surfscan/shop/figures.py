"""Everything a shop learns from its record at once, and as one table."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import quantiles
from typing import Any

from surfscan.results.proofs import list_proofs
from surfscan.results.record import open_record
from surfscan.shop.drift import Drift, drifts
from surfscan.shop.filler import FillerSum, asked_for, went_on
from surfscan.shop.passes import CheckedPass, read_passes, stories
from surfscan.shop.shares import PassCounts, Share, count_passes, first_looks, spots_back

__all__ = ["COLUMNS", "MonthU95", "ShopFigures", "as_csv", "learn", "table_rows"]

Progress = Callable[[str, float], None]

COLUMNS = ("figure", "stage", "group", "value", "low", "high", "of", "unit")
"""Of the table: which figure, of which stage, month or kind, its value with its 95 % interval, of how many."""


@dataclass(frozen=True, slots=True)
class MonthU95:
    """Half the 95 % interval of the maps of a month, typically: quartiles, mm, of so many checks."""

    month: str
    checks: int
    lower_mm: float
    median_mm: float
    upper_mm: float


@dataclass(frozen=True, slots=True)
class ShopFigures:
    """What the sum of the checks tells.

    Attributes
    ----------
    passes, panels, jobs : int
        Passes read; panels and jobs among those that have a job number.
    without_job : int
        Passes without a job number: they are in drift and uncertainty, and in nothing that needs a panel's story.
    first, last : str
        Days of the first and the last pass; "" without any.
    first_looks : tuple of Share
    counts : tuple of PassCounts
    asked_for, went_on : tuple of FillerSum
        `went_on` is empty unless passes were compared.
    compared : bool
        Whether they were.
    not_compared : int
        Pairs of passes that could not be.
    back : tuple of Share
    drifts : tuple of Drift
    u95 : tuple of MonthU95
    """

    passes: int
    panels: int
    jobs: int
    without_job: int
    first: str
    last: str
    first_looks: tuple[Share, ...]
    counts: tuple[PassCounts, ...]
    asked_for: tuple[FillerSum, ...]
    went_on: tuple[FillerSum, ...]
    compared: bool
    not_compared: int
    back: tuple[Share, ...]
    drifts: tuple[Drift, ...]
    u95: tuple[MonthU95, ...]


def learn(
    where: str, *, since: str = "", until: str = "", compare: bool = False, progress: Progress | None = None
) -> ShopFigures:
    """Work the figures out from a record; nothing of them is kept, so what is forgotten is gone from them too.

    Parameters
    ----------
    where : str
        The record: a file, or an SQLAlchemy URL.
    since, until : str
        Months, such as 2026-03, both counted in; "" for no bound.
    compare : bool
        Compare passes for the filler that went on, a second or so a pair the first time.
    progress : callable, optional

    Returns
    -------
    ShopFigures

    Raises
    ------
    RefusedError
        When the record can't be used.
    """
    with open_record(where) as record:
        passes = read_passes(record, since=since, until=until)
        told = list(stories(passes))
        on, failed = went_on(record, where, told, progress=progress) if compare else ([], 0)
    proofs = [
        one
        for one in list_proofs(where)
        if (not since or one.proved[:7] >= since) and (not until or one.proved[:7] <= until)
    ]
    return ShopFigures(
        passes=len(passes),
        panels=len(told),
        jobs=len({story[0].job for story in told}),
        without_job=sum(not one.job for one in passes),
        first=passes[0].when[:10] if passes else "",
        last=passes[-1].when[:10] if passes else "",
        first_looks=tuple(first_looks(told)),
        counts=tuple(count_passes(told)),
        asked_for=tuple(asked_for(told)),
        went_on=tuple(on),
        compared=compare,
        not_compared=failed,
        back=tuple(spots_back(told)),
        drifts=tuple(drifts(proofs, passes)),
        u95=tuple(_u95_by_month(passes)),
    )


def _u95_by_month(passes: Sequence[CheckedPass]) -> list[MonthU95]:
    found = []
    known = [one for one in passes if math.isfinite(one.typical_u95_mm)]
    for month in sorted({one.month for one in known}):
        values = [one.typical_u95_mm for one in known if one.month == month]
        lower, middle, upper = quantiles(values, n=4, method="inclusive") if len(values) > 1 else values * 3
        found.append(MonthU95(month, len(values), lower, middle, upper))
    return found


def table_rows(figures: ShopFigures) -> list[dict[str, Any]]:
    """All figures as rows of `COLUMNS`; None where there is no such thing."""

    def row(figure: str, value: float, unit: str, **more: Any) -> dict[str, Any]:
        empty: dict[str, Any] = dict.fromkeys(COLUMNS)
        return empty | {"figure": figure, "value": value, "unit": unit} | more

    def shares(figure: str, found: Sequence[Share]) -> list[dict[str, Any]]:
        return [
            row(
                figure,
                s.share,
                "share",
                stage=s.stage,
                group=s.group or "all",
                low=s.low,
                high=s.high,
                of=s.of,
            )
            for s in found
        ]

    rows = shares("ready at first look", figures.first_looks)
    for counts in figures.counts:
        rows += [
            row("panels ready after so many passes", n, "panels", stage=counts.stage, group=str(k))
            for k, n in counts.ready
        ]
        rows.append(row("panels not ready yet", counts.open, "panels", stage=counts.stage))
    for figure, sums in (("filler asked for", figures.asked_for), ("filler that went on", figures.went_on)):
        rows += [
            row(
                figure,
                s.total_ml,
                "ml",
                group=s.month or "all",
                of=s.panels,
                **_interval(s.total_ml, s.u95_ml),
            )
            for s in sums
        ]
    rows += shares("spots back at the next pass", figures.back)
    for drift in figures.drifts:
        unit = "ratio" if drift.of == "proof" else "mrad"
        rows += [
            row(
                f"{drift.of} of a station", v, unit, group=f"{drift.station or '-'} {when}", **_interval(v, u)
            )
            for when, v, u in zip(drift.when, drift.values, drift.u95, strict=True)
        ]
        limits = {"low": drift.low, "high": drift.high, "of": drift.base}
        rows.append(
            row(f"{drift.of} of a station, limits", drift.centre, unit, group=drift.station or "-", **limits)
        )
    rows += [
        row(
            "typical uncertainty (quartiles)",
            m.median_mm,
            "mm",
            group=m.month,
            low=m.lower_mm,
            high=m.upper_mm,
            of=m.checks,
        )
        for m in figures.u95
    ]
    return [{key: _plain(value) for key, value in one.items()} for one in rows]


def as_csv(figures: ShopFigures) -> str:
    """The table as CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows(table_rows(figures))
    return out.getvalue()


def _interval(value: float, u95: float) -> dict[str, float]:
    return {"low": value - u95, "high": value + u95} if math.isfinite(u95) else {}


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
