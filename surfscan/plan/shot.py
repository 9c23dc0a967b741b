"""What a user says about a shot before taking it: panel, camera, board, distances, surface and light."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

from surfscan.core.errors import UsageError
from surfscan.job.photos import focal_from_35mm

__all__ = ["SURFACES", "Finish", "RoomLight", "Shot", "finish_named"]


FLATTEST_MM = 1e7
"""Radius of the flattest crown: over a panel of 10 m it rises 1 mm."""


@dataclass(frozen=True, slots=True)
class Finish:
    """What the panel's surface makes of light.

    Attributes
    ----------
    name : str
    index : float
        Refractive index of what mirrors: 1.5 for paint and primer, 1.33 for a film of water.
    albedo : float
        Diffuse reflectance of the bare base, 0 to 1.
    coated : bool
        Whether a clear film lies over the base; it takes light going in and coming out, and looks darker.
    rough_um : float
        Root mean square roughness of the mirroring surface, um: it takes light out of the mirrored picture.
    texture_mrad : float
        Standard deviation of the slopes of a fine texture (satin): it smears the mirrored picture.
    """

    name: str
    index: float = 1.5
    albedo: float = 0.2
    coated: bool = True
    rough_um: float = 0.0
    texture_mrad: float = 0.0


SURFACES: dict[str, Finish] = {
    "gloss": Finish("gloss"),
    "wet-primer": Finish("wet primer", index=1.33, albedo=0.4),
    "satin": Finish("satin", albedo=0.2, texture_mrad=4.0),
    "dry-primer": Finish("dry sanded primer", albedo=0.4, coated=False, rough_um=0.5),
}
"""Usual surfaces. The roughness of sanded primer is a guess (no measured value was found): give your own."""


@dataclass(frozen=True, slots=True)
class RoomLight:
    """Brightness of everything, in units of the board's bright stripes.

    Attributes
    ----------
    dark : float
        The board's dark stripes.
    room : float
        White paper on the panel, by the room's light alone.
    room_seen : float
        What the gloss mirrors beside the board.

    Notes
    -----
    The defaults are a lit board in a dimmed workshop: our own choice, no source.
    """

    dark: float = 0.046
    room: float = 0.12
    room_seen: float = 0.046


_RANGES: dict[str, tuple[float, float, str]] = {
    # name: least, most, what it is
    "focal_px": (50.0, 2e5, "the focal length in pixels"),
    "focal_35mm": (5.0, 2000.0, "the 35 mm equivalent focal length"),
    "focal_mm": (0.5, 2000.0, "the real focal length in mm"),
    "f_number": (0.7, 64.0, "the f-number"),
    "crown_mm": (50.0, math.inf, "the radius of the panel's crown in mm"),
    "crown_y_mm": (50.0, math.inf, "the radius of the crown along the panel's height in mm"),
    "period_mm": (0.5, 1000.0, "the stripe period in mm"),
    "board_distance_mm": (50.0, 20000.0, "the distance from panel to board in mm"),
    "camera_distance_mm": (50.0, 20000.0, "the distance from panel to camera in mm"),
    "angle_deg": (0.0, 88.0, "the angle between line of sight and the panel's normal in degrees"),
    "tag_side_mm": (3.0, 500.0, "the side of the tags' black square in mm"),
}
_PAIRS: dict[str, tuple[float, float, str]] = {
    "panel_mm": (20.0, 10000.0, "width and height of the panel in mm"),
    "board_mm": (20.0, 20000.0, "width and height of the board in mm"),
    "image_px": (100.0, 60000.0, "width and height of the photo in pixels"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """A shot as planned.

    The board stands beyond the panel's upper edge and faces the panel's middle; the camera stands beyond the
    lower edge, as steep, so that it sees the board's middle mirrored in the panel's.

    Attributes
    ----------
    panel_mm : (width, height)
    crown_mm, crown_y_mm : float
        Radius of the crown along the width, and along the height (None: the same); inf is flat.
    focal_px, focal_35mm : float, optional
        One of them: focal length in pixels of the photo, or 35 mm equivalent.
    image_px : (width, height)
        Of the photo.
    focal_mm, f_number : float
        Real focal length and f-number, which make the width of the lens; defaults of a phone's main camera.
    board_mm : (width, height)
    period_mm : float
        Stripe period, dark and bright together.
    board_distance_mm, camera_distance_mm : float
        From the panel's middle.
    angle_deg : float
        Between the line of sight and the panel's normal: 0 looks straight on, 90 grazes.
    surface : Finish
    light : RoomLight
    square : bool
        Hard black and white stripes, as printed; else smooth ones.
    tag_side_mm : float
        Black side of the four corner tags.
    """

    panel_mm: tuple[float, float]
    crown_mm: float = math.inf
    crown_y_mm: float | None = None
    focal_px: float | None = None
    focal_35mm: float | None = None
    image_px: tuple[int, int] = (4000, 3000)
    focal_mm: float = 5.6
    f_number: float = 1.8
    board_mm: tuple[float, float] = (1500.0, 1300.0)
    period_mm: float = 30.0
    board_distance_mm: float = 1000.0
    camera_distance_mm: float = 1000.0
    angle_deg: float = 35.0
    surface: Finish = field(default_factory=lambda: SURFACES["gloss"])
    light: RoomLight = field(default_factory=RoomLight)
    square: bool = True
    tag_side_mm: float = 36.0

    def __post_init__(self) -> None:
        for name, (least, most, what) in _RANGES.items():
            value = getattr(self, name)
            if value is not None:
                _check(name, value, least, most, what)
        for name, (least, most, what) in _PAIRS.items():
            pair = getattr(self, name)
            if not isinstance(pair, tuple | list) or len(pair) != 2:
                raise UsageError(
                    f"{name} is {what}",
                    found=repr(pair),
                    allowed="two numbers",
                    cure="give two numbers, as width and height",
                )
            for value in pair:
                _check(name, value, least, most, what)
        _check("surface.index", self.surface.index, 1.01, 4.0, "the refractive index")
        _check("surface.albedo", self.surface.albedo, 0.0, 1.0, "the diffuse reflectance of the base")
        _check("surface.rough_um", self.surface.rough_um, 0.0, 100.0, "the rms roughness in um")
        _check("surface.texture_mrad", self.surface.texture_mrad, 0.0, 200.0, "the texture's slopes in mrad")
        for name in ("dark", "room", "room_seen"):
            _check(
                f"light.{name}",
                getattr(self.light, name),
                0.0,
                100.0,
                "a brightness, the bright stripes being 1",
            )
        if self.focal_px is None and self.focal_35mm is None:
            raise UsageError(
                "The camera's focal length is missing",
                allowed="focal_px or focal_35mm",
                cure="give focal_35mm, which phone makers publish; about 26 for a phone's main camera",
                found="neither focal_px nor focal_35mm",
            )
        if self.focal_px is not None and self.focal_35mm is not None:
            raise UsageError(
                "The focal length is given twice",
                allowed="one of focal_px and focal_35mm",
                found="both",
                cure="leave one out",
            )
        if self.light.dark >= 1:
            raise UsageError(
                "The board's dark stripes are as bright as its bright ones",
                found=f"{self.light.dark:g}",
                allowed="0 to under 1",
                cure="give the dark stripes' brightness as a share of the bright ones'",
            )
        self._see_crown()

    def _see_crown(self) -> None:
        half = math.hypot(*self.panel_mm) / 2
        for name in ("crown_mm", "crown_y_mm"):
            radius = getattr(self, name)
            if radius is not None and FLATTEST_MM < radius < math.inf:
                raise UsageError(
                    f"{name} is larger than any panel's",
                    found=f"{radius:g}",
                    allowed=f"up to {FLATTEST_MM:g} mm",
                    cure="leave it out for a flat panel",
                )
            if radius is not None and radius < 1.02 * half:
                raise UsageError(
                    f"The crown is rounder than a panel of {self.panel_mm[0]:g} x {self.panel_mm[1]:g} mm can be",
                    found=f"{name} {radius:g}",
                    allowed=f"from {math.ceil(1.02 * half):g} mm",
                    cure="plan a smaller part of the panel",
                )

    @property
    def focal(self) -> float:
        """Focal length in pixels."""
        if self.focal_px is not None:
            return self.focal_px
        assert self.focal_35mm is not None  # checked above
        return focal_from_35mm(self.focal_35mm, (self.image_px[1], self.image_px[0]))

    @property
    def lens_mm(self) -> float:
        """Width of the lens's opening, mm."""
        return self.focal_mm / self.f_number

    def with_changes(self, **changes: Any) -> Shot:
        """A copy with other values; checked like a new one."""
        return replace(self, **changes)


def finish_named(name: str, **changes: Any) -> Finish:
    """One of the usual surfaces, with some of its values replaced (None leaves one as it is).

    Raises
    ------
    UsageError
        For an unknown name.
    """
    key = name.strip().lower().replace(" ", "-").replace("_", "-")
    if key not in SURFACES:
        near = get_close_matches(key, SURFACES, 1, 0.4)
        raise UsageError(
            "The surface is not known",
            found=name,
            allowed=", ".join(SURFACES),
            cure=f"use {near[0]}" if near else "",
        )
    return replace(SURFACES[key], **{k: v for k, v in changes.items() if v is not None})


def _check(name: str, value: Any, least: float, most: float, what: str) -> None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if number and least <= value <= most:
        return
    allowed = f"{least:g} and more" if math.isinf(most) else f"{least:g} to {most:g}"
    nearest = ""
    if number and not math.isnan(value):
        nearest = f"the nearest that works is {min(max(value, least), most):g}"
    raise UsageError(f"{name} is {what}", found=f"{value}", allowed=allowed, cure=nearest)
