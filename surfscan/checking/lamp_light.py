"""The light of a lamp at several places: from its sheet to a reading of the panel's shading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from surfscan.checking.context import PlacedJob, Progress, Taken
from surfscan.checking.lamp_places import LampPlaces, find_lamps
from surfscan.core.carrier import Array
from surfscan.core.errors import RefusedError
from surfscan.core.flags import bit
from surfscan.core.reading import Context, View
from surfscan.core.records import Grid
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet
from surfscan.optics.field import FINE, pixel_pitch, step_within
from surfscan.reading.budget import Budget, budget_scaled
from surfscan.reading.lamp import read_lamp
from surfscan.reading.station import Station
from surfscan.surface.form import FairForm

__all__ = ["lamp_step_mm", "take_lamp"]

LAMP_GRID_MM = 2.0
"""Finest coarse grid for a lamp: a matt surface's shading carries no detail worth a finer one."""


def lamp_step_mm(placed: PlacedJob) -> float:
    """Coarse grid step, mm."""
    width, height = placed.sheet.panel.extent_mm
    pitch = min(pixel_pitch((width, height), camera=s.camera, pose=s.fit.pose) for s in placed.stations)
    return step_within(max(FINE * pitch, LAMP_GRID_MM), (width, height))


def take_lamp(placed: PlacedJob, context: Context, progress: Progress | None) -> Taken:
    """Read the panel by its shading."""
    sheet, stations, inputs = placed.sheet, list(placed.stations), placed.inputs
    region = _without_balls(sheet, context.grid, context.region, stations[0])
    context = replace(context, region=region)
    found = find_lamps(sheet, stations, place_sd_mm=inputs.lamp_mm)
    ambient = _ambient(sheet, stations[0], context.views[0])
    got = read_lamp(context, found.lamps, ambient=ambient, bend_sd_mm=found.sd_mm, progress=progress)
    shares = (
        ("light and room", "darken the room, and use more lamp places", got.scale_rel),
        ("lamp places", "measure the lamp's places again, from the panel's middle", _tangent_rel(found)),
        (
            "tag places",
            "lay the tags to a rule, and measure between their middles",
            inputs.tag_centre_mm / sheet.panel.extent_mm[0],
        ),
    )

    maps = (
        (
            "lamp places, bend",
            "measure the lamp's places again, from the panel's middle",
            got.bends.places_mm,
        ),
        ("paint not quite matt", "a dry guide coat, and lamps lower over the panel", got.bends.paint_mm),
    )

    def scaled(fair: FairForm) -> Budget:
        return budget_scaled(got.reading, fair, shares=shares, maps=maps)

    light = {
        "lamps": list(found.rows),
        "room_light": got.setting.room,
        "brightness": [float(value) for value in got.setting.brightness],
        "depth_scale_rel": got.scale_rel,
    }
    least = 2 * float(np.median(got.bends.paint_mm[np.isfinite(got.reading.height_mm)]))
    return Taken(
        context.grid,
        context.region,
        got.reading,
        scaled,
        0.015,
        12.0,
        0.0,
        details={"light": light},
        least_floor_mm=least,
    )


def _tangent_rel(found: LampPlaces) -> float:
    """Share of a depth from the lamps' places: what turns a slope into brightness is the tangent of their angle."""
    places = found.lamps.places_mm
    out, over = np.median(np.hypot(places[:, 0], places[:, 1])), np.median(places[:, 2])
    return found.sd_mm * float(np.hypot(1 / max(out, 1.0), 1 / over))


def _ambient(sheet: Sheet, station: Station, view: View) -> View | None:
    """The photo with the lamp out, through the pose of the lit ones: its own tags may be too dark to see."""
    if sheet.lamp is None or sheet.lamp.ambient_photo is None:
        return None
    name = sheet.lamp.ambient_photo
    photo = read_photo(sheet.folder / name, name, encoding=sheet.photos[0].encoding)
    if photo.image.shape != station.photo.image.shape:
        raise RefusedError(
            f"{name} is not of the same size as {station.photo.file}",
            found=f"{photo.image.shape[1]} x {photo.image.shape[0]} pixels",
            allowed=f"{station.photo.image.shape[1]} x {station.photo.image.shape[0]}, as the lamp photos",
            cure="take the photo with the lamp out from the same stand, with the same settings",
        )
    return View(photo, view.camera, view.pose, "", view.hidden_px)


def _without_balls(sheet: Sheet, grid: Grid, region: Array, station: Station) -> Array:
    """The region less what each ball hides from the camera, and the ground it stands on."""
    out = region.copy()
    x, y = np.meshgrid(grid.x_mm, grid.y_mm)
    camera = station.fit.pose.centre_mm
    for ball in sheet.balls:
        middle = np.array(ball.centre_mm)
        # The ball hides the panel from where it stands to where the sight line through its middle meets the panel.
        behind = middle + (middle - camera) * middle[2] / (camera[2] - middle[2])
        for share in np.linspace(0.0, 1.0, 7):
            at = middle[:2] + share * (behind - middle)[:2]
            out[np.hypot(x - at[0], y - at[1]) < 1.3 * ball.radius_mm] |= bit("left_out")
    return out
