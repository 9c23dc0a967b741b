"""The preview: a panel in gloss from all round, beside the same panel made fair."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from surfscan.core.carrier import seal
from surfscan.core.colour import to_srgb
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit
from surfscan.core.message import Phrase
from surfscan.core.records import Board, HeightMap
from surfscan.gloss.mirrored import CLEAR_COAT, Mirror, WallSeen, make_mirror, mirror_pixels, picture_of
from surfscan.gloss.viewing import LIGHTS, Viewpoint, WallLight, aim_camera, face_wall, walk_round
from surfscan.optics.lens import project
from surfscan.optics.mirror import fresnel, hit_board
from surfscan.report.marks import hatch

__all__ = [
    "BODY",
    "DARK",
    "GlossPicture",
    "GlossPreview",
    "Room",
    "WorstPlace",
    "brightest",
    "developed",
    "preview_gloss",
    "see_settings",
]

Array = NDArray[Any]

_PAPER, _UNKNOWN = (247, 247, 244), (150, 150, 148)
BODY = 0.004
"""What dark paint under the clear coat sends back, as a share of the wall's brightness (a shop at a tenth of that)."""
DARK = 0.01  # of the wall's bright places: what is unlit there


@dataclass(frozen=True, slots=True)
class WorstPlace:
    """Where the reflection is bent most.

    Attributes
    ----------
    x_mm, y_mm : float
    slope_mrad : float
        Steepest slope of the deviation (smoothed as the pictures are), true size, not exaggerated.
    shift_mm : float
        How far from its place on a fair panel the wall's place is that shows there, seen from the first viewpoint.
    """

    x_mm: float
    y_mm: float
    slope_mrad: float
    shift_mm: float


@dataclass(frozen=True, slots=True)
class GlossPicture:
    """One light from one viewpoint: the panel as it is, and made fair.

    Attributes
    ----------
    view : Viewpoint
    light : WallLight
    panel, fair : ndarray (H, W, 3), uint8
        sRGB; hatched where the map was not measured.
    worst_px : (column, row)
        Of the worst place in both.
    """

    view: Viewpoint
    light: WallLight
    panel: Array
    fair: Array
    worst_px: tuple[float, float]

    def __post_init__(self) -> None:
        seal(self)


@dataclass(frozen=True, slots=True)
class GlossPreview:
    """What `preview_gloss` gives.

    Attributes
    ----------
    pictures : tuple of GlossPicture
        Views in order, the lights of each in order.
    worst : WorstPlace
    exaggeration : float
        What the deviation was multiplied with in the pictures.
    told : Phrase
        What is seen, at what exaggeration, from where.
    settings : dict
        Distances (mm), period, smoothing, refractive index; JSON-ready.
    """

    pictures: tuple[GlossPicture, ...]
    worst: WorstPlace
    exaggeration: float
    told: Phrase
    settings: dict[str, Any]

    @property
    def sentence(self) -> str:
        """What is seen, at what exaggeration, from where; mm."""
        return self.told.say()


@dataclass(frozen=True, slots=True)
class Room:
    """What the panel is looked at in: lights, how far the wall is and what is on it, and the pictures' width."""

    lights: tuple[str, ...]
    wall_mm: float
    period_mm: float
    width_px: int
    index: float


def preview_gloss(
    height: HeightMap,
    *,  # house: one keyword for each option of the command
    exaggeration: float = 1.0,
    lights: tuple[str, ...] = LIGHTS,
    views: tuple[Viewpoint, ...] | None = None,
    wall_mm: float = 1500.0,
    period_mm: float = 80.0,
    smooth_mm: float | None = None,
    width_px: int = 480,
    index: float = CLEAR_COAT,
) -> GlossPreview:
    """Show a panel as it will look in gloss.

    Parameters
    ----------
    height : HeightMap
        A measured map (`result.height`), or a made one.
    exaggeration : float
        What the deviation from the fair form is multiplied with, over 0 to 100; 1 is true.
    lights : tuple of str
        Any of "stripes", "strip", "grid".
    views : tuple of Viewpoint, optional
        Default: eight all round, 1.5 m away, 35 degrees over the panel.
    wall_mm : float
        From the panel's middle to the wall of light, which is always opposite to the eye.
    period_mm : float
        Of stripes and grid on the wall.
    smooth_mm : float, optional
        Standard deviation of the smoothing of the deviation; default one cell of the map.
    width_px : int
        Of each picture, 64 to 4000.
    index : float
        Refractive index of the coat, over 1 to 3.

    Returns
    -------
    GlossPreview

    Raises
    ------
    NotMeasuredError
        When nothing of the map was measured.
    RefusedError
        For a setting out of range.

    Notes
    -----
    Pinhole, law of reflection, Fresnel's equations for the coat; a map's cell is what is seen of texture finer than
    that, nothing. The pictures of one pair have one exposure.
    """
    views = walk_round() if views is None else views
    room = Room(tuple(lights), wall_mm, period_mm, width_px, index)
    see_settings(height, views, room, exaggeration, smooth_mm)
    panel, fair = make_mirror(height, exaggeration=exaggeration, smooth_mm=smooth_mm)
    true = panel if exaggeration == 1 else make_mirror(height, smooth_mm=smooth_mm)[0]
    worst = _find_worst(true, fair, height, views[0], wall_mm, period_mm)
    pictures = []
    for view in views:
        pictures += _look(panel, fair, view, worst, room)
    settings = {
        "exaggeration": exaggeration,
        "wall_mm": wall_mm,
        "period_mm": period_mm,
        "smooth_mm": height.grid.step_mm if smooth_mm is None else smooth_mm,
        "refractive_index": index,
        "views": [
            {"azimuth_deg": v.azimuth_deg, "elevation_deg": v.elevation_deg, "distance_mm": v.distance_mm}
            for v in views
        ],
    }
    said = _tell(worst, exaggeration, views[0], room)
    return GlossPreview(tuple(pictures), worst, exaggeration, said, settings)


