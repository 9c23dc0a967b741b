"""A strip of light carried over the panel: its reflection, place by place, beside that in the same panel made fair.

Where the light's edge runs smooth the panel is fair; over a low or a high it bends, closes or splits as it passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.carrier import seal
from surfscan.core.records import HeightMap
from surfscan.gloss.mirrored import CLEAR_COAT, make_mirror, mirror_pixels, picture_of
from surfscan.gloss.preview import BODY, DARK, Room, brightest, developed, see_settings
from surfscan.gloss.viewing import Viewpoint, WallLight, aim_camera, face_wall, walk_round

__all__ = ["MovingLight", "move_light"]

Array = NDArray[Any]

WIDTH_MM = 60.0
"""Of the strip: a tube with its reflector."""


@dataclass(frozen=True, slots=True)
class MovingLight:
    """What `move_light` gives.

    Attributes
    ----------
    frames : ndarray (N, H, W, 3), uint8
        sRGB: the panel as it is in the upper half, made fair in the lower.
    at_mm : ndarray (N,)
        Where the strip hangs for each, up the wall from its middle.
    """

    frames: Array
    at_mm: Array

    def __post_init__(self) -> None:
        seal(self)


def move_light(
    height: HeightMap,
    *,
    view: Viewpoint | None = None,
    count: int = 24,
    exaggeration: float = 1.0,
    wall_mm: float = 1500.0,
    width_px: int = 480,
) -> MovingLight:
    """Carry a strip of light over a panel, from its far side to its near side.

    Parameters
    ----------
    height : HeightMap
    view : Viewpoint, optional
        Where the eye is; default 1.5 m away, beyond the panel's lower edge, 35 degrees over it.
    count : int
        Places of the light, 2 to 60.
    exaggeration : float
        What the deviation from the fair form is multiplied with, over 0 to 100; 1 is true.
    wall_mm : float
        From the panel's middle to where the light moves.
    width_px : int
        Of the pictures, 64 to 4000.

    Returns
    -------
    MovingLight

    Raises
    ------
    NotMeasuredError
        When nothing of the map was measured.
    RefusedError
        For a setting out of range.
    """
    view = view or walk_round(views=1)[0]
    count = int(np.clip(count, 2, 60))
    room = Room(("strip",), wall_mm, WIDTH_MM, width_px, CLEAR_COAT)
    see_settings(height, (view,), room, exaggeration, None)
    mirrors = make_mirror(height, exaggeration=exaggeration)
    wall = face_wall(view, distance_mm=wall_mm, period_mm=WIDTH_MM)
    rims = np.concatenate([mirror.rim_mm for mirror in mirrors])
    camera, pose, height_px = aim_camera(view, rims, width_px=width_px)
    size = (width_px, min(height_px, 4 * width_px))
    seen = [mirror_pixels(mirror, camera=camera, pose=pose, size_px=size, wall=wall) for mirror in mirrors]
    up = seen[1].up_mm[seen[1].on_panel & np.isfinite(seen[1].up_mm)]
    low, high = (float(v) for v in np.quantile(up, [0.01, 0.99])) if up.size else (0.0, 0.0)
    at_mm = np.linspace(low, high, count)
    gain = 0.9 / brightest(seen[1])
    frames = [
        np.vstack(
            [
                developed(
                    picture_of(one, WallLight("strip", WIDTH_MM, WIDTH_MM, float(at)), body=BODY, dark=DARK),
                    one,
                    gain,
                )
                for one in seen
            ]
        )
        for at in at_mm
    ]
    return MovingLight(np.stack(frames), at_mm)
