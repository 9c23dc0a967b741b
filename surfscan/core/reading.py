"""Frozen carriers of the readings: photos with their places, the context of a light, and what it tells."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from surfscan.core.base import Base
from surfscan.core.carrier import Array, Carrier, check_shapes, seal
from surfscan.core.records import Board, Camera, Grid, Photo, Pose

__all__ = ["Band", "Context", "QualityMaps", "Reading", "SmallFault", "SmallFaults", "Trace", "View"]


@dataclass(frozen=True, slots=True, eq=False)
class View(Carrier):
    """One photo of a board, with where it was taken from and the board axis its stripes vary along.

    ``hidden_px`` are outlines (N, 2) in the photo, column and row, of what hides the panel: the tags' paper.
    """

    photo: Photo
    camera: Camera
    pose: Pose
    varies: str
    hidden_px: tuple[Array, ...] = ()

    def __post_init__(self) -> None:
        if self.varies not in ("", "across", "up"):
            raise ValueError(f"View.varies is {self.varies!r}; allowed: 'across', 'up' or empty")
        for outline in self.hidden_px:
            if outline.ndim != 2 or outline.shape[1] != 2:
                raise ValueError(f"View.hidden_px has an outline of shape {outline.shape}; allowed: (N, 2)")
        seal(self)

    @property
    def camera_mm(self) -> Array:
        """Camera centre in the panel frame, (3,)."""
        return self.pose.centre_mm


@dataclass(frozen=True, slots=True, eq=False)
class Context(Carrier):
    """What every light's reading stands on.

    Attributes
    ----------
    views : tuple of View
        The photos with their cameras and poses, in the order of the sheet.
    grid : Grid
        The coarse grid.
    region : ndarray (H, W), int32
        Flags of the judged region, 0 inside.
    level_at_mm : ndarray (N, 2)
        Places on the panel, at least three and not in line, whose heights define z = 0: the tags.
    board : Board or None
        None when the light is no board.
    crown : ndarray (3,) or None
        First guess of (z_xx, z_xy, z_yy), 1/mm; None when nothing tells it.
    base : Base, optional
        What a curved panel's heights stand on; its grid then is distances along that.
    level_mm : ndarray (N,), optional
        Heights at `level_at_mm`, where they are not 0.
    """

    views: tuple[View, ...]
    grid: Grid
    region: Array
    level_at_mm: Array
    board: Board | None = None
    crown: Array | None = None
    base: Base | None = None
    level_mm: Array | None = None

    def __post_init__(self) -> None:
        if not self.views:
            raise ValueError("Context.views is empty; allowed: one photo or more")
        rows, columns = self.grid.shape
        wanted: dict[str, tuple[str | int, ...]] = {
            "region": ("H", "W"),
            "level_at_mm": ("N", 2),
            "level_mm": ("N",),
            "crown": (3,),
        }
        check_shapes(self, wanted, {"H": rows, "W": columns})
        if len(self.level_at_mm) < 3:
            raise ValueError(
                f"Context.level_at_mm has {len(self.level_at_mm)} places; allowed: three or more"
            )
        seal(self)

    @property
    def inside(self) -> Array:
        """Cells to judge, (H, W) bool."""
        inside: Array = self.region == 0
        return inside

    @property
    def mirrored_board(self) -> Board:
        """The board.

        Raises
        ------
        ValueError
            When the light is none.
        """
        if self.board is None:
            raise ValueError("Context.board is None; allowed: a board, for a light that reflects one")
        return self.board


@dataclass(frozen=True, slots=True, eq=False)
class QualityMaps(Carrier):
    """What one photo's quality is judged by; maps on the coarse grid.

    Attributes
    ----------
    lit, clipped : ndarray (H, W), bool
        Cells whose stripes could be read; cells blown out.
    modulation, level : ndarray (H, W)
        Stripe amplitude over level, and level, linear light.
    stripe_px : float
        Stripe period in photo pixels where it is least (5th percentile over the lit cells).
    stripes_across : float
        Periods seen across the region.
    misprints : int
        Stripe edges of the board found out of place and allowed for.
    """

    lit: Array
    clipped: Array
    modulation: Array
    level: Array
    stripe_px: float
    stripes_across: float
    misprints: int

    def __post_init__(self) -> None:
        check_shapes(self, dict.fromkeys(("lit", "clipped", "modulation", "level"), ("H", "W")))
        seal(self)


@dataclass(frozen=True, slots=True, eq=False)
class Trace(Carrier):
    """Where one photo's stripes were found, for whoever looks at what they leave unexplained.

    Attributes
    ----------
    view : View
    place_mm : ndarray (H, W)
        Board coordinate along the view's axis that each cell shows; NaN where it could not be read.
    lever_mm : ndarray (2,)
        How that moves with the slopes dz/dx and dz/dy, mm per unit slope, median over the panel.
    period_mm : float
        Of the board's stripes.
    blind : float
        Longest part of a period in which the picture tells no phase: 0 for smooth stripes, up to 0.44 for hard ones.
    spacing_mm : float
        Median reflected stripe period on the panel.
    lit : ndarray (H, W), bool, optional
        Cells that the photo lights, where that is not the whole panel.
    """

    view: View
    place_mm: Array
    lever_mm: Array
    period_mm: float
    blind: float = 0.0
    spacing_mm: float = float("nan")
    lit: Array | None = None

    def __post_init__(self) -> None:
        check_shapes(self, {"place_mm": ("H", "W"), "lever_mm": (2,), "lit": ("H", "W")})
        seal(self)


@dataclass(frozen=True, slots=True)
class Band:
    """Slope of a surface's waves within one octave: its texture.

    Attributes
    ----------
    from_mm, to_mm : float
        Wavelengths.
    slope_rms_mrad : float
        Root mean square of the slope's size (both directions together), mrad, corrected for the photo's blur.
    u_mrad : float
        Its standard uncertainty, mrad.
    along_x : float
        Share of the slope's power in the panel's x direction, 0 to 1; 0.5 for a texture without a direction, NaN where
        not both were read or there is next to none.
    """

    from_mm: float
    to_mm: float
    slope_rms_mrad: float
    u_mrad: float
    along_x: float


@dataclass(frozen=True, slots=True)
class SmallFault:
    """A pit, nib, scratch or the like: what the photos show beside the measured shape.

    Attributes
    ----------
    kind : str
        "pit", "nib", "run", "scratch", "crack", "ring", "hair", "drop", "smear" or "unsure".
    sure : float
        Probability of the likeliest kind, 0 to 1.
    likeliest : str
        The kind that it most likely is, named or not.
    x_mm, y_mm : float
    length_mm, width_mm : float
        As the photos show it: up to two pixels more than it is.
    direction_deg : float
        Of its length, from x to y, 0 to 180.
    sign : int
        1 out of the surface, -1 into it, 0 where that can't be told.
    photos : tuple of str
        Files that show it.
    """

    kind: str
    sure: float
    likeliest: str
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float
    direction_deg: float
    sign: int
    photos: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SmallFaults:
    """All small faults of a panel, and what was looked for.

    Attributes
    ----------
    faults : tuple of SmallFault
        What stands out most first.
    smallest_mm : mapping of str to float
        Each kind's smallest length (for a scratch or hair: width) that is found nine times in ten; kinds for which none
        is known are left out.
    share : float
        Share of the judged region that was looked at, 0 to 1.
    specks : int, optional
        Places of dust on the camera, left out; None where all photos are from one place, which does not tell.
    why_not : str
        What stands in the way where nothing was looked for.
    like_dust : tuple of (x_mm, y_mm)
        Round places that only dim, where photos from one place can't tell whether on the camera or on the panel.
    """

    faults: tuple[SmallFault, ...] = ()
    smallest_mm: Mapping[str, float] = field(default_factory=dict)
    share: float = 0.0
    specks: int | None = 0
    why_not: str = ""
    like_dust: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Reading(Carrier):
    """What the photos say about the surface; all maps on the coarse grid.

    Attributes
    ----------
    grid : Grid
    height_mm : ndarray (H, W)
        Height above the plane of the tag centres; NaN where not measured.
    p, q : ndarray (H, W)
        Slopes dz/dx, dz/dy; NaN where not measured.
    noise_mm : float
        Standard deviation of the height from noise in the photos, away from the form.
    uneven_mm : float
        Standard deviation of the height from what both directions disagree by.
    flags : ndarray (H, W), int32
    closure_mrad : float
        Root mean square disagreement of both directions (curl over one stripe period).
    gain_mm : ndarray (2,)
        Board millimetres per unit slope of each photo, median: the lever of the reflection.
    period_mm : ndarray (2,)
        Median reflected stripe period on the panel of each photo, mm.
    rounds : int
        Rounds it took.
    quality : tuple of QualityMaps
        One per photo.
    told : ndarray (H, W), optional
        How much the photos tell about the slopes, 1 for what is usual down to 0 inside one stretched stripe.
    traces : tuple of Trace
        Where each photo's stripes were found; empty for a light that has none.
    start_rad : tuple of float
        Phase of the pattern at the board's middle by each direction, for the surface as it was levelled; empty where
        it is not known.
    base : Base, optional
        What the heights of a curved panel stand on; its grid then is distances along that.
    """

    grid: Grid
    height_mm: Array
    p: Array
    q: Array
    noise_mm: float
    uneven_mm: float
    flags: Array
    closure_mrad: float
    gain_mm: Array
    period_mm: Array
    rounds: int
    quality: tuple[QualityMaps, ...]
    told: Array | None = None
    traces: tuple[Trace, ...] = ()
    start_rad: tuple[float, ...] = ()
    base: Base | None = None

    def __post_init__(self) -> None:
        rows, columns = self.grid.shape
        maps: dict[str, tuple[str | int, ...]] = dict.fromkeys(
            ("height_mm", "p", "q", "flags", "told"), ("H", "W")
        )
        check_shapes(self, {**maps, "gain_mm": ("K",), "period_mm": ("K",)}, {"H": rows, "W": columns})
        seal(self)
