"""A height map measured elsewhere, judged as one of our own: the second half of the tool for other instruments."""

from __future__ import annotations

import hashlib
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np

from surfscan.checking.build import MapPlaces, Shown, build_result, uncertainty_row, versions, when
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.message import Reason, Weight
from surfscan.core.records import Array, CheckResult, Grid, HeightMap
from surfscan.judge.gauges import Instruments
from surfscan.judge.judgement import judge_map
from surfscan.judge.limits import Limits
from surfscan.judge.reasons import reason
from surfscan.reading.surface import ENOUGH
from surfscan.results.map_files import TEXT_KINDS, MapFile, read_map_file
from surfscan.surface.form import fit_fair_form

__all__ = ["MAP_KINDS", "UNITS", "check_map", "raking", "read_map"]

MAP_KINDS = (".x3p", ".sdf", *TEXT_KINDS)
UNITS = {"mm": 1.0, "um": 1e-3, "m": 1e3, "inch": 25.4}
"""Millimetres in a unit that a table of numbers may be in."""

MOST_JUDGED = 1_000_000
"""Finer maps are averaged to about this many cells: spots are many cells wide all the same."""

LEAST_STEP_MM, MOST_STEP_MM = 1e-6, 1000.0
"""Distances of neighbouring heights that an instrument can have."""

FARTHEST_MM = 1e5
"""More than any panel is high; larger numbers are marks of missing places."""


def read_map(path: Path | str, *, unit: str = "mm", step_mm: float | None = None) -> tuple[Grid, Array]:
    """Read a height map from an open form and put it onto square cells.

    Parameters
    ----------
    path : path
        An x3p, sdf, CSV or text file; the ending tells.
    unit : str
        Of the heights in a CSV or text file, one of `UNITS`; x3p and sdf carry metres.
    step_mm : float, optional
        Spacing of a CSV or text file without places along its edges.

    Returns
    -------
    grid : Grid
        With the map's middle at the origin, unless the file says where it lies.
    height_mm : ndarray (H, W)
        NaN where not measured.

    Raises
    ------
    RefusedError
        When the file is missing, of another kind, damaged or empty.
    """
    return _read(Path(path), unit, step_mm)[0]


def _read(path: Path, unit: str, step_mm: float | None) -> tuple[tuple[Grid, Array], tuple[str, ...]]:
    """The map, and what of its file could not be checked."""
    kind = path.suffix.lower()
    if not path.is_file():
        raise RefusedError(
            f"{path} is not a file", allowed="a height map", cure="check the path", found="no height"
        )
    if kind not in MAP_KINDS:
        raise RefusedError(
            f"{path.name} is of an unknown kind",
            found=kind or "no ending",
            allowed=", ".join(MAP_KINDS),
            cure="export the map again",
        )
    if kind in TEXT_KINDS and unit not in UNITS:
        raise RefusedError(
            "The unit is not known", found=unit, allowed=", ".join(UNITS), cure="export the map again"
        )
    read = read_map_file(path, unit_mm=UNITS.get(unit, 1.0), step_mm=step_mm)
    _see_heights(path, read)
    return _square(read.x_mm, read.y_mm, read.height_mm), read.doubts


def _see_heights(path: Path, read: MapFile) -> None:
    """Refuse places and heights that no panel has."""
    x, y, height = read.x_mm, read.y_mm, read.height_mm
    for axis in (x, y):
        if not LEAST_STEP_MM <= axis[1] - axis[0] <= MOST_STEP_MM or np.abs(axis).max() > FARTHEST_MM:
            raise RefusedError(
                f"{path.name} holds places no panel has",
                found=f"heights {axis[1] - axis[0]:g} mm apart, from {axis[0]:g} to {axis[-1]:g} mm",
                allowed=f"{LEAST_STEP_MM:g} to {MOST_STEP_MM:g} mm apart, within {FARTHEST_MM:g} mm",
                cure="give places in mm",
            )
    if not np.isfinite(height).any():
        raise NotMeasuredError(
            f"{path.name} holds no height at all",
            cure="export the map again",
            found="no height",
            allowed="a map with heights",
        )
    if np.nanmax(np.abs(height)) > FARTHEST_MM:
        raise RefusedError(
            f"{path.name} holds a height no panel has",
            found=f"{np.nanmax(np.abs(height)):g} mm",
            allowed=f"up to {FARTHEST_MM:g} mm either way, and empty cells where nothing was measured",
            cure="check the unit, and how the program marks missing places",
        )
    if np.nanmin(height) == np.nanmax(height):
        raise NotMeasuredError(
            f"{path.name} holds one and the same height everywhere, which no instrument measures",
            found=f"{np.nanmin(height):g} mm",
            cure="export the map again",
            allowed="a map with heights",
        )


