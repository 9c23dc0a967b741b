"""The tables of the job sheet, each with the checks that need no other table.

Lengths are mm, angles degrees, pixels column first. NaN and infinity are refused everywhere.
"""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import Field, field_validator, model_validator

from surfscan.core.errors import RefusedError
from surfscan.job.polygons import check_polygon
from surfscan.job.sheet_base import Coefficient, Length, Pixel, Point, Point3, Size, Table, inside
from surfscan.job.sheet_errors import refuse
from surfscan.job.sheet_trade import Film, Stage, StageWord, Substrate, SubstrateWord

__all__ = [
    "CameraSheet",
    "LimitsSheet",
    "PanelSheet",
    "PhotoSheet",
    "ReferenceSheet",
    "Stage",
]

LEAST_SIDE_MM = 5.0
"""Smallest side of a panel: less is another unit, or a slip of the pen."""


class PanelSheet(Table):
    """What is judged: `[panel]`."""

    name: str = Field(
        title="a name of your own",
        default="",
        max_length=200,
        description="a name of your own, up to 200 letters",
    )
    stage: StageWord = Field(
        title="what the panel's surface is now, in any case and by its other names in the trade",
        description="one of " + ", ".join(get_args(Stage)),
    )
    substrate: SubstrateWord = Field(
        title="what the panel is made of: what is done about a spot depends on it",
        default="unknown",
        description="one of " + ", ".join(get_args(Substrate)),
    )
    film_mm: Film | None = Field(
        title="all the paint over the substrate, by a film gauge",
        json_schema_extra={"without": "not measured: nothing is cut in the clear"},
        default=None,
        description="mm, over 0 and at most 3",
    )
    size_mm: Size | None = Field(
        title="width and height of the rectangle to judge, centred on the panel's middle",
        json_schema_extra={"without": "the hull of the tags' middles, less the tags"},
        default=None,
        description="[width, height] of the panel rectangle, mm",
    )
    origin_mm: Point | None = Field(
        title="where this view's middle lies on a panel larger than one view",
        default=None,
        description="[x, y] of this view's middle in the frame of a panel larger than one view, mm",
    )

    @field_validator("size_mm")
    @classmethod
    def _a_panel(cls, value: Size | None) -> Size | None:
        if value is not None and (min(value) < LEAST_SIDE_MM or max(value) > 100 * min(value)):
            raise refuse(
                "is no panel",
                found=f"{value[0]:g} x {value[1]:g} mm",
                allowed=f"sides of {LEAST_SIDE_MM:g} mm and more, one at most 100 times the other",
                cure="give width and height in mm",
            )
        return value

    region_mm: tuple[Point, ...] | None = Field(
        title="a polygon to judge instead of the rectangle",
        default=None,
        description="a polygon [[x, y], ...] of at least three corners, mm",
    )
    leave_out_mm: tuple[tuple[Point, ...], ...] = Field(
        title="polygons left out: a handle, trim, a styling crease",
        default=(),
        description="a list of polygons [[[x, y], ...], ...], mm",
    )

    @property
    def extent_mm(self) -> Size:
        """`size_mm`, of a sheet that has it.

        Raises
        ------
        RefusedError
            Without it: `surfscan.checking.survey.settle` fills it in from the tags.
        """
        if self.size_mm is None:
            raise RefusedError(
                "panel.size_mm is missing",
                found="no size, and no tags in the photos to take it from",
                allowed="[width, height] of the panel rectangle, mm",
                cure="add it, or lay tags round what is to be judged",
            )
        return self.size_mm

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
        if self.region_mm is not None and self.size_mm is not None:
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


