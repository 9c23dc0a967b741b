"""What happens in the process of one job: check it, write its folder, add it to the record. Loaded by keepers."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2

from surfscan.checking.pipeline import check_job
from surfscan.core.errors import NotMeasuredError, SurfscanError
from surfscan.core.records import CheckResult
from surfscan.fleet.marks import SMALL, Mark, clear, write_mark
from surfscan.fleet.rows import OUTCOMES, Row, blank_row, rows_of
from surfscan.report.export import document, write_result
from surfscan.report.figures import end_of_scale
from surfscan.report.panes import draw_map_pane

__all__ = ["add_to_record", "check_into", "recorded", "result_into"]

SMALL_PX = (192, 128)
"""Most width and height of the small picture: twice what the index shows, for sharp screens."""


def check_into(
    folder: str, out: str, known: Row, *, progress: Callable[[str, float], None]
) -> tuple[Row, bool]:
    """Check a job folder into its result folder, with its mark.

    Parameters
    ----------
    folder, out : path
    known : dict
        Columns of the job's row that are known: job, source, identity, tries.
    progress : callable

    Returns
    -------
    tuple of (dict, bool)
        The job's row, and whether the result has heights, so that a record takes it.

    Raises
    ------
    RefusedError
        When the result can't be written. A job that is refused is a row.
    """
    return result_into(lambda: check_job(folder, progress=progress), Path(out), known, progress=progress)


def result_into(
    check: Callable[[], CheckResult], here: Path, known: Row, *, progress: Callable[[str, float], None]
) -> tuple[Row, bool]:
    """Call what checks, and write what it finds into a result folder, with its mark; as `check_into`."""
    try:
        result = check()
    except SurfscanError as error:
        outcome = "not_measured" if isinstance(error, NotMeasuredError) else "refused"
        row = blank_row(**known, outcome=outcome, status=OUTCOMES[outcome], reason=str(error))
        clear(here, results=True)
        write_mark(here, Mark(row))
        return row, False
    progress("writing the result", 0.97)
    clear(here)
    write_result(here, result)
    _write_small(here, result)
    row, spots = rows_of(document(result), **known)
    heights = "relative" not in result.details
    write_mark(here, Mark(row, spots, heights))
    return row, heights


def _write_small(folder: Path, result: CheckResult) -> None:
    """The map, small; without a scale the photo with its highs and lows. The mark comes later."""
    if "relative" in result.details:
        picture = cv2.imread(str(folder / "overlay.png"), cv2.IMREAD_REDUCED_COLOR_2)
    else:
        low, high = result.limits["low_mm"], result.limits["high_mm"]
        end = end_of_scale(result.height, result.spots, result.limits)
        pane = draw_map_pane(
            result.height,
            result.height.height_mm,
            scale="deviation",
            low=low,
            high=high,
            end=end,
            lines=False,
        )
        picture = cv2.cvtColor(pane.picture, cv2.COLOR_RGB2BGR)
    if picture is None:
        return
    scale = min(SMALL_PX[0] / picture.shape[1], SMALL_PX[1] / picture.shape[0])
    size = (max(1, round(scale * picture.shape[1])), max(1, round(scale * picture.shape[0])))
    cv2.imwrite(str(folder / SMALL), cv2.resize(picture, size, interpolation=cv2.INTER_AREA))


def add_to_record(
    record: str, out: str, key: str, job_number: str, sheet: str, *, progress: Callable[..., Any]
) -> int:
    """Add a finished result folder to a record, once for each key; return the pass's number."""
    from surfscan.results.record import open_record

    with open_record(record) as opened:
        return opened.add(out, job=job_number, sheet=sheet, once=key)


def recorded(record: str, *, progress: Callable[..., Any]) -> set[str]:
    """Keys of the jobs that a record has."""
    from surfscan.results.record import open_record

    with open_record(record) as opened:
        return set(opened.keys())
