"""Everything that one check found, put together into its result."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np

from surfscan.checking.build import PhotoPlaces, Shown, build_result, uncertainty_row, versions, when
from surfscan.checking.quality import find_blocker
from surfscan.core.flags import bit, describe
from surfscan.core.message import Reason
from surfscan.core.reading import Reading
from surfscan.core.records import CheckResult, HeightMap, PhotoCheck
from surfscan.core.trade_names import UNKNOWN_SUBSTRATE
from surfscan.job.sheet import Sheet
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits
from surfscan.judge.reasons import reason
from surfscan.judge.verdict import Evidence
from surfscan.reading.budget import Budget, Inputs
from surfscan.reading.station import Station

__all__ = ["assemble", "gather"]


def assemble(
    sheet: Sheet,
    stations: list[Station],
    quality: list[list[PhotoCheck]],
    reading: Reading,
    height: HeightMap,
    judgement: Judgement,
    *,
    limits: Limits,
    budget: Budget | None,
    inputs: Inputs | None,
    started: datetime,
    began: float,
) -> CheckResult:
    # house: each parameter is one stage's own: bundling them would only move the list.
    """Put a check's result together.

    Parameters
    ----------
    sheet, stations, quality, reading, height, judgement, limits
        What the stages found.
    budget, inputs : Budget, Inputs, optional
        The uncertainty budget, where one was worked out.
    started : datetime
    began : float
        ``time.perf_counter()`` at the start.

    Returns
    -------
    CheckResult
    """
    first = stations[0]
    return build_result(
        judgement,
        gather(judgement.evidence, height, quality, _of_photos(stations, quality)),
        panel=_panel(sheet),
        limits=limits,
        height=height,
        shown=Shown(
            first.photo.image,
            PhotoPlaces(first.camera, first.fit.pose, reading.base),
            tuple(_photo_row(s, c) for s, c in zip(stations, quality, strict=True)),
        ),
        run=_run(height, reading, started, began),
        details={
            "setup": _setup(sheet),
            "uncertainty": uncertainty_row(
                height,
                judgement.spots,
                inputs={} if inputs is None else {k: getattr(inputs, k) for k in inputs.__dataclass_fields__},
                terms=lambda row, column: None if budget is None else budget.at(row, column),
            ),
        },
    )


def gather(
    evidence: Evidence, height: HeightMap, quality: list[list[PhotoCheck]], doubts: list[Reason]
) -> Evidence:
    """The map's evidence with what the photos add: what kept parts from being seen, folds, doubts."""
    folded = None
    if np.any(height.flags & bit("fold")):
        flag = describe("fold")
        folded = (flag.sentence, flag.cure)
    return replace(
        evidence,
        unseen=find_blocker(height.flags, quality),
        folded=folded,
        doubts=(*evidence.doubts, *doubts),
    )


def _of_photos(stations: list[Station], quality: list[list[PhotoCheck]]) -> list[Reason]:
    """What is wrong with photos; it widens the uncertainty or the gaps where it matters, so it is told and no more."""
    return [
        reason(
            "photo-poor",
            about=station.photo.file,
            file=station.photo.file,
            check=check.name,
            value=check.value,
            threshold=check.threshold,
            unit=check.unit,
            sentence=check.sentence,
            cure=check.cure,
        )
        for station, checks in zip(stations, quality, strict=True)
        for check in checks
        if not check.good
    ]


def _panel(sheet: Sheet) -> dict[str, Any]:
    row: dict[str, Any] = {
        "name": sheet.panel.name,
        "stage": sheet.panel.stage,
        "size_mm": list(sheet.panel.extent_mm),
    }
    if sheet.panel.substrate != UNKNOWN_SUBSTRATE:
        row["substrate"] = sheet.panel.substrate
    if sheet.panel.film_mm is not None:
        row["film_mm"] = sheet.panel.film_mm
    if sheet.panel.origin_mm is not None:  # a view of a larger panel: what joining needs
        row["origin_mm"] = list(sheet.panel.origin_mm)
        if sheet.tags is not None:
            row["tags_mm"] = {str(tag): list(at) for tag, at in sheet.tags.centres_mm.items()}
    return row


def _setup(sheet: Sheet) -> dict[str, Any]:
    """Where board or lamps stood, for the drawing on the paper."""
    # Lamps found by balls are told under "light".
    lamps = [list(photo.lamp_mm) for photo in sheet.photos if photo.lamp_mm is not None]
    board = sheet.board
    if board is None or not board.posed:
        return {"lamps_mm": lamps} if lamps else {}
    row = {
        key: getattr(board, key) for key in ("centre_mm", "across", "up", "size_mm", "period_mm", "pattern")
    }
    return {"board": {key: list(v) if isinstance(v, tuple) else v for key, v in row.items()}}


def _photo_row(station: Station, checks: list[PhotoCheck]) -> dict[str, Any]:
    return {
        "file": station.photo.file,
        "sha256": station.photo.sha256,
        "reprojection_px": station.fit.pose.reprojection_px,
        "camera_mm": [float(v) for v in station.fit.pose.centre_mm],
        "focal_px": station.camera.focal_px,
        "focal_from": station.focal_from,
        "taken": station.photo.taken,
        "tags_seen": [tag.id for tag in station.tags],
        "quality": {
            c.name.replace(" ", "_"): {
                "value": c.value,
                "unit": c.unit,
                "threshold": c.threshold,
                "good": c.good,
                "sentence": c.sentence,
                "cure": c.cure,
            }
            for c in checks
        },
    }


def _run(height: HeightMap, reading: Reading, started: datetime, began: float) -> dict[str, Any]:
    return {
        **versions(),
        "settings": {
            "grid_mm": height.grid.step_mm,
            "fair_form": height.form_name,
            "closure_mrad": reading.closure_mrad,
            "reflected_period_mm": [float(v) for v in reading.period_mm],
            "rounds": reading.rounds,
        },
        **when(started, began),
    }