class CameraSheet(Table):
    """The camera: `[camera]`, one of `focal_px`, `focal_35mm`, `lens_file`; without any, EXIF is asked."""

    focal_px: Annotated[float, Field(gt=0.0, le=1e6)] | None = Field(
        title="focal length in pixels",
        json_schema_extra={"without": "see `camera.lens_file`"},
        default=None,
        description="focal length in pixels of the photo as stored, over 0",
    )
    focal_35mm: Annotated[float, Field(ge=5.0, le=2000.0)] | None = Field(
        title="focal length as for 35 mm film (phones: often 24 to 28)",
        json_schema_extra={"without": "see `camera.lens_file`"},
        default=None,
        description="focal length as for 35 mm film, mm, at least 5 and at most 2000",
    )
    lens_file: str | None = Field(
        title="a lens file in the folder, made by `surfscan lens`; it holds focal length, axis and distortion",
        json_schema_extra={"without": "one of the three focal keys, or the photo's EXIF"},
        default=None,
        description="name of a lens file in the job folder",
    )
    centre_px: tuple[Pixel, Pixel] | None = Field(
        title="where the lens's axis meets the photo",
        json_schema_extra={"without": "the photo's middle"},
        default=None,
        description="[column, row] of the optical axis, pixels",
    )
    distortion: Annotated[tuple[Coefficient, ...], Field(min_length=4, max_length=8)] = Field(
        title="lens distortion as OpenCV has it",
        default=(0.0, 0.0, 0.0, 0.0, 0.0),
        description="[k1, k2, p1, p2, k3], or with k4, k5, k6, each from -1000 to 1000",
    )

    @field_validator("distortion")
    @classmethod
    def _five_or_eight(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if len(value) in (6, 7):
            raise refuse(
                "has the wrong number of coefficients",
                found=str(len(value)),
                allowed="4, 5 or 8 in OpenCV's order",
            )
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


class PhotoSheet(Table):
    """One photo: `[[photo]]`."""

    file: str = Field(
        title="name of the photo: JPEG, PNG, TIFF (8 or 16 bit) or HEIC; or of a video, MP4 or MOV (H.264 or HEVC)",
        min_length=1,
        description="name of a file in the job folder",
    )
    varies: Literal["across", "up"] | None = Field(
        title="the way along which dark and light change: needed for stripes and stepped stripes",
        default=None,
        description="one of across, up",
    )
    period_mm: Length | None = Field(
        title="stepped stripes: this frame's period",
        default=None,
        description="stripe period in this photo, mm",
    )
    phase_deg: Annotated[float, Field(ge=-3600.0, le=3600.0)] | None = Field(
        title="stepped stripes: by how much this frame's pattern is advanced",
        default=None,
        description="degrees",
    )
    lamp_mm: Point3 | None = Field(
        title="where the lamp was for this photo, in the panel's directions",
        default=None,
        description="[x, y, z] of the lamp, mm, z over 0",
    )
    lamp_axis: Point3 | None = Field(
        title="direction in which this photo's lamp shines brightest",
        default=None,
        description="direction [x, y, z] in which this photo's lamp shines brightest",
    )
    corners_px: tuple[tuple[Pixel, Pixel], ...] | None = Field(
        title="instead of tags: the panel rectangle's corners in the photo",
        default=None,
        description="[[c, r], ...]: lower-left, lower-right, upper-right, upper-left",
    )
    encoding: Literal["srgb", "linear"] = Field(
        title="`linear` for files already in linear light", default="srgb", description="one of srgb, linear"
    )
    reference: Annotated[str, Field(min_length=1)] | None = Field(
        title="the same photo of a flat glass in the panel's place, for every photo or none",
        default=None,
        description="name of the same photo of a flat glass, in the job folder",
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
        title="how far the glass's mirroring face lies over the tags (0 with the tags on the glass)",
        description="how far the glass's reflecting face lies over the tags, mm, -50 to 100; 0 with tags on the glass",
    )
    region_mm: tuple[Point, ...] | None = Field(
        title="where the glass lies",
        default=None,
        description="a polygon [[x, y], ...] of at least three corners where the glass lies, mm",
    )

    @field_validator("region_mm")
    @classmethod
    def _simple_region(cls, polygon: tuple[Point, ...] | None) -> tuple[Point, ...] | None:
        return None if polygon is None else check_polygon(polygon)


_Wave = Annotated[float, Field(gt=0.0, le=5000.0)]
_Depth = Annotated[float, Field(gt=0.0, le=100.0)] | None
_DEPTH = "mm, over 0 and at most 100"


class LimitsSheet(Table):
    """What is allowed: `[limits]`, each optional; the judgement has a default for every stage."""

    low_mm: _Depth = Field(
        title="a low deeper than this is reported",
        json_schema_extra={"without": "by stage"},
        default=None,
        description=_DEPTH,
    )
    high_mm: _Depth = Field(
        title="a high taller than this is reported",
        json_schema_extra={"without": "by stage"},
        default=None,
        description=_DEPTH,
    )
    filler_depth_mm: _Depth = Field(
        title="no place may need, or hold, more filler than this", default=None, description=_DEPTH
    )
    putty_depth_mm: _Depth = Field(
        title="a low deeper than this is work for filler, not putty", default=None, description=_DEPTH
    )
    confidence: Annotated[float, Field(gt=0.5, lt=1.0)] | None = Field(
        title="how sure a verdict must be", default=None, description="a share, over 0.5 and under 1"
    )
    slope_mrad: Annotated[float, Field(gt=0.0, le=1000.0)] | None = Field(
        title="steepest slope of waves in the band; it decides once you give it, else it is for information",
        json_schema_extra={"without": "by stage"},
        default=None,
        description="mrad, over 0 and at most 1000",
    )
    texture_mrad: Annotated[float, Field(gt=0.0, le=1000.0)] | None = Field(
        title="greatest slope (root mean square) of an octave of short waves; measured, and decides, once you give it",
        json_schema_extra={"without": "by stage"},
        default=None,
        description="mrad, over 0 and at most 1000",
    )
    fault_mm: Annotated[float, Field(ge=0.0, le=100.0)] | None = Field(
        title="shortest small fault (pit, nib, run, scratch, crack) that counts; looked for, and decides, once you give"
        " it; 0 for all that is found; needs two photos of stripes, or crossed ones: one, or better two from different"
        " places",
        json_schema_extra={"without": "not looked for"},
        default=None,
        description="mm, at least 0 and at most 100",
    )
    band_mm: tuple[_Wave, _Wave] | None = Field(
        title="shortest and longest of those waves",
        default=None,
        description="[shortest, longest] wavelength, mm, the first below the second",
    )
    feather_mrad: Annotated[float, Field(gt=0.0, le=1000.0)] | None = Field(
        title="steepest slope of a raised surface in the fill plan",
        default=None,
        description="mrad, over 0 and at most 1000",
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