def check_map(  # house: one keyword for each option of the command
    path: Path | str | Array,
    *,
    limits: Limits,
    stage: str,
    u_mm: float,
    name: str = "",
    unit: str = "mm",
    step_mm: float | None = None,
    instruments: Instruments | None = None,
) -> CheckResult:
    """Judge a height map measured by another instrument.

    Parameters
    ----------
    path : path or ndarray (H, W)
        See `read_map`; or heights in mm, row 0 the lower edge, NaN where not measured, with `step_mm`.
    limits : Limits
    stage : str
    u_mm : float
        Standard uncertainty of the map's heights, from its instrument's certificate, mm, over 0.
    name : str
        Of the panel; the file's name when empty.
    unit, step_mm
        See `read_map`.
    instruments : Instruments, optional

    Returns
    -------
    CheckResult
        Its picture is the map itself as raking light would show it.

    Raises
    ------
    RefusedError
        When the file or `u_mm` can't be used.
    NotMeasuredError
        When too little of it holds heights.
    """
    began, started = time.perf_counter(), datetime.now(UTC)
    if not (np.isfinite(u_mm) and 0 < u_mm <= 100):
        raise RefusedError(
            "The map's standard uncertainty can't be used",
            found=f"{u_mm:g} mm",
            allowed="over 0 and at most 100 mm",
            cure="take it from the instrument's certificate, half of a 95 % figure",
        )
    source, (grid, height), unsummed = _heights(path, unit=unit, step_mm=step_mm)
    judged = _about_fair_form(grid, height, source["file"], u_mm=u_mm, limits=limits)
    coverage = float(np.isfinite(height).mean())
    judgement = judge_map(
        judged,
        limits=limits,
        stage=stage,
        coverage=coverage,
        period_mm=0.0,
        u_slope_mrad=float(1e3 * np.sqrt(2) * u_mm / limits.band_mm[0]),
        instruments=instruments or Instruments(),
    )
    unseen = f"only {100 * coverage:.0f} % of the map holds heights", "export the map again"
    return build_result(
        judgement,
        replace(judgement.evidence, unseen=unseen, doubts=tuple(_doubts(source["file"], unsummed, grid))),
        panel={
            "name": name or Path(source["file"]).stem,
            "stage": stage,
            "size_mm": [float(np.ptp(axis) + grid.step_mm) for axis in (grid.x_mm, grid.y_mm)],
        },
        limits=limits,
        height=judged,
        shown=Shown(raking(judged), MapPlaces(grid)),
        run={
            **versions(),
            "settings": {"grid_mm": grid.step_mm, "fair_form": judged.form_name},
            "map": {**source, "u_mm": u_mm},
            **when(started, began),
        },
        details={
            "uncertainty": uncertainty_row(
                judged, judgement.spots, inputs={"u_mm": u_mm}, terms=lambda row, column: None
            )
        },
    )


def _doubts(file: str, unsummed: tuple[str, ...], grid: Grid) -> list[Reason]:
    """What speaks against a file: sums that it does not have, cells that were put together."""
    doubts = [
        reason("seen-no-sum", Weight.DOUBT, file, file=file, sentence=text.rstrip(".")) for text in unsummed
    ]
    if grid.x_mm.size * grid.y_mm.size > 0.9 * MOST_JUDGED:
        doubts.append(reason("seen-averaged", about=file, file=file, step_mm=grid.step_mm))
    return doubts


