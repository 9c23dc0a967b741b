"""What is in front of the camera: panel, tags, board, light, and the list of photos to take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from surfscan.core.records import Board, Camera, Pose
from surfscan.synth.marks import Mark, Speck
from surfscan.synth.panels import Panel

__all__ = [
    "Exposure",
    "Lighting",
    "Motion",
    "Scene",
    "Stain",
    "Tags",
    "board_facing",
    "corner_tags",
    "look_at",
]

Array = NDArray[Any]


def look_at(centre_mm: ArrayLike, target_mm: ArrayLike, up: ArrayLike = (0.0, 1.0, 0.0)) -> Pose:
    """Return the pose of a camera at `centre_mm` that looks at `target_mm`, with `up` upward in its picture.

    Raises
    ------
    ValueError
        If the camera sits on its target or looks along `up`.
    """
    centre, target = np.asarray(centre_mm, dtype=float), np.asarray(target_mm, dtype=float)
    ahead = target - centre
    right = np.cross(ahead, np.asarray(up, dtype=float))
    if np.linalg.norm(ahead) < 1e-9 or np.linalg.norm(right) < 1e-9 * np.linalg.norm(ahead):
        raise ValueError("the camera must be away from its target and must not look along `up`")
    ahead, right = ahead / np.linalg.norm(ahead), right / np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    return Pose(rotation, -rotation @ centre, np.zeros((6, 6)), 0.0)


def board_facing(
    distance_mm: float,
    elevation_deg: float,
    *,
    size_mm: tuple[float, float],
    period_mm: float,
    target_mm: ArrayLike = (0.0, 0.0, 0.0),
) -> Board:
    """Return a board beyond the panel's upper edge, square to the line from its middle to `target_mm`.

    `elevation_deg` is the angle of that line above the panel; ``across`` is the panel's x.
    """
    e = np.deg2rad(elevation_deg)
    centre = np.asarray(target_mm, dtype=float) + distance_mm * np.array([0.0, np.cos(e), np.sin(e)])
    across, up = np.array([1.0, 0.0, 0.0]), np.array([0.0, -np.sin(e), np.cos(e)])
    return Board(centre, across, up, size_mm, period_mm)


@dataclass(frozen=True)
class Tags:
    """Printed square tags on the panel: `centres_mm` maps id to place; the white border is `border_mm`."""

    dictionary: str
    side_mm: float
    centres_mm: dict[int, tuple[float, float]]
    border_mm: float
    covered: tuple[int, ...] = ()

    def bits(self, tag: int) -> Array:
        """The tag's cells with its black rim, row 0 at the top, 1 white: (n, n) uint8."""
        number = getattr(cv2.aruco, f"DICT_{self.dictionary.upper()}")
        dictionary = cv2.aruco.getPredefinedDictionary(number)
        n = dictionary.markerSize + 2
        cells: Array = (cv2.aruco.generateImageMarker(dictionary, tag, n) > 127).astype(np.uint8)
        return cells


def corner_tags(
    size_mm: tuple[float, float],
    *,
    side_mm: float = 36.0,
    inset_mm: float = 27.0,
    dictionary: str = "4x4_50",
    covered: tuple[int, ...] = (),
) -> Tags:
    """Return tags 0 to 3 at the panel's corners: lower left, lower right, upper right, upper left.

    `covered` tags are in the sheet but hidden under tape.
    """
    x, y = size_mm[0] / 2 - inset_mm, size_mm[1] / 2 - inset_mm
    return Tags(dictionary, side_mm, {0: (-x, -y), 1: (x, -y), 2: (x, y), 3: (-x, y)}, side_mm / 6, covered)


@dataclass(frozen=True)
class Stain:
    """An oval of another albedo (filler on primer), `width_mm` by `height_mm` about (x_mm, y_mm)."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    albedo: float


@dataclass(frozen=True)
class Lighting:
    """Brightness of everything, in units in which 1 is the camera's white.

    Attributes
    ----------
    room : float
        Diffuse illumination of the panel: a white paper shows this brightness.
    room_slope : (float, float)
        Relative change of that over 1000 mm along x and y.
    room_seen : float
        Radiance of the room that the gloss reflects beside the board.
    board_bright, board_dark : float
        Radiance of the board's bright and dark places.
    background : float
        What the camera sees beside the panel.
    lamp_power_mm2 : float
        Lamp photos: a white paper facing the lamp at distance d shows lamp_power / d^2.
    """

    room: float = 0.8
    room_slope: tuple[float, float] = (0.0, 0.0)
    room_seen: float = 0.3
    board_bright: float = 6.5
    board_dark: float = 0.3
    background: float = 0.3
    lamp_power_mm2: float = 6.0e5


Motion = Callable[[Array], tuple[Array, Array]]
"""From rows (R,) to the camera's rotation (2, R, 3, 3) and centre (2, R, 3) as their exposure begins and ends."""


