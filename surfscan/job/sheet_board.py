"""Printed tags and the striped board: `[tags]`, `[board]` and `[board.tags]`."""

from __future__ import annotations

import math
from typing import Any, Literal, get_args

from pydantic import Field, field_validator, model_validator

from surfscan.job.sheet_base import Length, Place, Point, Point3, Size, Table, inside
from surfscan.job.sheet_errors import refuse

__all__ = ["BoardSheet", "TagsSheet"]

Dictionary = Literal[
    "4x4_50", "4x4_100", "4x4_250", "4x4_1000",
    "5x5_50", "5x5_100", "5x5_250", "5x5_1000",
    "6x6_50", "6x6_100", "6x6_250", "6x6_1000",
    "7x7_50", "7x7_100", "7x7_250", "7x7_1000",
]  # fmt: skip

_LEAST_SIDE = 5.0  # a printed tag under this has cells of less than a millimetre; 1.42 is inches
_UNIT_TOLERANCE = 0.01  # a vector typed with two or three decimals is off by less than this
_SQUARE_TOLERANCE = 0.01  # cosine between across and up; 0.6 degrees, more is a typing error


class TagsSheet(Table):
    """Printed square tags: `[tags]` on the panel, `[board.tags]` on the board."""

    dictionary: Dictionary = Field(
        title="the family of tags", description="one of " + ", ".join(get_args(Dictionary))
    )
    side_mm: Length = Field(
        title="side of the black square; measure it on the print", description="side of the black square, mm"
    )
    centres_mm: dict[int, Point] = Field(
        title="number of each tag and where its middle is, from the panel's middle; on the board as [across, up]",
        json_schema_extra={"without": "surveyed from the photos; needed on the board"},
        default_factory=dict,
        description="id = [x, y] for each tag, mm",
    )
    heights_mm: dict[int, Place] = Field(
        title="how far a tag's middle stands off the plane through all of them, for tags that are not level",
        json_schema_extra={"without": "0"},
        default_factory=dict,
        description="id = height for each such tag, mm",
    )

    @property
    def places_mm(self) -> dict[int, tuple[float, ...]]:
        """The centres, with the height as a third number where any tag has one."""
        if not self.heights_mm:
            return dict(self.centres_mm)
        return {tag: (*at, self.heights_mm.get(tag, 0.0)) for tag, at in self.centres_mm.items()}

    @property
    def surveyed(self) -> bool:
        """Whether the tags' places are to be found from the photos."""
        return not self.centres_mm

    @field_validator("centres_mm", "heights_mm", mode="before")
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
        if not out:
            raise refuse("names no tag", found="nothing", allowed="id = [x, y], best four or more")
        return out

    @field_validator("side_mm")
    @classmethod
    def _no_inches(cls, side: float) -> float:
        if side < _LEAST_SIDE:
            raise refuse(
                "is too small for a tag",
                found=f"{side:g}",
                allowed=f"{_LEAST_SIDE:g} mm or more",
                cure=f"was it read in inches? {side:g} in are {25.4 * side:.1f} mm",
            )
        return side

    @model_validator(mode="after")
    def _tags_fit(self) -> TagsSheet:
        count = int(self.dictionary.split("_")[1])
        strange = sorted(set(self.heights_mm) - set(self.centres_mm))
        if strange:
            raise refuse(
                f"has a height for tag {strange[0]}, which has no centre",
                key="heights_mm",
                found=f"tag {strange[0]}",
                allowed="tags of centres_mm",
                cure="give its centre too",
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


class BoardSheet(Table):
    """The striped board and where it stands: `[board]`."""

    pattern: Literal["stripes", "crossed", "stepped", "dots"] = Field(
        title="what the board shows; crossed: stripes both ways at once, one photo gives both slopes",
        default="stripes",
        description="one of stripes, crossed, stepped, dots",
    )
    period_mm: Length | None = Field(
        title="one dark and one light stripe together; the spacing of dots",
        json_schema_extra={"without": "needed"},
        default=None,
        description="stripe period or dot spacing, mm",
    )
    centre_mm: Point3 | None = Field(
        title="the board's middle",
        json_schema_extra={"without": "found by the board's tags"},
        default=None,
        description="[x, y, z] of the board's middle, mm, z over 0",
    )
    across: Point3 | None = Field(
        title="the board's direction to its right, a unit vector",
        json_schema_extra={"without": "found by the board's tags"},
        default=None,
        description="unit vector [x, y, z] in the panel frame",
    )
    up: Point3 | None = Field(
        title="the board's direction upwards, a unit vector at right angles to `across`",
        json_schema_extra={"without": "found by the board's tags"},
        default=None,
        description="unit vector [x, y, z] in the panel frame",
    )
    size_mm: Size | None = Field(
        title="width (along across) and height (along up)",
        json_schema_extra={"without": "needed"},
        default=None,
        description="[width, height] of the board, mm",
    )
    setup_photo: str | None = Field(
        title="instead of `centre_mm`, `across` and `up`: a photo that shows the panel's tags and the board's",
        default=None,
        description="name of a photo in the job folder",
    )
    tags: TagsSheet | None = Field(
        title="the board's own tags", default=None, description="a table like [tags]"
    )
    proof: str | None = Field(
        title="the certificate of `surfscan prove`: this board, where it stands, measured a known tilt",
        default=None,
        description="name of a file in the job folder",
    )

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

    @field_validator("setup_photo", "proof")
    @classmethod
    def _setup_inside(cls, value: str | None) -> str | None:
        return None if value is None else inside(value)

    @property
    def posed(self) -> bool:
        """Whether the sheet itself says where the board stands."""
        return self.centre_mm is not None

    @property
    def by_mirror(self) -> bool:
        """Whether only the board's own tags in the panel's mirror can say where it stands."""
        return not self.posed and self.setup_photo is None and self.tags is not None

    @model_validator(mode="after")
    def _pose_whole(self) -> BoardSheet:
        pose = {k: getattr(self, k) for k in ("centre_mm", "across", "up")}
        missing = [k for k, v in pose.items() if v is None]
        if 0 < len(missing) < 3:
            raise refuse(
                "is only half given", found=f"no {missing[0]}", allowed="centre_mm, across and up together"
            )
        if self.tags is not None and self.tags.surveyed:
            raise refuse(
                "is missing",
                key="tags.centres_mm",
                allowed="id = [across, up] of each tag from the board's middle, mm",
                cure="measure them on the board; `surfscan print` writes them on its pages",
            )
        if self.setup_photo is not None and self.tags is None:
            raise refuse(
                "is only half given", found="no tags", allowed="setup_photo and [board.tags] together"
            )
        if not missing and self.setup_photo is not None:
            raise refuse("is given twice", found="a pose and a setup_photo", allowed="one of them")
        if not missing:
            self._check_pose()
        if (self.setup_photo is not None or self.by_mirror) and None in (self.size_mm, self.period_mm):
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
