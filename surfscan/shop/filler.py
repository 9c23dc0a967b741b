"""Filler: what the lows of a first look would take, and what went on between two passes, found by comparing them.

A comparison takes a second or so; it is kept in the record, in a table of its own that is no part of a pass. A pass
that is forgotten takes its comparisons with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from sqlalchemy import Column as Col
from sqlalchemy import Float, ForeignKey, Integer, MetaData, Table, Text, inspect, select
from sqlalchemy.exc import SQLAlchemyError

from surfscan.change.comparison import compare_results
from surfscan.core.errors import SurfscanError
from surfscan.core.message import Verdict
from surfscan.results.record import open_record
from surfscan.results.record_engine import open_engine, unusable, writing
from surfscan.shop.passes import CheckedPass

__all__ = ["FillerSum", "asked_for", "went_on"]

FILLED_AT = ("bare-metal", "filler", "putty")
"""Stages after which filler may have gone on."""

_metadata = MetaData()
_passes = Table(
    "surfscan_pass", _metadata, Col("id", Integer, primary_key=True)
)  # the record's own, for the key
_builds = Table(
    "surfscan_build",
    _metadata,
    Col("before", Integer, ForeignKey("surfscan_pass.id", ondelete="CASCADE"), primary_key=True),
    Col("after", Integer, ForeignKey("surfscan_pass.id", ondelete="CASCADE"), primary_key=True),
    Col("volume_ml", Float),  # NULL where they can't be compared
    Col("u95_ml", Float),
    Col("max_mm", Float),
    Col("why", Text, nullable=False),
)

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class FillerSum:
    """Filler of several panels.

    Attributes
    ----------
    month : str
        "" for all.
    panels : int
        That took some.
    total_ml, median_ml, most_mm : float
        Together, of the panel in the middle, and the thickest anywhere; NaN of none.
    u95_ml : float
        Half the 95 % interval of the total, each panel's taken as independent; NaN where none is known.
    """

    month: str
    panels: int
    total_ml: float
    median_ml: float
    most_mm: float
    u95_ml: float = math.nan


def asked_for(stories: Iterable[Sequence[CheckedPass]]) -> list[FillerSum]:
    """What the lows would take, as the first look at bare metal or filler tells, by month and in all.

    Lows that were filled less, or twice, are not in it: it is what the first look asked for.
    """
    rows: list[tuple[str, float, float, float]] = []
    for story in stories:
        first = next((p for p in story if p.stage in FILLED_AT and p.verdict != Verdict.NOT_MEASURED), None)
        if first is not None and first.fill_ml > 0:
            rows.append((first.month, first.fill_ml, first.fill_mm, math.nan))
    return _sums(rows)


def went_on(
    where: str, stories: Iterable[Sequence[CheckedPass]], *, progress: Progress | None = None
) -> tuple[list[FillerSum], int]:
    """What was added from one pass to the next after a filler stage, by month and in all.

    Parameters
    ----------
    where : str
        The record's file or address: comparisons are kept there too.
    stories : iterable of sequences of CheckedPass
    progress : callable, optional

    Returns
    -------
    list of FillerSum, and int
        How many pairs could not be compared.
    """
    pairs = [
        (before, after)
        for story in stories
        for before, after in pairwise(one for one in story if one.verdict != Verdict.NOT_MEASURED)
        if before.stage in FILLED_AT
    ]
    known = _known(where)
    rows, failed = [], 0
    for k, (before, after) in enumerate(pairs):
        if (before.id, after.id) not in known:
            if progress is not None:
                progress("comparing passes", k / len(pairs))
            known[before.id, after.id] = _compare(where, before.id, after.id)
        volume, u95, most = known[before.id, after.id]
        if volume is None:
            failed += 1
        elif volume > 0:
            rows.append((after.month, volume, most or 0.0, u95 if u95 is not None else math.nan))
    return _sums(rows), failed


_Build = tuple[float | None, float | None, float | None]


def _known(where: str) -> dict[tuple[int, int], _Build]:
    engine, name = open_engine(where)
    try:
        if not inspect(engine).has_table(_builds.name):
            return {}
        with engine.connect() as connection:
            columns = (
                _builds.c.before,
                _builds.c.after,
                _builds.c.volume_ml,
                _builds.c.u95_ml,
                _builds.c.max_mm,
            )
            return {(b, a): (v, u, m) for b, a, v, u, m in connection.execute(select(*columns))}
    except SQLAlchemyError as error:
        raise unusable(name, error) from None
    finally:
        engine.dispose()


def _compare(where: str, before: int, after: int) -> _Build:
    """Compare two passes, and keep what was found."""
    found: _Build = (None, None, None)
    why = ""
    try:
        with open_record(where) as record:
            build = compare_results(record.get(before), record.get(after)).build
        found = (build.volume_ml, _finite(build.u95_volume_ml), _finite(build.max_mm))
    except SurfscanError as error:
        why = str(error)
    engine, name = open_engine(where)
    values = dict(zip(("volume_ml", "u95_ml", "max_mm"), found, strict=True))
    try:
        with writing(engine) as connection:
            _builds.create(connection, checkfirst=True)
            same = select(_builds.c.before).where(_builds.c.before == before, _builds.c.after == after)
            if connection.execute(same).first() is None:
                connection.execute(_builds.insert().values(before=before, after=after, why=why, **values))
    except SQLAlchemyError as error:
        raise unusable(name, error) from None
    finally:
        engine.dispose()
    return found


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _sums(rows: Sequence[tuple[str, float, float, float]]) -> list[FillerSum]:
    """By month, and in all first."""
    found = []
    for month in ["", *sorted({row[0] for row in rows})]:
        here = [row for row in rows if month in ("", row[0])]
        if not here:
            continue
        u95 = math.sqrt(sum(row[3] ** 2 for row in here))
        volumes = [row[1] for row in here]
        found.append(
            FillerSum(month, len(here), sum(volumes), median(volumes), max(row[2] for row in here), u95)
        )
    return found
