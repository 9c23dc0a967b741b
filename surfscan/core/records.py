"""Frozen carriers between the stages. Arrays in them are read-only.

Arrays are [row, column] = (H, W); panel grids ascend in y, so row 0 is the panel's lower edge.
Lengths are mm, angles rad unless the name says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from surfscan.core.carrier import Array, Carrier, check_shapes, seal
from surfscan.core.message import Message, Reason, Verdict
from surfscan.core.showing import in_notebook, in_short

__all__ = [
    "Array",
    "Board",
    "Camera",
    "CheckResult",
    "Grid",
    "HeightMap",
    "Photo",
    "PhotoCheck",
    "Pose",
    "Spot",
    "TagSeen",
]


@dataclass(frozen=True, slots=True, eq=False)
class Grid(Carrier):
    """A square-celled grid on the panel plane.

    Attributes
    ----------
    x_mm : ndarray (W,), float64
        Ascending column places in the panel frame, mm.
    y_mm : ndarray (H,), float64
        Ascending row places in the panel frame, mm.
    step_mm : float
        The spacing of both, mm.
    """

    x_mm: Array
    y_mm: Array
    step_mm: float

    def __post_init__(self) -> None:
        check_shapes(self, {"x_mm": ("W",), "y_mm": ("H",)})
        seal(self)

    @property
    def shape(self) -> tuple[int, int]:
        """(H, W)."""
        return self.y_mm.size, self.x_mm.size


@dataclass(frozen=True, slots=True, eq=False)
class Photo(Carrier):
    """One photo, upright and in linear light.

    Attributes
    ----------
    file : str
        Its name in the sheet.
    sha256 : str
        Digest of the file's bytes.
    image : ndarray (H, W), float32
        Linear luminance, 0 black to 1 white.
    saturated : ndarray (H, W), bool
        True where any channel is at its top value (blown out).
    focal_px : float or None
        Focal length read from EXIF, in pixels of this image; None when EXIF has none.
    focal_source : str
        "exif_35mm", "exif_focal_plane" or "".
    bits : int
        Bits per channel of the file, 8 or 16.
    taken : str
        When it was taken as its EXIF says, "2026-03-04 15:16:17"; empty where it says nothing.
    """

    file: str
    sha256: str
    image: Array
    saturated: Array
    focal_px: float | None = None
    focal_source: str = ""
    bits: int = 8
    taken: str = ""

    def __post_init__(self) -> None:
        check_shapes(self, {"image": ("H", "W"), "saturated": ("H", "W")})
        seal(self)


@dataclass(frozen=True, slots=True, eq=False)
class TagSeen(Carrier):
    """One tag found in a photo: its id and its four subpixel corners (4, 2), column and row.

    Corners run upper-left, upper-right, lower-right, lower-left of the printed tag, as seen upright.
    """

    id: int
    corners_px: Array

    def __post_init__(self) -> None:
        check_shapes(self, {"corners_px": (4, 2)})
        seal(self)


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole with OpenCV's distortion (k1, k2, p1, p2, k3).

    ``u_focal_rel`` is the standard uncertainty of the focal length as a share of it.
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0, 0.0)
    u_focal_rel: float = 0.0

    @property
    def matrix(self) -> Array:
        """The 3 x 3 intrinsic matrix."""
        c, r = self.centre_px
        return np.array([[self.focal_px, 0.0, c], [0.0, self.focal_px, r], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class Pose(Carrier):
    """Where the camera is: X_camera = rotation @ X_panel + shift_mm.

    Attributes
    ----------
    rotation : ndarray (3, 3)
        From the panel frame to OpenCV's camera frame (x right, y down, z ahead).
    shift_mm : ndarray (3,)
        The panel's origin in the camera frame.
    covariance : ndarray (6, 6)
        Of (rotation vector left-multiplied, shift) in rad and mm.
    reprojection_px : float
        Root mean square distance between seen and projected tag corners.
    sway : ndarray (2, 6)
        Of a frame with a rolling shutter: how the pose (turn from the left, rad; shift, mm) has changed where x/z, and
        where y/z, is larger by 1 than on the optical axis; zeros for a photo taken all at once.
    """

    rotation: Array
    shift_mm: Array
    covariance: Array
    reprojection_px: float
    sway: Array = field(default_factory=lambda: np.zeros((2, 6)))

    def __post_init__(self) -> None:
        check_shapes(self, {"rotation": (3, 3), "shift_mm": (3,), "covariance": (6, 6), "sway": (2, 6)})
        seal(self)

    @property
    def centre_mm(self) -> Array:
        """Camera centre in the panel frame, (3,); of a frame with a rolling shutter, as its middle was exposed."""
        centre: Array = -self.rotation.T @ self.shift_mm
        return centre


@dataclass(frozen=True, slots=True, eq=False)
class Board(Carrier):
    """The striped board: point(a, b) = centre + a*across + b*up, |a| <= width/2, |b| <= height/2.

    ``bend_mm`` are the coefficients of its bulge along the normal, in powers of u = 2a/width and v = 2b/height:
    u^2, uv, v^2, u^3, u^2 v, u v^2, v^3, u^4, ... v^4 (twelve); empty for a flat board. ``patches_mm`` are the squares
    of its own tags, which hide the stripes: (across, up, half side) of each.
    """

    centre_mm: Array
    across: Array
    up: Array
    size_mm: tuple[float, float]
    period_mm: float
    bend_mm: tuple[float, ...] = ()
    patches_mm: tuple[tuple[float, float, float], ...] = ()

    def __post_init__(self) -> None:
        check_shapes(self, {"centre_mm": (3,), "across": (3,), "up": (3,)})
        seal(self)

    @property
    def normal(self) -> Array:
        """Unit normal, across x up."""
        (ax, ay, az), (bx, by, bz) = (
            self.across.tolist(),
            self.up.tolist(),
        )  # np.cross takes ten times as long
        return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])

    @property
    def corners_mm(self) -> Array:
        """Its corners, (4, 3): lower left, lower right, upper right, upper left, as one looks at it."""
        half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array(self.size_mm) / 2
        return np.asarray(self.centre_mm + half @ np.stack([self.across, self.up]))


@dataclass(frozen=True, slots=True, eq=False)
class HeightMap(Carrier):
    """Deviation from the fair form on the panel grid.

    Attributes
    ----------
    grid : Grid
    height_mm : ndarray (H, W), float64
        Deviation from the fair form, + is high; NaN where not measured.
    form_mm : ndarray (H, W), float64
        The fair form; NaN where it is not defined.
    sigma_mm : ndarray (H, W), float64
        Standard uncertainty of `height_mm`; NaN where not measured.
    flags : ndarray (H, W), int32
        Bits of ``surfscan.core.flags``; 0 is plain good.
    form_name : str
        What the fair form is, in words.
    """

    grid: Grid
    height_mm: Array
    form_mm: Array
    sigma_mm: Array
    flags: Array
    form_name: str = ""

    def __post_init__(self) -> None:
        rows, columns = self.grid.shape
        maps: dict[str, tuple[str | int, ...]] = dict.fromkeys(
            ("height_mm", "form_mm", "sigma_mm", "flags"), ("H", "W")
        )
        check_shapes(self, maps, {"H": rows, "W": columns})
        seal(self)

    def on_form(self, places_mm: Array) -> Array:
        """Places of the panel (N, 2) with the fair form's height, (N, 3), mm; 0 where there is no form."""
        x, y = self.grid.x_mm, self.grid.y_mm
        column = np.clip(np.searchsorted(x, places_mm[:, 0]), 0, x.size - 1)
        row = np.clip(np.searchsorted(y, places_mm[:, 1]), 0, y.size - 1)
        return np.column_stack([places_mm, np.nan_to_num(self.form_mm[row, column])])


