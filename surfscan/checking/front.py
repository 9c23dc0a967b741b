"""Checks as a program calls them: a folder, a sheet or a map in, one result out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from surfscan.checking.pipeline import check_job
from surfscan.core.records import CheckResult, HeightMap
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.judge.judgement import Instruments, Judgement
from surfscan.judge.judgement import judge_map as _judge
from surfscan.judge.limits import Limits, default_limits
from surfscan.results.stored import StoredResult, load_result

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["check", "check_map", "judge_map"]


def check(
    job: Path | str | Sheet,
    *,
    against: Path | str | StoredResult | CheckResult | None = None,
    mirrored: bool = False,
    progress: Callable[[str, float], None] | None = None,
) -> CheckResult:
    """Check one panel: photos and job sheet to height map, spots and verdict, in this process.

    Parameters
    ----------
    job : path or Sheet
        The job folder, its `panel.toml`, or the sheet as `load_sheet` reads it.
    against : path, StoredResult or CheckResult, optional
        Another panel's result as the fair form, in place of a smooth form fitted through this panel.
    mirrored : bool
        `against` is the car's other side, its tags at the mirrored places (x to -x).
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.

    Returns
    -------
    CheckResult
        Its map is ``result.height`` (mm, NaN where not measured); a notebook shows picture and table.

    Raises
    ------
    RefusedError
        The sheet or a photo can't be used: what, found, allowed, what to do.
    NotMeasuredError
        The photos can be read, but there are no stripes on the panel.

    Examples
    --------
    >>> result = surfscan.check(jobs / "flat")
    >>> str(result.verdict)
    'rework'
    >>> [(spot.kind, round(spot.peak_mm, 2)) for spot in result.spots][:2]
    [('low', -0.28), ('low', -0.16)]
    >>> result.height.height_mm.shape == result.height.grid.shape
    True
    """
    if against is None:
        return check_job(job, progress=progress)
    from surfscan.change.against import against_result  # what few checks need is loaded when used

    sheet = job if isinstance(job, Sheet) else load_sheet(job)
    other = against if isinstance(against, StoredResult | CheckResult) else load_result(against)
    fair = against_result(other, mirrored=mirrored, panel=sheet.panel.name)
    return check_job(sheet, progress=progress, against=fair)


def check_map(
    heights: Path | str | ArrayLike,
    *,
    stage: str,
    u_mm: float,
    step_mm: float | None = None,
    limits: Limits | None = None,
    **more: Any,
) -> CheckResult:
    """Judge a height map that another instrument measured.

    Parameters
    ----------
    heights : path or array_like (H, W)
        An x3p, sdf, CSV or text file, or heights in mm: row 0 is the panel's lower edge, a high is positive, NaN is
        not measured.
    stage : str
        "bare-metal", "filler", "putty", "primer", "base" or "clear".
    u_mm : float
        Standard uncertainty of a height, mm, over 0.
    step_mm : float, optional
        Spacing of the cells; needed for an array.
    limits : Limits, optional
        Those of the stage when not given.
    **more
        ``name``, ``unit`` (of a text file's heights) and ``instruments`` of `surfscan.checking.from_map.check_map`.

    Returns
    -------
    CheckResult

    Raises
    ------
    RefusedError
        When file, array, `u_mm` or `step_mm` can't be used.
    NotMeasuredError
        When too little of it holds heights.

    Examples
    --------
    A low of 0.2 mm, 60 mm wide at half its depth, on a flat panel of 300 x 240 mm:

    >>> y, x = np.mgrid[-120:121:2, -150:151:2]
    >>> low = -0.2 * 0.5 ** ((x**2 + y**2) / 30**2)
    >>> result = surfscan.check_map(low, step_mm=2, stage="primer", u_mm=0.002)
    >>> str(result.verdict), len(result.spots), abs(result.spots[0].peak_mm + 0.2) < 0.01
    ('rework', 1, True)
    """
    from surfscan.checking.from_map import check_map as judge_other

    given = heights if isinstance(heights, Path | str) else np.asarray(heights, dtype=float)
    limits = default_limits(stage) if limits is None else limits
    return judge_other(given, limits=limits, stage=stage, u_mm=u_mm, step_mm=step_mm, **more)


def judge_map(
    height: HeightMap,
    *,
    stage: str,
    limits: Limits | None = None,
    coverage: float | None = None,
    instruments: Instruments | None = None,
) -> Judgement:
    """Judge deviations from a fair form that are known already: spots, gauges, fill plan, standard measures.

    Parameters
    ----------
    height : HeightMap
        Deviation from the fair form in mm with its standard uncertainty; a result's own ``height`` will do.
    stage : str
        As for `check_map`.
    limits : Limits, optional
        Those of the stage when not given.
    coverage : float, optional
        Share of the judged region that was measured, 0 to 1; the map's own share when not given.
    instruments : Instruments, optional
        The shop's ruler and block.

    Returns
    -------
    Judgement

    Examples
    --------
    What a result would be called with other limits:

    >>> strict = replace(surfscan.default_limits("primer"), low_mm=0.02, high_mm=0.02)
    >>> strict_spots = surfscan.judge_map(result.height, stage="primer", limits=strict).spots
    >>> len(strict_spots) >= len(result.spots)
    True
    """
    limits = default_limits(stage) if limits is None else limits
    known = np.isfinite(height.height_mm)
    sigma = height.sigma_mm[np.isfinite(height.sigma_mm)]
    typical = float(np.median(sigma)) if sigma.size else float("nan")
    return _judge(
        height,
        limits=limits,
        stage=stage,
        coverage=float(known.mean()) if coverage is None else coverage,
        period_mm=0.0,
        u_slope_mrad=float(1e3 * np.sqrt(2) * typical / limits.band_mm[0]),
        instruments=instruments or Instruments(),
    )
