"""The tables of a lamp job: `[lamp]` and `[[ball]]`."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from surfscan.job.sheet_base import Length, Point3, Table, inside
from surfscan.job.sheet_errors import refuse

__all__ = ["BallSheet", "LampSheet", "unit_vector"]

LEAST_LENGTH = 1e-6


def unit_vector(value: Point3 | None) -> Point3 | None:
    """Return a direction as a unit vector, or refuse one without length."""
    if value is None:
        return None
    length = math.hypot(*value)
    if length < LEAST_LENGTH:
        raise refuse("has no length", found=f"{list(value)}", allowed="a direction [x, y, z]")
    return value[0] / length, value[1] / length, value[2] / length


class LampSheet(Table):
    """The lamp and the room of a lamp job: `[lamp]`, each optional."""

    ambient_photo: str | None = Field(
        title="the same shot with the lamp out",
        default=None,
        description="name of a photo in the job folder, taken with the lamp out and the same exposure",
    )
    exponent: Annotated[float, Field(ge=0.0, le=20.0)] = Field(
        title="how much the lamp shines ahead",
        default=0.0,
        description="0 for a lamp that shines evenly, 1 for a flat panel of light, 0 to 20",
    )
    axis: Point3 | None = Field(
        title="direction of every lamp",
        default=None,
        description="direction [x, y, z] in which every lamp shines brightest, in the panel frame",
    )
    aim_mm: Point3 | None = Field(
        title="the place every lamp was aimed at; the panel's middle without `axis` and this",
        default=None,
        description="[x, y, z] of the place every lamp was aimed at, mm",
    )
    distance_mm: Length | None = Field(
        title="distance of the lamps from the panel's middle, for lamps found by one ball",
        default=None,
        description="distance of the lamps from the panel's middle, mm, for lamps found by one ball",
    )

    @field_validator("ambient_photo")
    @classmethod
    def _ambient_inside(cls, value: str | None) -> str | None:
        return None if value is None else inside(value)

    @field_validator("axis")
    @classmethod
    def _axis_unit(cls, value: Point3 | None) -> Point3 | None:
        return unit_vector(value)

    @model_validator(mode="after")
    def _one_direction(self) -> LampSheet:
        if self.axis is not None and self.aim_mm is not None:
            raise refuse("is given twice", key="axis", found="axis and aim_mm", allowed="one of them")
        return self


class BallSheet(Table):
    """One shiny ball lying on or beside the panel: `[[ball]]`."""

    centre_mm: Point3 = Field(
        title="the polished ball's middle (z is its radius when it lies on the panel)",
        description="[x, y, z] of the ball's middle, mm; lying on the panel, z is its radius",
    )
    radius_mm: Length = Field(title="the polished ball's radius", description="radius of the ball, mm")
