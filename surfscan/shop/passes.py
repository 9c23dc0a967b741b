"""A record's passes as the shop's figures need them: a few numbers each, no map, no panel's or person's name shown."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from surfscan.core.message import Verdict
from surfscan.results.record import Pass
from surfscan.results.record_documents import read_documents

__all__ = ["CheckedPass", "CheckedSpot", "read_passes", "stories"]


@dataclass(frozen=True, slots=True)
class CheckedSpot:
    """What of a spot is compared from pass to pass; mm and degrees."""

    kind: str
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float
    verdict: str


@dataclass(frozen=True, slots=True)
class CheckedPass:
    """One pass.

    Attributes
    ----------
    id : int
        In the record.
    job, panel, stage, verdict : str
    when : str
        When it was checked, ISO 8601, UTC; when it was added where the result does not say.
    fill_ml, fill_mm : float
        Filler that the lows would take with the highs down first, and its greatest depth; NaN where not told.
    typical_u95_mm : float
        Half the 95 % interval of the map, typically; NaN where not told.
    closure_mrad : float
        By how much the slopes of both directions disagree: the set-up's consistency; NaN where not told.
    station : str
        "" until stations are told by the result.
    spots : tuple of CheckedSpot
    """

    id: int
    job: str
    panel: str
    stage: str
    verdict: str
    when: str
    fill_ml: float
    fill_mm: float
    typical_u95_mm: float
    closure_mrad: float
    station: str
    spots: tuple[CheckedSpot, ...]

    @property
    def month(self) -> str:
        """Such as 2026-03."""
        return self.when[:7]

    @property
    def ready(self) -> bool:
        return self.verdict == Verdict.READY


def read_passes(where: str, *, since: str = "", until: str = "") -> list[CheckedPass]:
    """The passes of a record by time.

    Parameters
    ----------
    where : str
        The record: a file, or an SQLAlchemy URL.
    since, until : str
        Months, such as 2026-03; "" for no bound. Both are counted in.

    Returns
    -------
    list of CheckedPass
        What can't be read of a pass is left out of it; a damaged pass is left out whole.
    """
    found = [
        one
        for one in (_pass_of(row, text) for row, text in read_documents(where))
        if one is not None and (not since or one.month >= since) and (not until or one.month <= until)
    ]
    return sorted(found, key=lambda one: (one.when, one.id))


def stories(passes: Iterable[CheckedPass]) -> Iterator[list[CheckedPass]]:
    """The passes of each panel of each job, in order; passes without a job number belong to no story.

    Two cars' doors are called the same: without the job's number nobody can tell whose second pass one is.
    """
    found: dict[tuple[str, str], list[CheckedPass]] = {}
    for one in passes:
        if one.job:
            found.setdefault((one.job, one.panel), []).append(one)
    yield from found.values()


def _pass_of(row: Pass, text: str) -> CheckedPass | None:
    try:
        document: dict[str, Any] = json.loads(text)
        down = _table(_table(document.get("fill")).get("highs_down_first"))
        return CheckedPass(
            id=row.id,
            job=row.job,
            panel=row.panel,
            stage=row.stage,
            verdict=row.verdict,
            when=row.started or row.added,
            fill_ml=_number(down.get("volume_ml")),
            fill_mm=_number(down.get("depth_mm")),
            typical_u95_mm=_number(_table(document.get("uncertainty")).get("typical_u95_mm")),
            closure_mrad=_number(_table(_table(document.get("run")).get("settings")).get("closure_mrad")),
            station=_station_of(document),
            spots=tuple(_spot_of(spot) for spot in document["spots"]),
        )
    except (ValueError, KeyError, TypeError, RecursionError):
        return None


def _station_of(document: dict[str, Any]) -> str:
    """The one place that knows where a result names its station; none does yet."""
    station = document.get("station")
    return str(station.get("name") or "") if isinstance(station, dict) else str(station or "")


def _spot_of(spot: dict[str, Any]) -> CheckedSpot:
    numbers = {key: _number(spot.get(key)) for key in ("length_mm", "width_mm", "angle_deg")}
    return CheckedSpot(
        kind=str(spot["kind"]),
        x_mm=float(spot["x_mm"]),
        y_mm=float(spot["y_mm"]),
        verdict=str(spot.get("verdict", "")),
        **numbers,
    )


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else math.nan
