"""The shop's figures as one table, a figure a row."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

from surfscan.shop.drift import Drift
from surfscan.shop.figures import ShopFigures
from surfscan.shop.filler import FillerSum
from surfscan.shop.shares import PassCounts, Share

__all__ = ["COLUMNS", "as_csv", "table_rows"]

COLUMNS = ("figure", "stage", "group", "value", "low", "high", "of", "unit")
"""Which figure, of which stage, month or kind, its value with its 95 % interval, of how many, in which unit."""

Row = dict[str, Any]


def table_rows(figures: ShopFigures) -> list[Row]:
    """All figures as rows of `COLUMNS`; None where there is no such thing."""
    rows = _shares("ready at first look", figures.first_looks)
    rows += [row for counts in figures.counts for row in _passes(counts)]
    rows += _filler("filler asked for", figures.asked_for)
    rows += _filler("filler that went on", figures.went_on)
    rows += _shares("spots back at the next pass", figures.back)
    rows += [row for drift in figures.drifts for row in _drift(drift)]
    for month in figures.u95:
        more = {"group": month.month, "low": month.lower_mm, "high": month.upper_mm, "of": month.checks}
        rows.append(_row("typical uncertainty (quartiles)", month.median_mm, "mm", **more))
    return [{key: _plain(value) for key, value in one.items()} for one in rows]


def as_csv(figures: ShopFigures) -> str:
    """The table as CSV."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows(table_rows(figures))
    return out.getvalue()


def _row(figure: str, value: float, unit: str, **more: Any) -> Row:
    empty: Row = dict.fromkeys(COLUMNS)
    return empty | {"figure": figure, "value": value, "unit": unit} | more


def _shares(figure: str, found: Sequence[Share]) -> list[Row]:
    return [
        _row(figure, s.share, "share", stage=s.stage, group=s.group or "all", low=s.low, high=s.high, of=s.of)
        for s in found
    ]


def _passes(counts: PassCounts) -> list[Row]:
    ready = "panels ready after so many passes"
    rows = [_row(ready, n, "panels", stage=counts.stage, group=str(k)) for k, n in counts.ready]
    return [*rows, _row("panels not ready yet", counts.open, "panels", stage=counts.stage)]


def _filler(figure: str, sums: Sequence[FillerSum]) -> list[Row]:
    return [
        _row(figure, s.total_ml, "ml", group=s.month or "all", of=s.panels, **_interval(s.total_ml, s.u95_ml))
        for s in sums
    ]


def _drift(drift: Drift) -> list[Row]:
    unit = "ratio" if drift.of == "proof" else "mrad"
    station, figure = drift.station or "-", f"{drift.of} of a station"
    rows = [
        _row(figure, value, unit, group=f"{station} {when}", **_interval(value, u95))
        for when, value, u95 in zip(drift.when, drift.values, drift.u95, strict=True)
    ]
    limits = {"low": drift.low, "high": drift.high, "of": drift.base}
    return [*rows, _row(f"{figure}, limits", drift.centre, unit, group=station, **limits)]


def _interval(value: float, u95: float) -> dict[str, float]:
    return {"low": value - u95, "high": value + u95} if math.isfinite(u95) else {}


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