@dataclass(frozen=True, slots=True)
class Spot:
    """One high or low. `peak_mm` is signed (+ is high); lengths are along and across its longest direction.

    `peak_open` is True where the rim of what was seen cuts it: it is at least this much, and has no closed interval.
    `advice` is what `action` was worded from. `shape` is "dish", "long" (and narrow), "ring" or "many" (small ones).
    """

    id: int
    kind: str
    x_mm: float
    y_mm: float
    peak_mm: float
    u95_mm: float
    length_mm: float
    width_mm: float
    angle_deg: float
    area_cm2: float
    volume_ml: float
    peak_slope_mrad: float
    verdict: str = ""
    action: str = ""
    flags: tuple[str, ...] = ()
    peak_open: bool = False
    advice: Message = field(default_factory=lambda: Message(""))
    shape: str = ""


@dataclass(frozen=True, slots=True)
class PhotoCheck:
    """One quality figure of one photo: measured against a threshold, with a sentence and a cure."""

    name: str
    value: float | None
    unit: str
    threshold: float
    good: bool
    sentence: str
    cure: str = ""
    extra: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class CheckResult(Carrier):
    """Everything one check found: what the report writes and the command shows.

    Attributes
    ----------
    panel : dict
        ``name``, ``stage``, ``size_mm`` of the sheet.
    limits : dict
        ``low_mm``, ``high_mm``, ``filler_depth_mm`` and any further limit used, mm.
    verdict : Verdict
        "ready", "rework", "close" or "not_measured".
    sentence : str
        The verdict in one sentence, with the number that decided it.
    reasons : tuple of str
        Sentences, mm, worded from `findings` in their order.
    coverage : float
        0 to 1, share of the judged region that was measured.
    measures : dict
        Standard flatness figures by name, mm; NaN where not measured.
    height : HeightMap
    spots : tuple of Spot
        In the order of their numbers; empty when none was found.
    photos : tuple of dict
        Per photo ``file``, ``sha256``, ``reprojection_px``, ``quality`` (name -> figure, JSON-ready).
    run : dict
        Versions, settings, ``started`` (ISO 8601, UTC), ``seconds``; JSON-ready.
    overlay_photo : ndarray (H, W), float32
        The photo to draw on, linear light, 0 to 1.
    project : callable
        Panel points (N, 3) in mm to pixels (N, 2), column and row, of `overlay_photo`.
    details : dict
        Further results, JSON-ready, by name: uncertainty budget, straightedge, block, fill, slope, rule.
    maps : dict of name to ndarray (H, W)
        Further maps on the grid of `height`, NaN where not known.
    pieces : dict of str to ndarray (240, 240), uint8
        Small faults cut out of the photos, grey: "f3 a.jpg" is fault 3 in that photo. Empty once read back.
    findings : tuple of Reason
        Why the verdict is what it is.
    headline : Message
        What `sentence` was worded from.
    """

    panel: dict[str, Any]
    limits: dict[str, float]
    verdict: Verdict
    sentence: str
    reasons: tuple[str, ...]
    coverage: float
    measures: dict[str, float]
    height: HeightMap
    spots: tuple[Spot, ...]
    photos: tuple[dict[str, Any], ...]
    run: dict[str, Any]
    overlay_photo: Array
    project: Callable[[Array], Array]
    details: dict[str, Any] = field(default_factory=dict)
    maps: Mapping[str, Array] = field(default_factory=dict)
    pieces: Mapping[str, Array] = field(default_factory=dict)
    findings: tuple[Reason, ...] = ()
    headline: Message = field(default_factory=lambda: Message(""))

    def __post_init__(self) -> None:
        check_shapes(self, {"overlay_photo": ("H", "W")})
        for name, values in self.maps.items():
            if values.shape != self.height.grid.shape:
                raise ValueError(
                    f"CheckResult.maps[{name!r}] has shape {values.shape}; allowed: {self.height.grid.shape}"
                )
        seal(self)

    def __repr__(self) -> str:
        return in_short(self)

    def _repr_html_(self) -> str:
        """Picture and table, for a notebook."""
        return in_notebook(self)