@dataclass(frozen=True)
class Exposure:
    """One photo: its file, camera pose, and what the board shows (or where the lamp is).

    `pattern` is "stripes", "crossed", "stepped", "dots" or "lamp". `period_mm` None means the board's. With
    `shows_board` the board's front is in the picture itself, not only in the panel's mirror. `moving` says where the
    camera is while a row is exposed; `pose` is then its middle. `picture` (H, W), light 0 to 1, row 0 at the top, is
    what a screen shows all over the board, in place of a pattern.
    """

    file: str
    pose: Pose
    pattern: str = "stripes"
    varies: str = "across"
    period_mm: float | None = None
    phase_deg: float = 0.0
    lamp_mm: tuple[float, float, float] | None = None
    shows_board: bool = False
    moving: Motion | None = None
    picture: Array | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        if self.pattern not in ("stripes", "crossed", "stepped", "dots", "lamp") or self.varies not in (
            "across",
            "up",
        ):
            raise ValueError(f"unknown pattern {self.pattern!r} or direction {self.varies!r}")
        if (self.pattern == "lamp") != (self.lamp_mm is not None):
            raise ValueError("a lamp photo, and only that, has lamp_mm")


@dataclass(frozen=True)
class Scene:
    """Everything a job's photos depend on.

    Attributes
    ----------
    panel, camera : the surface, and the lens (``centre_px`` counts pixel centres as whole numbers).
    shots : the photos to take; if empty, `poses` says them: one pose or two give an ``across`` and an
        ``up`` stripe photo.
    board, tags : may be None for a lamp job, or a job without tags.
    image_size_px : (width, height).
    albedo : diffuse reflectance of the base, 0 to 1. `patches` lie over it.
    index : refractive index of the gloss layer; 1 is a matt panel.
    roughness_rad : standard deviation of the micro-slopes of a satin surface; 0 is gloss.
    square, duty : hard-edged stripes, and their bright share.
    dot_radius_mm : radius of a dot board's lights.
    lens_blur_px : standard deviation of the lens's blur.
    supersampling : samples per pixel and direction.
    board_tags : tags on the board, their centres (across, up) from its middle.
    board_sag_mm : how far the board's left and right edges bend back behind its middle, as a parabolic cylinder:
        -sag * (2a/width)^2.
    marks, specks : small faults on the panel, and dust on the camera.
    """

    panel: Panel
    camera: Camera
    board: Board | None = None
    tags: Tags | None = None
    poses: tuple[Pose, ...] = ()
    shots: tuple[Exposure, ...] = ()
    image_size_px: tuple[int, int] = (1600, 1200)
    light: Lighting = field(default_factory=Lighting)
    albedo: float = 0.2
    patches: tuple[Stain, ...] = ()
    index: float = 1.5
    roughness_rad: float = 0.0
    square: bool = True
    duty: float = 0.5
    dot_radius_mm: float = 4.0
    lens_blur_px: float = 0.4
    supersampling: int = 3
    board_tags: Tags | None = None
    board_sag_mm: float = 0.0
    marks: tuple[Mark, ...] = ()
    specks: tuple[Speck, ...] = ()
    name: str = "known panel"
    stage: str = "primer"
    limits_mm: dict[str, float] = field(
        default_factory=lambda: {"low_mm": 0.04, "high_mm": 0.04, "filler_depth_mm": 6.35}
    )

    def all_shots(self) -> tuple[Exposure, ...]:
        """The shots, or the pair of stripe photos that `poses` stands for."""
        if self.shots:
            return self.shots
        if not self.poses:
            raise ValueError("a scene needs shots or poses")
        return (
            Exposure("stripes-across.jpg", self.poses[0], varies="across"),
            Exposure("stripes-up.jpg", self.poses[-1], varies="up"),
        )
