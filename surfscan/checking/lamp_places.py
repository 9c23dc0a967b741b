"""Where each photo's lamp was: by the sheet, by the highlights on shiny balls, or by both as a cross-check."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError, parts_of
from surfscan.core.records import Array
from surfscan.job.sheet import Sheet
from surfscan.reading.station import Station
from surfscan.shading.ball import Ball, LampLine, find_highlight, line_to_lamp, meet_lines
from surfscan.shading.lamp import Lamps

__all__ = ["LampPlaces", "find_lamps"]

BALL_PLACE_MM = 0.3
"""Standard uncertainty of each coordinate of a ball's middle: laid like a tag (our own estimate)."""

DISTANCE_REL = 0.05
"""Standard uncertainty of a rough distance to the lamps, as a share of it (a tape along the floor)."""

APART = 3.0
"""Standard uncertainties between a stated place and the balls' above which one of them is wrong."""


@dataclass(frozen=True, slots=True)
class LampPlaces:
    """The lamps of a job.

    Attributes
    ----------
    lamps : Lamps
    sd_mm : float
        Standard uncertainty of a lamp coordinate, root mean square over the lamps.
    rows : tuple of dict
        One per photo, JSON-ready: place, where it comes from, and how far the balls' lines pass beside it.
    """

    lamps: Lamps
    sd_mm: float
    rows: tuple[dict[str, Any], ...]


def find_lamps(sheet: Sheet, stations: list[Station], *, place_sd_mm: float) -> LampPlaces:
    """Find the lamp of every photo.

    Parameters
    ----------
    sheet : Sheet
    stations : list of Station
    place_sd_mm : float
        Standard uncertainty of a stated lamp coordinate.

    Returns
    -------
    LampPlaces

    Raises
    ------
    RefusedError
        A ball without a highlight, lines that don't meet, or a stated place that the balls speak against.
    """
    balls = [Ball(np.array(row.centre_mm), row.radius_mm) for row in sheet.balls]
    places: list[Array] = []
    spreads: list[float] = []
    rows: list[dict[str, Any]] = []
    for station, photo in zip(stations, sheet.photos, strict=True):
        lines = [_line(station, ball) for ball in balls]
        if photo.lamp_mm is not None:
            place, spread = np.array(photo.lamp_mm, float), place_sd_mm
            miss = [_check(station, line, place, place_sd_mm) for line in lines]
            rows.append({"file": photo.file, "lamp_mm": list(place), "from": "lamp_mm", "off_deg": miss})
        elif len(lines) > 1:
            place, covariance = _named(station, lines)
            spread = float(np.sqrt(np.trace(covariance) / 3))
            rows.append(
                {"file": photo.file, "lamp_mm": list(place), "from": f"{len(lines)} balls", "sd_mm": spread}
            )
        else:
            assert sheet.lamp is not None  # the sheet was asked before
            assert sheet.lamp.distance_mm is not None
            place, spread = _along(station, lines[0], sheet.lamp.distance_mm)
            rows.append(
                {"file": photo.file, "lamp_mm": list(place), "from": "one ball and distance", "sd_mm": spread}
            )
        if place[2] <= 0:
            raise RefusedError(
                f"{photo.file}: the ball puts the lamp behind the panel",
                found=f"z = {place[2]:.0f} mm",
                cure="check the balls' places: z counts out of the panel; a ball that lies on it has z = radius_mm",
                allowed="lamps in front of the panel, z over 0",
            )
        places.append(place)
        spreads.append(spread)
    at = np.array(places)
    table = sheet.lamp
    exponent = 0.0 if table is None else table.exponent
    return LampPlaces(
        Lamps(at, _axes(sheet, at) if exponent > 0 else None, exponent),
        float(np.sqrt(np.mean(np.square(spreads)))),
        tuple(rows),
    )


def _axes(sheet: Sheet, places: Array) -> Array:
    """Each lamp's axis: its photo's, the one of all, or towards what it was aimed at; without either, the middle."""
    assert sheet.lamp is not None
    out = []
    for photo, place in zip(sheet.photos, places, strict=True):
        axis = photo.lamp_axis or sheet.lamp.axis
        if axis is None:
            axis = tuple(np.array(sheet.lamp.aim_mm or (0.0, 0.0, 0.0)) - place)
        way = np.array(axis, float)
        out.append(way / np.linalg.norm(way))
    return np.array(out)


def _line(station: Station, ball: Ball) -> LampLine:
    try:
        at = find_highlight(station.photo, ball=ball, camera=station.camera, pose=station.fit.pose)
        line = line_to_lamp(at, ball=ball, camera=station.camera, pose=station.fit.pose)
    except RefusedError as error:
        if error.what.startswith(station.photo.file):
            raise
        raise RefusedError(f"{station.photo.file}: {error.what}", **parts_of(error)) from None
    # A ball off its place by d turns its normal by d / R, and the light by twice that.
    u = float(np.hypot(line.u_rad, 2 * BALL_PLACE_MM / ball.radius_mm))
    return LampLine(line.start_mm, line.direction, u)


def _check(station: Station, line: LampLine, place: Array, place_sd_mm: float) -> float:
    """Degrees by which a ball's line passes beside a stated place."""
    away = place - line.start_mm
    far = float(np.linalg.norm(away))
    off = float(np.arccos(np.clip(away @ line.direction / far, -1, 1)))
    allowed = APART * float(np.hypot(line.u_rad, np.sqrt(2) * place_sd_mm / far))
    if off > allowed:
        raise RefusedError(
            f"{station.photo.file}: lamp_mm and the ball's highlight do not agree",
            found=f"{np.degrees(off):.1f} degrees between them",
            allowed=f"{np.degrees(allowed):.1f} degrees",
            cure="check this photo's lamp_mm, and the ball's centre_mm and radius_mm",
        )
    return float(np.degrees(off))


def _named(station: Station, lines: list[LampLine]) -> tuple[Array, Array]:
    try:
        return meet_lines(lines)
    except RefusedError as error:
        raise RefusedError(f"{station.photo.file}: {error.what}", **parts_of(error)) from None


def _along(station: Station, line: LampLine, distance_mm: float) -> tuple[Array, float]:
    """Where the line is as far from the panel's middle as the sheet says, and the spread of a coordinate."""
    along = float(line.start_mm @ line.direction)
    square = along**2 - float(line.start_mm @ line.start_mm) + distance_mm**2
    if square < 0 or np.sqrt(square) <= along:
        raise RefusedError(
            f"{station.photo.file}: the ball's line never comes as near to the panel as lamp.distance_mm",
            found=f"{distance_mm:g} mm",
            cure="check lamp.distance_mm: it counts from the panel's middle to the lamp",
            allowed="a distance at which the line from the ball passes",
        )
    place = line.start_mm + (np.sqrt(square) - along) * line.direction
    across = line.u_rad / np.sqrt(2) * (np.sqrt(square) - along)
    return place, float(np.sqrt((2 * across**2 + (DISTANCE_REL * distance_mm) ** 2) / 3))
