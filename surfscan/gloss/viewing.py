"""Where the eye stands, and what light the panel mirrors.

The light is a wall that is carried round opposite to the eye: both look at the panel's middle at the same angle, as
two people do who carry a striped board round a car.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Board, Camera, Pose

__all__ = ["LIGHTS", "Viewpoint", "WallLight", "aim_camera", "brightness", "face_wall", "walk_round"]

Array = NDArray[Any]

LIGHTS = ("stripes", "strip", "grid")
"""What the wall can show."""


@dataclass(frozen=True, slots=True)
class Viewpoint:
    """Where the eye is.

    Attributes
    ----------
    azimuth_deg : float
        Round the panel, anticlockwise as seen from in front of it; 0 is beyond its lower edge (towards -y).
    elevation_deg : float
        Above the panel's plane.
    distance_mm : float
        From the panel's middle.
    """

    azimuth_deg: float
    elevation_deg: float
    distance_mm: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.azimuth_deg) and 5 <= self.elevation_deg <= 85):
            raise ValueError(f"the eye is 5 to 85 degrees above the panel; found {self.elevation_deg:g}")
        if not 50 <= self.distance_mm <= 100_000:
            raise ValueError(f"the eye is 50 to 100000 mm away; found {self.distance_mm:g}")

    @property
    def eye_mm(self) -> Array:
        """The eye in the panel frame, (3,)."""
        a, e = math.radians(self.azimuth_deg), math.radians(self.elevation_deg)
        ahead = np.array([math.sin(a) * math.cos(e), -math.cos(a) * math.cos(e), math.sin(e)])
        return self.distance_mm * ahead

    @property
    def right(self) -> Array:
        """The panel-frame direction to the right in the eye's picture, a unit vector (3,)."""
        a = math.radians(self.azimuth_deg)
        return np.array([math.cos(a), math.sin(a), 0.0])


@dataclass(frozen=True, slots=True)
class WallLight:
    """What the wall shows, bright on dark.

    Attributes
    ----------
    kind : {"stripes", "strip", "grid"}
        Stripes (half bright, upright on the wall), one long lamp lying along the wall, or bright lines both ways.
    period_mm : float
        Of stripes and grid.
    width_mm : float
        Of the strip, or of the grid's lines.
    at_mm : float
        Where the strip's middle is, up the wall from its middle.
    """

    kind: str
    period_mm: float = 80.0
    width_mm: float = 12.0
    at_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in LIGHTS:
            raise ValueError(f"a light is one of {', '.join(LIGHTS)}; found {self.kind!r}")
        if not (self.period_mm > 0 and self.width_mm > 0):
            raise ValueError("period and width are over 0")


def walk_round(
    *, views: int = 8, distance_mm: float = 1500.0, elevation_deg: float = 35.0
) -> tuple[Viewpoint, ...]:
    """Viewpoints evenly round the panel, beginning beyond its lower edge."""
    if not 1 <= views <= 72:
        raise ValueError(f"1 to 72 viewpoints; found {views}")
    return tuple(Viewpoint(360.0 * k / views, elevation_deg, distance_mm) for k in range(views))


def face_wall(view: Viewpoint, *, distance_mm: float, period_mm: float) -> Board:
    """The wall of light opposite to an eye, square to the line from its middle to the panel's.

    It is ten distances wide and high, rounded to whole periods: it reaches past what any panel mirrors.
    """
    a, e = math.radians(view.azimuth_deg), math.radians(view.elevation_deg)
    away = np.array([-math.sin(a) * math.cos(e), math.cos(a) * math.cos(e), math.sin(e)])
    up = np.array([math.sin(a) * math.sin(e), -math.cos(a) * math.sin(e), math.cos(e)])
    side = 2 * period_mm * round(5 * distance_mm / period_mm)
    return Board(distance_mm * away, view.right, up, (side, side), period_mm)


def aim_camera(
    view: Viewpoint, points_mm: Array, *, width_px: int, margin: float = 0.07
) -> tuple[Camera, Pose, int]:
    """A pinhole at the eye whose picture holds all points.

    Parameters
    ----------
    view : Viewpoint
    points_mm : ndarray (N, 3)
        What the picture must hold, panel frame.
    width_px : int
    margin : float
        Free share of the width at each side.

    Returns
    -------
    camera : Camera
    pose : Pose
    height_px : int
    """
    ahead = -view.eye_mm / view.distance_mm
    rotation = np.stack([view.right, np.cross(ahead, view.right), ahead])
    pose = Pose(rotation, -rotation @ view.eye_mm, np.zeros((6, 6)), 0.0)
    seen = points_mm @ rotation.T + pose.shift_mm
    if (seen[:, 2] <= 0).any():
        raise ValueError("the eye is too near: part of the panel is behind it")
    flat = seen[:, :2] / seen[:, 2:]
    low, high = flat.min(0), flat.max(0)
    focal = width_px * (1 - 2 * margin) / (high[0] - low[0])
    height_px = int(np.ceil(focal * (high[1] - low[1]) + 2 * margin * width_px))
    middle = focal * (low + high) / 2
    centre = ((width_px - 1) / 2 - middle[0], (height_px - 1) / 2 - middle[1])
    return Camera(float(focal), (float(centre[0]), float(centre[1]))), pose, height_px


def brightness(light: WallLight, across_mm: Array, up_mm: Array) -> Array:
    """What the wall shows at its places, 0 dark to 1 bright.

    Parameters
    ----------
    light : WallLight
    across_mm, up_mm : ndarray
        From the wall's middle, mm; NaN is dark.

    Returns
    -------
    ndarray, float32
    """
    with np.errstate(invalid="ignore"):
        if light.kind == "strip":
            return (np.abs(up_mm - light.at_mm) < light.width_mm / 2).astype(np.float32)
        if light.kind == "stripes":
            turn = across_mm / light.period_mm
            return (np.abs(turn - np.rint(turn)) < 0.25).astype(np.float32)
        lines = [
            np.abs(place - light.period_mm * np.rint(place / light.period_mm)) < light.width_mm / 2
            for place in (across_mm, up_mm)
        ]
    return (lines[0] | lines[1]).astype(np.float32)