def see_settings(
    height: HeightMap, views: tuple[Viewpoint, ...], room: Room, exaggeration: float, smooth_mm: float | None
) -> None:
    """Refuse what can't be shown (RefusedError, NotMeasuredError)."""
    for name, value, low, high in (
        ("The exaggeration", exaggeration, 0.01, 100.0),
        ("The wall's distance", room.wall_mm, 50.0, 100_000.0),
        ("The period", room.period_mm, 1.0, 10_000.0),
        ("The smoothing", 0.0 if smooth_mm is None else smooth_mm, 0.0, 100.0),
        ("The picture's width", float(room.width_px), 64.0, 4000.0),
        ("The refractive index", room.index, 1.01, 3.0),
    ):
        if not low <= value <= high:
            raise RefusedError(
                f"{name} is out of range",
                found=f"{value:g}",
                allowed=f"{low:g} to {high:g}",
                cure="give a number within these",
            )
    if not room.lights or not set(room.lights) <= set(LIGHTS):
        raise RefusedError(
            "The light is not known",
            found=", ".join(room.lights) or "none",
            allowed=", ".join(LIGHTS),
            cure="choose from those",
        )
    if not views:
        raise RefusedError("There is no viewpoint", allowed="one or more", found="none", cure="name one")
    if min(height.height_mm.shape) < 4:
        raise RefusedError(
            "The map is too small",
            allowed="4 by 4 cells and more",
            found=" x ".join(map(str, height.height_mm.shape[::-1])),
            cure="take a larger map, or one of finer cells",
        )
    if not np.isfinite(height.height_mm).any():
        raise NotMeasuredError(
            "Nothing of the panel was measured, so nothing can be shown in gloss",
            cure="measure it first",
            found="no height",
            allowed="a map with heights",
        )
    grid = height.grid
    reach = 0.5 * math.hypot(np.ptp(grid.x_mm), np.ptp(grid.y_mm))
    nearest = min(room.wall_mm, *(view.distance_mm for view in views))
    if nearest <= reach:
        raise RefusedError(
            "The eye or the wall is too near for this panel",
            found=f"{nearest:g} mm",
            allowed=f"more than {reach:.0f} mm, the panel's half diagonal",
            cure="stand farther off",
        )


