"""The tables of the job sheet, each with the checks that need no other table.

Lengths are mm, angles degrees, pixels column first. NaN and infinity are refused everywhere.
"""

from __future__ import annotations

import math
from pathlib import PureWindowsPath
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from surfscan.job.polygons import check_polygon
from surfscan.job.sheet_errors import refuse
from surfscan.job.sheet_trade import Film, Stage, StageWord, Substrate, SubstrateWord

__all__ = [
    "BoardSheet",
    "CameraSheet",
    "Length",
    "LimitsSheet",
    "PanelSheet",
    "PhotoSheet",
    "Point3",
    "ReferenceSheet",
    "Stage",
    "Table",
    "TagsSheet",
    "UncertaintySheet",
    "as_tuples",
    "inside",
]

Dictionary = Literal[
    "4x4_50", "4x4_100", "4x4_250", "4x4_1000",
    "5x5_50", "5x5_100", "5x5_250", "5x5_1000",
    "6x6_50", "6x6_100", "6x6_250", "6x6_1000",
    "7x7_50", "7x7_100", "7x7_250", "7x7_1000",
]  # fmt: skip

# Ten metres is more than any car panel or shop wall; past it the sheet is in the wrong unit.
Length = Annotated[float, Field(gt=0.0, le=10_000.0)]
Place = Annotated[float, Field(ge=-100_000.0, le=100_000.0)]
Pixel = Annotated[float, Field(ge=-100_000.0, le=100_000.0)]
Point = tuple[Place, Place]
Point3 = tuple[Place, Place, Place]
Size = tuple[Length, Length]

_UNIT_TOLERANCE = 0.01  # a vector typed with two or three decimals is off by less than this
_SQUARE_TOLERANCE = 0.01  # cosine between across and up; 0.6 degrees, more is a typing error


