"""One row a job and one row a spot: their columns, and how a result becomes rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["JOB_COLUMNS", "OUTCOMES", "SPOT_COLUMNS", "Column", "Row", "blank_row", "rows_of", "worst_status"]

Row = dict[str, Any]

OUTCOMES = {
    "ready": 0,
    "close": 11,
    "rework": 10,
    "not_measured": 4,
    "refused": 3,
    "timeout": 1,
    "memory": 1,
    "crashed": 1,
    "fault": 1,
}
"""How a job can end, from best to worst, and its exit status."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name, its kind (text, int, float, bool), and what it says, with its unit."""

    name: str
    kind: str
    meaning: str


def _columns(*rows: tuple[str, str, str]) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


JOB_COLUMNS = _columns(
    (
        "job",
        "text",
        "the job's name: its folder below the folder given, and its result folder below the output",
    ),
    ("source", "text", "where the job folder was"),
    ("identity", "text", "SHA-256 over sheet, photos, station and program version"),
    ("outcome", "text", "ready, close, rework, not_measured, refused, timeout, memory, crashed or fault"),
    ("status", "int", "exit status that `surfscan check` has for it"),
    ("reason", "text", "the verdict in a sentence, or why there is none"),
    ("panel", "text", "the panel's name on the sheet"),
    ("stage", "text", "the stage on the sheet"),
    ("width_mm", "float", "size of the judged rectangle along x, mm"),
    ("height_mm", "float", "size of the judged rectangle along y, mm"),
    ("low_limit_mm", "float", "a low deeper than this is over its limit, mm"),
    ("high_limit_mm", "float", "a high taller than this is over its limit, mm"),
    ("filler_limit_mm", "float", "most depth of filler, mm"),
    ("coverage", "float", "share of the judged region that was measured, 0 to 1"),
    ("spots", "int", "number of spots"),
    ("over", "int", "number of spots that are over their limit"),
    ("worst_mm", "float", "peak of the spot farthest out, mm; a low is negative"),
    ("worst_u95_mm", "float", "half width of its 95 % interval, mm"),
    ("fill_ml", "float", "filler that levels the lows as they are, ml"),
    ("FLTt_mm", "float", "peak-to-valley flatness deviation about the fair form (ISO 12781-1), mm"),
    ("FLTq_mm", "float", "root mean square flatness deviation about the fair form (ISO 12781-1), mm"),
    ("photos", "int", "number of photos"),
    ("started", "text", "when the check began, ISO 8601, UTC"),
    ("seconds", "float", "how long it took, s"),
    ("tries", "int", "how often it was started: over 1 when a process was ended from outside"),
    ("program", "text", "version of surfscan"),
)
SPOT_COLUMNS = _columns(
    ("job", "text", "the job's name, as in the table of jobs"),
    ("identity", "text", "the job's identity, as in the table of jobs"),
    ("panel", "text", "the panel's name on the sheet"),
    ("stage", "text", "the stage on the sheet"),
    ("id", "int", "the spot's number in its job"),
    ("kind", "text", "low or high"),
    ("x_mm", "float", "place of the peak, to the right of the panel's middle, mm"),
    ("y_mm", "float", "place of the peak, up from the panel's middle, mm"),
    ("peak_mm", "float", "signed peak, + is high, mm"),
    ("u95_mm", "float", "half width of its 95 % interval, mm"),
    ("peak_open", "bool", "the rim of what was seen cuts it: the peak is at least this much"),
    ("length_mm", "float", "along its longest direction, mm"),
    ("width_mm", "float", "across that, mm"),
    ("angle_deg", "float", "of its longest direction, from x towards y, degrees"),
    ("area_cm2", "float", "area, cm2"),
    ("volume_ml", "float", "volume, ml"),
    ("peak_slope_mrad", "float", "steepest slope, mrad"),
    ("shape", "text", "dish, long, ring or many"),
    ("verdict", "text", "rework (over its limit), close (too close to call) or ready"),
    ("action", "text", "what to do"),
    ("flags", "text", "doubts about it, with ; between them"),
)


def blank_row(**known: Any) -> Row:
    """A job's row with every column, None where nothing is known."""
    return {**{column.name: None for column in JOB_COLUMNS}, **known}


def rows_of(document: Mapping[str, Any], **known: Any) -> tuple[Row, list[Row]]:
    """A job's row and its spots', from `result.json` as read and what is known besides."""
    panel, limits, measures = document["panel"], document["limits"], document["measures"]
    fill = document.get("fill")
    size = panel.get("size_mm") or (None, None)
    spots = document["spots"]
    worst: Mapping[str, Any] = max(spots, key=lambda spot: abs(spot["peak_mm"]), default={})
    row = blank_row(
        outcome=document["verdict"],
        status=OUTCOMES[document["verdict"]],
        reason=document.get("sentence") or None,
        panel=panel.get("name") or None,
        stage=panel.get("stage") or None,
        width_mm=size[0],
        height_mm=size[1],
        low_limit_mm=limits.get("low_mm"),
        high_limit_mm=limits.get("high_mm"),
        filler_limit_mm=limits.get("filler_depth_mm"),
        coverage=document["coverage"],
        spots=len(spots),
        over=sum(spot["verdict"] == "rework" for spot in spots),
        worst_mm=worst.get("peak_mm"),
        worst_u95_mm=worst.get("u95_mm"),
        fill_ml=sum(low["volume_ml"] or 0.0 for low in fill["lows"]) if fill else None,
        FLTt_mm=measures.get("FLTt_mm"),
        FLTq_mm=measures.get("FLTq_mm"),
        photos=len(document["photos"]),
        started=document["run"].get("started"),
        seconds=document["run"].get("seconds"),
        program=document["run"].get("surfscan"),
        **known,
    )
    shared = {name: row[name] for name in ("job", "identity", "panel", "stage")}
    return row, [_spot_row(spot, shared) for spot in spots]


def _spot_row(spot: Mapping[str, Any], shared: Row) -> Row:
    row = {column.name: spot.get(column.name) for column in SPOT_COLUMNS}
    return {**row, **shared, "flags": ";".join(spot.get("flags") or ()) or None}


def worst_status(outcomes: Mapping[str, int]) -> int:
    """Exit status of many jobs: that of the worst outcome that was counted; 0 for none."""
    seen = [outcome for outcome in OUTCOMES if outcomes.get(outcome)]
    return OUTCOMES[seen[-1]] if seen else 0