def _find_worst(
    panel: Mirror, fair: Mirror, height: HeightMap, view: Viewpoint, wall_mm: float, period_mm: float
) -> WorstPlace:
    """Steepest measured place of the deviation, a cell inside what was measured and off the uncertain rim."""
    finer = (panel.z_mm.shape[0] - 1) // (height.grid.shape[0] - 1)
    dp, dq = (a[::finer, ::finer] - b[::finer, ::finer] for a, b in ((panel.p, fair.p), (panel.q, fair.q)))
    slope = np.hypot(dp, dq)
    known = np.isfinite(height.height_mm)
    inner = cv2.erode(known.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    for use in (inner & ((height.flags & (bit("edge") | bit("narrow"))) == 0), inner, known):
        if use.any():
            break
    r, c = np.unravel_index(int(np.where(use, slope, -1.0).argmax()), slope.shape)
    x, y = float(height.grid.x_mm[c]), float(height.grid.y_mm[r])
    wall = face_wall(view, distance_mm=wall_mm, period_mm=period_mm)
    eye = view.eye_mm
    hits = [
        hit_board(
            np.array(x), np.array(y), float(m.z_mm[finer * r, finer * c]), float(m.p[finer * r, finer * c]),
            float(m.q[finer * r, finer * c]), camera_mm=eye, board=wall,
        )
        for m in (panel, fair)
    ]  # fmt: skip
    shift = np.hypot(hits[0].across_mm - hits[1].across_mm, hits[0].up_mm - hits[1].up_mm)
    return WorstPlace(x, y, float(1e3 * slope[r, c]), float(shift))


def _tell(worst: WorstPlace, exaggeration: float, view: Viewpoint, room: Room) -> Phrase:
    size = "at its true size" if exaggeration == 1 else f"{exaggeration:g} times its true size"
    bent = (
        "the reflection is bent by {shift:length} on the wall, {share:.2f} of a stripe"
        if math.isfinite(worst.shift_mm)
        else "the reflection leaves the wall"
    )
    return Phrase.of(
        "Worst at x {x:length_bare}, y {y:length}: {slope:.1f} mrad off fair; seen from {eye:far} with the light"
        " {wall:far} away " + bent + ". The deviation is shown {size}.",
        x=worst.x_mm,
        y=worst.y_mm,
        slope=worst.slope_mrad,
        eye=view.distance_mm,
        wall=room.wall_mm,
        shift=worst.shift_mm,
        share=worst.shift_mm / room.period_mm,
        size=size,
    )


def _look(panel: Mirror, fair: Mirror, view: Viewpoint, worst: WorstPlace, room: Room) -> list[GlossPicture]:
    wall = face_wall(view, distance_mm=room.wall_mm, period_mm=room.period_mm)
    rims = np.concatenate([panel.rim_mm, fair.rim_mm])
    camera, pose, height_px = aim_camera(view, rims, width_px=room.width_px)
    size = (room.width_px, min(height_px, 4 * room.width_px))
    seen = [
        mirror_pixels(m, camera=camera, pose=pose, size_px=size, wall=wall, index=room.index)
        for m in (panel, fair)
    ]
    x, y = np.array(worst.x_mm), np.array(worst.y_mm)
    column, row = project(x, y, _height_at(panel, worst), camera=camera, pose=pose)
    out = []
    for kind in room.lights:
        light = WallLight(kind, room.period_mm, room.period_mm / 6)
        if kind == "strip":
            light = replace(light, width_mm=room.period_mm / 2, at_mm=_aim_strip(fair, worst, view, wall))
        pair = [picture_of(m, light, body=BODY, dark=DARK) for m in seen]
        gain = 0.9 / brightest(seen[1])
        shown = [developed(p, m, gain) for p, m in zip(pair, seen, strict=True)]
        out.append(GlossPicture(view, light, shown[0], shown[1], (float(column), float(row))))
    return out


def _cell(mirror: Mirror, worst: WorstPlace) -> tuple[int, int]:
    return int(np.abs(mirror.y_mm - worst.y_mm).argmin()), int(np.abs(mirror.x_mm - worst.x_mm).argmin())


def _height_at(mirror: Mirror, worst: WorstPlace) -> float:
    return float(mirror.z_mm[_cell(mirror, worst)])


def _aim_strip(fair: Mirror, worst: WorstPlace, view: Viewpoint, wall: Board) -> float:
    """Where the strip must hang so that its reflection in the fair panel crosses the worst place."""
    at = _cell(fair, worst)
    hit = hit_board(
        np.array(worst.x_mm), np.array(worst.y_mm), float(fair.z_mm[at]), float(fair.p[at]), float(fair.q[at]),
        camera_mm=view.eye_mm, board=wall,
    )  # fmt: skip
    return float(hit.up_mm) if np.isfinite(hit.up_mm) else 0.0


def brightest(seen: WallSeen) -> float:
    """Radiance of the wall's bright places in the fair panel, where it reflects most."""
    share = seen.reflectance[seen.on_panel]
    most = float(np.quantile(share, 0.98)) if share.size else float(fresnel(0.0))
    return most + BODY


def developed(linear: Array, seen: WallSeen, gain: float) -> Array:
    """A picture as it is shown: sRGB, hatched where the map was not measured."""
    grey = np.rint(255 * to_srgb(np.clip(linear * gain, 0.0, 1.0))).astype(np.uint8)
    canvas: Array = cv2.merge([grey, grey, grey])
    unknown = seen.on_panel & ~seen.measured
    canvas[unknown] = _UNKNOWN
    hatch(canvas, unknown, 12)
    canvas[~seen.on_panel] = _PAPER
    return canvas