class Table(BaseModel):
    """Settings shared by every table of the sheet."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class PanelSheet(Table):
    """What is judged: `[panel]`."""

    name: str = Field(default="", max_length=200, description="a name of your own, up to 200 letters")
    stage: StageWord = Field(description="one of " + ", ".join(get_args(Stage)))
    substrate: SubstrateWord = Field(
        title="what the panel is made of: what is done about a spot depends on it",
        default="unknown",
        description="one of " + ", ".join(get_args(Substrate)),
    )
    film_mm: Film | None = Field(
        title="all the paint over the substrate, by a film gauge",
        default=None,
        description="all the paint over the substrate by a film gauge, mm, over 0 and at most 3",
    )
    size_mm: Size = Field(description="[width, height] of the panel rectangle, mm")
    origin_mm: Point | None = Field(
        default=None,
        description="[x, y] of this view's middle in the frame of a panel larger than one view, mm",
    )
    region_mm: tuple[Point, ...] | None = Field(
        default=None, description="a polygon [[x, y], ...] of at least three corners, mm"
    )
    leave_out_mm: tuple[tuple[Point, ...], ...] = Field(
        default=(), description="a list of polygons [[[x, y], ...], ...], mm"
    )

    @field_validator("name")
    @classmethod
    def _plain_name(cls, name: str) -> str:
        if not all(letter.isprintable() for letter in name):
            raise refuse("holds unprintable letters", found=repr(name), allowed="printable letters")
        return name

    @field_validator("region_mm")
    @classmethod
    def _simple_region(cls, polygon: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
        return None if polygon is None else check_polygon(polygon)

    @field_validator("leave_out_mm")
    @classmethod
    def _simple_holes(cls, polygons: tuple[tuple[Point, ...], ...]) -> tuple[tuple[Point, ...], ...]:
        return tuple(check_polygon(p, name=f"polygon {k}") for k, p in enumerate(polygons, 1))

    @model_validator(mode="after")
    def _region_on_panel(self) -> PanelSheet:
        if self.region_mm is not None:
            for axis, letter in enumerate("xy"):
                values, half = [p[axis] for p in self.region_mm], self.size_mm[axis] / 2
                if min(values) >= half or max(values) <= -half:
                    raise refuse(
                        "lies wholly off the panel",
                        key="region_mm",
                        found=f"{letter} from {min(values):g} to {max(values):g}",
                        allowed=f"a polygon that overlaps {-half:g} to {half:g}",
                        cure="count from the middle of the panel: x to the right, y up",
                    )
        return self


class TagsSheet(Table):
    """Printed square tags: `[tags]` on the panel, `[board.tags]` on the board."""

    dictionary: Dictionary = Field(description="one of " + ", ".join(get_args(Dictionary)))
    side_mm: Length = Field(description="side of the black square, mm")
    centres_mm: dict[int, Point] = Field(description="id = [x, y] for each tag, mm")

    @field_validator("centres_mm", mode="before")
    @classmethod
    def _whole_ids(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        out: dict[int, Any] = {}
        for key, centre in value.items():
            if not (isinstance(key, int) or (str(key).isascii() and str(key).isdigit())):
                raise refuse(
                    "has an id that is no whole number", found=repr(key), allowed="ids such as 0, 1, 2, 3"
                )
            if int(key) in out:
                raise refuse("names one tag twice", found=f"id {int(key)} twice", allowed="each id once")
            out[int(key)] = centre
        return out

    @model_validator(mode="after")
    def _tags_fit(self) -> TagsSheet:
        count = int(self.dictionary.split("_")[1])
        if not self.centres_mm:
            raise refuse(
                "names no tag", key="centres_mm", found="nothing", allowed="id = [x, y], best four or more"
            )
        for tag in self.centres_mm:
            if tag >= count:
                raise refuse(
                    f"has tag {tag}, which this dictionary lacks",
                    key="centres_mm",
                    found=f"id {tag} with dictionary {self.dictionary}",
                    allowed=f"0 to {count - 1}",
                )
        items = sorted(self.centres_mm.items())
        for k, (tag, a) in enumerate(items):
            for other, b in items[k + 1 :]:
                if math.dist(a, b) < self.side_mm:
                    raise refuse(
                        f"puts tags {tag} and {other} on top of each other",
                        key="centres_mm",
                        found=f"{math.dist(a, b):.4g} mm between their middles",
                        allowed=f"at least one side, {self.side_mm:g} mm",
                    )
        return self


class CameraSheet(Table):
    """The camera: `[camera]`, one of `focal_px`, `focal_35mm`, `lens_file`; without any, EXIF is asked."""

    focal_px: Annotated[float, Field(gt=0.0, le=1e6)] | None = Field(
        default=None, description="focal length in pixels of the photo as stored, over 0"
    )
    focal_35mm: Annotated[float, Field(ge=5.0, le=2000.0)] | None = Field(
        default=None, description="focal length as for 35 mm film, mm, at least 5 and at most 2000"
    )
    lens_file: str | None = Field(default=None, description="name of a lens file in the job folder")
    centre_px: tuple[Pixel, Pixel] | None = Field(
        default=None, description="[column, row] of the optical axis, pixels"
    )
    distortion: Annotated[tuple[float, ...], Field(min_length=4, max_length=5)] = Field(
        default=(0.0, 0.0, 0.0, 0.0, 0.0), description="[k1, k2, p1, p2, k3]"
    )

    @field_validator("distortion")
    @classmethod
    def _five(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        return value + (0.0,) * (5 - len(value))

    @field_validator("lens_file")
    @classmethod
    def _lens_inside(cls, value: str | None) -> str | None:
        return None if value is None else inside(value)

    @model_validator(mode="after")
    def _one_focal(self) -> CameraSheet:
        given = [k for k in ("focal_px", "focal_35mm", "lens_file") if getattr(self, k) is not None]
        if len(given) > 1:
            raise refuse(
                "gives the focal length more than once", found=" and ".join(given), allowed="one of them"
            )
        if self.lens_file is not None and (self.centre_px is not None or any(self.distortion)):
            raise refuse(
                "gives the lens twice",
                found="lens_file and " + ("centre_px" if self.centre_px is not None else "distortion"),
                allowed="lens_file alone, which holds all of it",
            )
        return self


class BoardSheet(Table):
    """The striped board and where it stands: `[board]`."""

    pattern: Literal["stripes", "stepped", "dots"] = Field(
        default="stripes", description="one of stripes, stepped, dots"
    )
    period_mm: Length | None = Field(default=None, description="stripe period or dot spacing, mm")
    centre_mm: Point3 | None = Field(
        default=None, description="[x, y, z] of the board's middle, mm, z over 0"
    )
    across: Point3 | None = Field(default=None, description="unit vector [x, y, z] in the panel frame")
    up: Point3 | None = Field(default=None, description="unit vector [x, y, z] in the panel frame")
    size_mm: Size | None = Field(default=None, description="[width, height] of the board, mm")
    setup_photo: str | None = Field(default=None, description="name of a photo in the job folder")
    tags: TagsSheet | None = Field(default=None, description="a table like [tags]")

    @field_validator("across", "up")
    @classmethod
    def _unit(cls, v: Point3 | None) -> Point3 | None:
        if v is None:
            return None
        length = math.hypot(*v)
        if abs(length - 1.0) > _UNIT_TOLERANCE:
            raise refuse(
                "is no unit vector",
                found=f"length {length:.4g}",
                allowed=f"1 within {_UNIT_TOLERANCE:g}",
                cure="divide its three numbers by its length" if length > 0 else "give its direction",
            )
        return v[0] / length, v[1] / length, v[2] / length

    @field_validator("setup_photo")
    @classmethod
    def _setup_inside(cls, value: str | None) -> str | None:
        return None if value is None else inside(value)

    @property
    def posed(self) -> bool:
        """Whether the sheet itself says where the board stands."""
        return self.centre_mm is not None

    @model_validator(mode="after")
    def _pose_whole(self) -> BoardSheet:
        pose = {k: getattr(self, k) for k in ("centre_mm", "across", "up")}
        missing = [k for k, v in pose.items() if v is None]
        if 0 < len(missing) < 3:
            raise refuse(
                "is only half given", found=f"no {missing[0]}", allowed="centre_mm, across and up together"
            )
        if self.setup_photo is not None and self.tags is None:
            raise refuse(
                "is only half given", found="no tags", allowed="setup_photo and [board.tags] together"
            )
        if self.tags is not None and self.setup_photo is None and missing:
            raise refuse(
                "is only half given",
                found="no setup_photo",
                allowed="setup_photo and [board.tags] together, or a pose with [board.tags] as its cross-check",
            )
        if not missing and self.setup_photo is not None:
            raise refuse("is given twice", found="a pose and a setup_photo", allowed="one of them")
        if not missing:
            self._check_pose()
        if self.setup_photo is not None and (self.size_mm is None or self.period_mm is None):
            lacks = "size_mm" if self.size_mm is None else "period_mm"
            raise refuse("is missing", key=lacks, allowed="a length in mm")
        return self

    def _check_pose(self) -> None:
        assert self.centre_mm is not None  # for the type checker, as the next two
        assert self.across is not None
        assert self.up is not None
        for key in ("size_mm", "period_mm"):
            if getattr(self, key) is None:
                raise refuse(
                    "is missing",
                    key=key,
                    allowed=str(type(self).model_fields[key].description),
                    cure=f"add {key}",
                )
        cosine = sum(a * b for a, b in zip(self.across, self.up, strict=True))
        if abs(cosine) > _SQUARE_TOLERANCE:
            raise refuse(
                "are not at right angles",
                key="across and board.up",
                found=f"{math.degrees(math.acos(max(-1.0, min(1.0, cosine)))):.1f} degrees",
                allowed="90 within half a degree",
            )
        if self.centre_mm[2] <= 0:
            raise refuse(
                "puts the board behind the panel",
                key="centre_mm",
                found=f"z = {self.centre_mm[2]:g}",
                allowed="z over 0",
                cure="height z counts out of the panel towards the viewer; check its sign",
            )


class PhotoSheet(Table):
    """One photo: `[[photo]]`."""

    file: str = Field(min_length=1, description="name of a file in the job folder")
    varies: Literal["across", "up"] | None = Field(default=None, description="one of across, up")
    period_mm: Length | None = Field(default=None, description="stripe period in this photo, mm")
    phase_deg: Annotated[float, Field(ge=-3600.0, le=3600.0)] | None = Field(
        default=None, description="degrees"
    )
    lamp_mm: Point3 | None = Field(default=None, description="[x, y, z] of the lamp, mm, z over 0")
    lamp_axis: Point3 | None = Field(
        default=None, description="direction [x, y, z] in which this photo's lamp shines brightest"
    )
    corners_px: tuple[tuple[Pixel, Pixel], ...] | None = Field(
        default=None, description="[[c, r], ...]: lower-left, lower-right, upper-right, upper-left"
    )
    encoding: Literal["srgb", "linear"] = Field(default="srgb", description="one of srgb, linear")
    reference: Annotated[str, Field(min_length=1)] | None = Field(
        default=None, description="name of the same photo of a flat glass, in the job folder"
    )

    @field_validator("file", "reference")
    @classmethod
    def _file_inside(cls, value: str | None) -> str | None:
        return None if value is None else inside(value)

    @field_validator("lamp_mm")
    @classmethod
    def _lamp_before(cls, value: Point3 | None) -> Point3 | None:
        if value is not None and value[2] <= 0:
            raise refuse("puts the lamp behind the panel", found=f"z = {value[2]:g}", allowed="z over 0")
        return value

    @field_validator("corners_px")
    @classmethod
    def _four_corners(cls, value: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
        if value is None:
            return None
        order = "lower-left, lower-right, upper-right, upper-left of the panel"
        if len(value) != 4:
            raise refuse("has the wrong number of corners", found=str(len(value)), allowed=f"four: {order}")
        value = check_polygon(value)
        turns = []
        for k in range(4):
            (ac, ar), (bc, br), (cc, cr) = value[k - 2], value[k - 1], value[k]
            turns.append((bc - ac) * (cr - br) - (br - ar) * (cc - bc))
        if all(t > 0 for t in turns):
            raise refuse(
                "run the wrong way round", found="clockwise in the photo", allowed=f"in this order: {order}"
            )
        if not all(t < 0 for t in turns):
            raise refuse(
                "make no panel as a camera sees it",
                found="an inward corner",
                allowed=f"in this order: {order}",
            )
        return value


class ReferenceSheet(Table):
    """The flat glass or mirror of the reference photos: `[reference]`."""

    thickness_mm: Annotated[float, Field(ge=-50.0, le=100.0)] = Field(
        description="how far the glass's reflecting face lies over the tags, mm, -50 to 100; 0 with tags on the glass"
    )
    region_mm: tuple[Point, ...] | None = Field(
        default=None, description="a polygon [[x, y], ...] of at least three corners where the glass lies, mm"
    )

    @field_validator("region_mm")
    @classmethod
    def _simple_region(cls, polygon: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
        return None if polygon is None else check_polygon(polygon)


_Wave = Annotated[float, Field(gt=0.0, le=5000.0)]
_Block = Annotated[float, Field(ge=10.0, le=2000.0)]
_Depth = Annotated[float, Field(gt=0.0, le=100.0)] | None
_DEPTH = "mm, over 0 and at most 100"


class LimitsSheet(Table):
    """What is allowed: `[limits]`, each optional; the judgement has a default for every stage."""

    low_mm: _Depth = Field(default=None, description=_DEPTH)
    high_mm: _Depth = Field(default=None, description=_DEPTH)
    filler_depth_mm: _Depth = Field(default=None, description=_DEPTH)
    putty_depth_mm: _Depth = Field(default=None, description=_DEPTH)
    confidence: Annotated[float, Field(gt=0.5, lt=1.0)] | None = Field(
        default=None, description="a share, over 0.5 and under 1"
    )
    slope_mrad: Annotated[float, Field(gt=0.0, le=1000.0)] | None = Field(
        default=None, description="mrad, over 0 and at most 1000"
    )
    band_mm: tuple[_Wave, _Wave] | None = Field(
        default=None, description="[shortest, longest] wavelength, mm, the first below the second"
    )
    feather_mrad: Annotated[float, Field(gt=0.0, le=1000.0)] | None = Field(
        default=None, description="mrad, over 0 and at most 1000"
    )

    @field_validator("band_mm")
    @classmethod
    def _rising(cls, band: tuple[float, float] | None) -> tuple[float, float] | None:
        if band is not None and band[0] >= band[1]:
            raise refuse(
                "is not a band",
                found=f"{list(band)}",
                allowed="the shorter wavelength first, the longer second",
            )
        return band


class MeasureSheet(Table):
    """The gauges to lay on the map: `[measure]`, each optional."""

    straightedge_mm: Annotated[float, Field(ge=20.0, le=5000.0)] = Field(
        default=300.0, description="length of the ruler, mm, 20 to 5000"
    )
    straightedge_at_mm: Point | None = Field(default=None, description="[x, y] of a place on the panel, mm")
    straightedge_direction_deg: Annotated[float, Field(ge=-360.0, le=360.0)] = Field(
        default=0.0, description="direction of the ruler there, degrees anticlockwise from x"
    )
    straightedge_line_mm: tuple[Point, Point] | None = Field(
        default=None, description="[[x, y], [x, y]], the ends of a line to lay the ruler along, mm"
    )
    block_mm: tuple[_Block, _Block] = Field(
        default=(280.0, 70.0), description="[length, width] of the sanding block, mm, 10 to 2000"
    )
    waviness_mm: Annotated[float, Field(ge=1.0, le=5000.0)] = Field(
        default=80.0, description="cut-off wavelength of the waviness filter, mm, 1 to 5000"
    )


class UncertaintySheet(Table):
    """How well the set-up is known: `[uncertainty]`, standard uncertainties, each optional.

    A key left out takes the judgement stage's own default.
    """

    board_centre_mm: Length | None = Field(
        default=None, description="of each coordinate of board.centre_mm, mm"
    )
    board_angle_deg: Annotated[float, Field(gt=0.0, le=45.0)] | None = Field(
        default=None, description="of the board's direction, degrees, over 0 and at most 45"
    )
    period_rel: Annotated[float, Field(gt=0.0, le=0.5)] | None = Field(
        default=None, description="of the stripe period, as a share of it, over 0 and at most 0.5"
    )
    focal_rel: Annotated[float, Field(gt=0.0, le=0.5)] | None = Field(
        default=None, description="of the focal length, as a share of it, over 0 and at most 0.5"
    )
    tag_centre_mm: Length | None = Field(default=None, description="of each tag's place, mm")
    lamp_mm: Length | None = Field(default=None, description="of each coordinate of a lamp's place, mm")
    tag_corner_px: Annotated[float, Field(gt=0.0, le=50.0)] | None = Field(
        default=None, description="of a tag corner found in a photo, pixels, over 0 and at most 50"
    )


def inside(name: str) -> str:
    """Return a file name that stays inside the job folder on any system, or refuse it."""
    windows = PureWindowsPath(name)
    if (
        windows.is_absolute()
        or windows.drive
        or windows.root
        or ".." in windows.parts
        or "\0" in name
        or not name
    ):
        raise refuse(
            "leads out of the job folder",
            found=repr(name),
            allowed="a name inside the folder, such as photo-1.jpg",
            cure="put the file into the job folder",
        )
    return name


def as_tuples(value: Any) -> Any:
    """Lists to tuples all the way down: strict checking tells them apart, and frozen records want tuples."""
    if isinstance(value, dict):
        return {key: as_tuples(item) for key, item in value.items()}
    if isinstance(value, list):
        return tuple(as_tuples(item) for item in value)
    return value
