"""A station proved by a known change: a mirror tile lying flat, and with a feeler gauge under one edge.

A check levels what it reads on the tags' plane, which a tile's own tilt would vanish in. What does not vanish is the
start of the stripes: with the board where it was, a levelled tile that is tilted shows them shifted as a whole. So the
tilt between both shots is what the starts say and what the levelled slopes say, together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from surfscan.checking.pipeline import read_job
from surfscan.core.carrier import Array
from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.errors import RefusedError, UsageError
from surfscan.core.reading import Reading, View
from surfscan.core.records import Board
from surfscan.job.proof_file import ProofFile
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.optics.mirror import Hit, hit_board
from surfscan.optics.pose import PoseFit
from surfscan.reading.propagation import modes, moved_pose
from surfscan.reading.surface import ENOUGH

__all__ = ["Gauge", "prove"]

MOST_TURN = 0.45
"""Largest shift of the stripes, in periods, that can't be taken for the one in the other direction."""

START_RAD = 0.01
"""Standard uncertainty of the stripes' start in one photo: where the rounds end."""


STILL_MM = 3.0
"""Poses of a camera that did not move between the shots differ by less: they are one, and its error cancels."""

SLIDE_MM = 0.02
"""Standard uncertainty of where a pixel lies on the panel, then: what the tags' corners leave."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """What tilts the tile.

    Attributes
    ----------
    thickness_mm, length_mm : float
        Of the feeler gauge; and from it, square to the edge that the tile stands on, to that edge.
    u_thickness_mm, u_length_mm : float
        Their standard uncertainties. A gauge leaf is usually good to 5 um (common practice, no source).
    """

    thickness_mm: float
    length_mm: float
    u_thickness_mm: float = 0.005
    u_length_mm: float = 0.5

    def __post_init__(self) -> None:
        if not 0.02 <= self.thickness_mm <= 0.2 * self.length_mm or self.length_mm > 5000:
            raise UsageError(
                "The gauge and its distance do not fit",
                found=f"{self.thickness_mm:g} mm over {self.length_mm:g} mm",
                allowed="a gauge of 0.02 mm to a fifth of the distance, which is up to 5000 mm",
                cure="give the leaf's thickness, and its distance from the tile's other edge",
            )

    @property
    def slope(self) -> float:
        """The tilt as a slope."""
        return math.tan(math.asin(self.thickness_mm / self.length_mm))

    @property
    def u_relative(self) -> float:
        """Relative standard uncertainty of the tilt."""
        return math.hypot(self.u_thickness_mm / self.thickness_mm, self.u_length_mm / self.length_mm)


@dataclass(frozen=True, slots=True)
class _Shot:
    """One shot of the tile: its reading, what it was read with, and its sheet."""

    sheet: Sheet
    reading: Reading
    views: tuple[View, ...]
    fits: tuple[PoseFit, ...]
    board: Board


def prove(flat: Path, tilted: Path, gauge: Gauge, *, today: date) -> ProofFile:
    """Measure the tilt between two shots of a tile and hold it against the gauge's.

    Parameters
    ----------
    flat, tilted : path
        Job folders of the same set-up; `panel.region_mm` is the tile.
    gauge : Gauge
    today : date

    Returns
    -------
    ProofFile

    Raises
    ------
    RefusedError, NotMeasuredError
        A shot can't be read, both are not of one set-up, or the gauge is too thick for the stripes.
    """
    shots = _shot(flat), _shot(tilted)
    _same_setup(shots[0].sheet, shots[1].sheet)
    seen = np.isfinite(shots[0].reading.p) & np.isfinite(shots[1].reading.p)
    if seen.sum() < ENOUGH:
        raise RefusedError(
            "Both shots together show too little of the tile",
            found=f"{int(seen.sum())} cells seen in both",
            allowed=f"{ENOUGH} or more",
            cure="leave the tile where it is between the shots, and give its outline as panel.region_mm in both sheets",
        )
    levers = np.array([_lever(shots[1], k, seen) for k in (0, 1)])
    period = shots[0].board.period_mm
    most = MOST_TURN * period / float(np.max(np.hypot(*levers.T)))
    if gauge.slope > most:
        raise RefusedError(
            "The gauge tilts the tile too far for these stripes",
            found=f"{gauge.thickness_mm:g} mm over {gauge.length_mm:g} mm",
            allowed=f"up to {most * gauge.length_mm:.2f} mm, so that the stripes move by less than half a period",
            cure="take a thinner gauge",
        )
    turns = [b - a for a, b in zip(shots[0].reading.start_rad, shots[1].reading.start_rad, strict=True)]
    still = [
        float(np.linalg.norm(a.camera_mm - b.camera_mm)) < STILL_MM
        for a, b in zip(shots[0].views, shots[1].views, strict=True)
    ]
    moved = [
        _mean_place(shots[1], k, seen, shots[1].views[k].camera_mm)
        - _mean_place(shots[1], k, seen, shots[0].views[k].camera_mm)
        if still[k]
        else 0.0
        for k in (0, 1)
    ]
    shift = np.angle(np.exp(1j * (np.array(turns) + 2 * np.pi / period * np.array(moved))))
    shift *= period / (2 * np.pi)
    change = [
        float(np.mean((b - a)[seen]))
        for a, b in ((shots[0].reading.p, shots[1].reading.p), (shots[0].reading.q, shots[1].reading.q))
    ]
    tilt = np.linalg.solve(levers, shift) + np.array(change)
    measured = float(np.hypot(*tilt))
    u = _uncertainty(shots, levers, seen, tilt / max(measured, 1e-12), still)
    ratio = measured / gauge.slope
    u95 = COVERAGE_FACTOR * math.hypot(u / gauge.slope, ratio * gauge.u_relative)
    table = shots[0].sheet.board
    assert table is not None  # both were read by it
    return ProofFile.model_validate(
        {
            "schema": 1,
            "date": today,
            "ratio": ratio,
            "u95": u95,
            "known_mrad": 1e3 * gauge.slope,
            "measured_mrad": 1e3 * measured,
            "centre_mm": table.centre_mm,
            "across": table.across,
            "up": table.up,
            "period_mm": table.period_mm,
        }
    )


def _shot(folder: Path) -> _Shot:
    sheet = load_sheet(folder)
    wanted = {"stripes": 2, "crossed": 1}
    if (
        sheet.board is None
        or not sheet.board.posed
        or len(sheet.photos) != wanted.get(sheet.board.pattern, 0)
    ):
        raise RefusedError(
            f"{folder}: no job that proves a station",
            found="another light, or a board whose place the sheet does not say",
            allowed="two photos of stripes, or one of a crossed board, and [board] with its place",
            cure="shoot the tile as a panel, one photo for each direction",
        )
    placed, taken = read_job(sheet)
    fits = tuple(station.fit for station in placed.stations)
    if len(fits) < len(taken.views):  # a crossed board: both directions are in one photo
        fits = fits * len(taken.views)
    return _Shot(sheet, taken.reading, taken.views, fits, placed.board)


def _same_setup(first: Sheet, second: Sheet) -> None:
    for name in ("board", "tags"):
        if getattr(first, name) != getattr(second, name):
            raise RefusedError(
                f"The two sheets differ in [{name}]",
                found=f"another [{name}] in the second",
                allowed="one set-up for both shots, with nothing moved but the tile",
                cure="copy the sheet of the first shot",
            )
    if first.panel.size_mm != second.panel.size_mm:
        raise RefusedError(
            "The two sheets differ in panel.size_mm",
            found=f"{second.panel.size_mm}",
            allowed=f"{first.panel.size_mm}",
            cure="copy the sheet of the first shot",
        )


def _hit(shot: _Shot, seen: Array, camera_mm: Array) -> Hit:
    """Where a camera sees the board over the tile."""
    reading = shot.reading
    x, y = (a[seen] for a in np.meshgrid(reading.grid.x_mm, reading.grid.y_mm))
    z, p, q = (a[seen] for a in (reading.height_mm, reading.p, reading.q))
    return hit_board(x, y, z, p, q, camera_mm=camera_mm, board=shot.board)


def _mean_place(shot: _Shot, k: int, seen: Array, camera_mm: Array) -> float:
    return float(np.nanmean(_hit(shot, seen, camera_mm).place(shot.views[k].varies)))


def _lever(shot: _Shot, k: int, seen: Array) -> tuple[float, float]:
    """Millimetres on the board per unit of both slopes, mean over the tile."""
    by_p, by_q = _hit(shot, seen, shot.views[k].camera_mm).lever(shot.views[k].varies)
    return float(np.nanmean(by_p)), float(np.nanmean(by_q))


def _uncertainty(
    shots: tuple[_Shot, _Shot], levers: Array, seen: Array, along: Array, still: list[bool]
) -> float:
    """Standard uncertainty of the slope along the tilt: the cameras' poses, and the stripes' starts."""
    period = shots[0].board.period_mm
    # What a millimetre on the board is as a slope along the tilt, by each direction.
    per_mm = np.linalg.inv(levers).T @ along
    variance = 2 * float(np.sum((per_mm * START_RAD * period / (2 * np.pi)) ** 2))
    for shot in shots:
        for k, (view, fit) in enumerate(zip(shot.views, shot.fits, strict=True)):
            if still[k]:
                seen_larger = period / float(shot.reading.period_mm[k])
                variance += float(per_mm[k] * SLIDE_MM * seen_larger) ** 2
                continue
            now = _mean_place(shot, k, seen, view.camera_mm)
            for change in modes(fit.pose.covariance):
                there = _mean_place(shot, k, seen, moved_pose(view.pose, change).centre_mm)
                variance += float(per_mm[k] * (there - now)) ** 2
    return math.sqrt(variance)
