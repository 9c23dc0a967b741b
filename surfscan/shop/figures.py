"""Everything a shop learns from its record at once."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import quantiles

from surfscan.results.proofs import list_proofs
from surfscan.shop.drift import Drift, drifts
from surfscan.shop.filler import FillerSum, asked_for, went_on
from surfscan.shop.passes import CheckedPass, read_passes, stories
from surfscan.shop.shares import PassCounts, Share, count_passes, first_looks, spots_back

__all__ = ["MonthU95", "ShopFigures", "learn"]

Progress = Callable[[str, float], None]


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
    passes = read_passes(where, since=since, until=until)
    told = list(stories(passes))
    on, failed = went_on(where, told, progress=progress) if compare else ([], 0)
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