def _about_fair_form(grid: Grid, height: Array, name: str, *, u_mm: float, limits: Limits) -> HeightMap:
    """The map as a deviation from its fair form."""
    measured = np.isfinite(height)
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            f"{name} holds too few heights to judge",
            found=f"{int(measured.sum())} cells",
            allowed=f"{ENOUGH} or more",
            cure="export the map again",
        )
    if np.ptp(height[measured]) == 0:
        raise NotMeasuredError(
            f"{name} holds one height everywhere",
            found=f"{height[measured][0]:g} mm in all {int(measured.sum())} cells",
            allowed="heights that differ, as any measured surface's do",
            cure="export the map again",
        )
    fair = fit_fair_form(
        height,
        x_mm=grid.x_mm - float(grid.x_mm.mean()),
        y_mm=grid.y_mm - float(grid.y_mm.mean()),
        floor_mm=max(3 * u_mm, 0.25 * min(limits.low_mm, limits.high_mm)),
        grow_px=max(2, min(round(10.0 / grid.step_mm), min(height.shape) // 10)),
    )
    sigma = np.where(measured, np.hypot(u_mm, fair.sigma_mm), np.nan)
    flags = np.where(measured, 0, bit("out_of_view")).astype(np.int32)
    flags[_past_the_outline(measured)] = bit("outside")
    return HeightMap(grid, height - fair.form_mm, fair.form_mm, sigma, flags, fair.name)


def _past_the_outline(measured: Array) -> Array:
    """Missing cells that reach the map's rim: a panel is seldom a rectangle, so nobody says that there is metal."""
    missing = np.pad((~measured).astype(np.uint8), 1, constant_values=1)
    _, labels = cv2.connectedComponents(missing, connectivity=4)
    return np.asarray((labels == labels[0, 0])[1:-1, 1:-1])


def _heights(
    given: Path | str | Array, *, unit: str, step_mm: float | None
) -> tuple[dict[str, str], tuple[Grid, Array], tuple[str, ...]]:
    """Where heights come from (name and digest), the heights on square cells, and what could not be checked."""
    if isinstance(given, Path | str):
        square, doubts = _read(Path(given), unit, step_mm)
        digest = hashlib.sha256(Path(given).read_bytes()).hexdigest()
        return {"file": Path(given).name, "sha256": digest}, square, doubts
    height = np.array(given, dtype=np.float64)
    if height.ndim != 2 or min(height.shape) < 2:
        raise RefusedError(
            "The heights are no map",
            found=f"shape {height.shape}",
            allowed="(H, W), 2 and more each",
            cure="export the map again",
        )
    if step_mm is None or not LEAST_STEP_MM <= step_mm <= MOST_STEP_MM:
        raise RefusedError(
            "The spacing of the heights is missing",
            found=f"{step_mm}",
            allowed=f"step_mm from {LEAST_STEP_MM:g} to {MOST_STEP_MM:g}",
            cure="give step_mm",
        )
    y, x = ((np.arange(n) - (n - 1) / 2) * step_mm for n in height.shape)
    digest = hashlib.sha256(np.ascontiguousarray(height).tobytes()).hexdigest()
    return {"file": "heights given as an array", "sha256": digest}, _square(x, y, height), ()


def _square(x_mm: Array, y_mm: Array, height: Array) -> tuple[Grid, Array]:
    """Onto square cells of the coarser spacing, or coarser still; a cell is known only when all around it is."""
    step_x, step_y = float(x_mm[1] - x_mm[0]), float(y_mm[1] - y_mm[0])
    area = step_x * len(x_mm) * step_y * len(y_mm)
    step = max(step_x, step_y, float(np.sqrt(area / MOST_JUDGED)))
    if step <= min(step_x, step_y) * 1.0005:
        return Grid(np.asarray(x_mm, float), np.asarray(y_mm, float), step), np.asarray(height, float)
    columns = max(2, int(np.ptp(x_mm) / step) + 1)
    rows = max(2, int(np.ptp(y_mm) / step) + 1)
    x = float(x_mm[0]) + step * np.arange(columns)
    y = float(y_mm[0]) + step * np.arange(rows)
    known = np.isfinite(height)
    # Averaged before it is thinned: else fine noise would be thinned into coarse.
    sizes = [max(1, int(step / s) | 1) for s in (step_x, step_y)]
    share = cv2.blur(known.astype(np.float64), sizes, borderType=cv2.BORDER_REPLICATE)
    mean = cv2.blur(np.where(known, height, 0.0), sizes, borderType=cv2.BORDER_REPLICATE)
    smooth = np.where(share > 0, mean / np.maximum(share, 1e-12), 0.0)
    column, row = np.meshgrid((x - x_mm[0]) / step_x, (y - y_mm[0]) / step_y)
    places = column.astype(np.float32), row.astype(np.float32)
    value = cv2.remap(smooth, *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    whole = cv2.remap(known.astype(np.float32), *places, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return Grid(x, y, step), np.where(whole > 0.999, value, np.nan)


def raking(height: HeightMap) -> Array:
    """The map in raking light from the upper left, top row first, linear light."""
    filled = np.nan_to_num(height.height_mm)
    rise = np.gradient(filled, height.grid.step_mm)
    slope = (rise[1] - rise[0]) / np.sqrt(2)
    spread = float(np.percentile(np.abs(slope), 98)) + 1e-9
    light = 0.45 + 0.3 * np.clip(slope / spread, -1.2, 1.2)
    light[~np.isfinite(height.height_mm)] = 0.1
    return np.ascontiguousarray(light[::-1], np.float32)
