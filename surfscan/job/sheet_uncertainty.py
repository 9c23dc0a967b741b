"""How well the set-up is known: `[uncertainty]`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from surfscan.job.sheet_base import Length, Table

__all__ = ["UncertaintySheet"]


class UncertaintySheet(Table):
    """How well the set-up is known: `[uncertainty]`, standard uncertainties, each optional.

    A key left out takes the judgement stage's own default.
    """

    board_centre_mm: Length | None = Field(
        title="how well the board's middle is known",
        default=None,
        description="of each coordinate of board.centre_mm, mm",
    )
    board_angle_deg: Annotated[float, Field(gt=0.0, le=45.0)] | None = Field(
        title="how well the board's direction is known",
        default=None,
        description="of the board's direction, degrees, over 0 and at most 45",
    )
    period_rel: Annotated[float, Field(gt=0.0, le=0.5)] | None = Field(
        title="how well the stripe period is known",
        default=None,
        description="of the stripe period, as a share of it, over 0 and at most 0.5",
    )
    focal_rel: Annotated[float, Field(gt=0.0, le=0.5)] | None = Field(
        title="how well the focal length is known",
        default=None,
        description="of the focal length, as a share of it, over 0 and at most 0.5",
    )
    tag_centre_mm: Length | None = Field(
        title="how well each tag's place is known", default=None, description="of each tag's place, mm"
    )
    tag_side_mm: Length | None = Field(
        title="how well the tags' side is known: the scale, where the tags are surveyed from the photos",
        default=None,
        description="of the side of the tags' black square, mm",
    )
    lamp_mm: Length | None = Field(
        title="how well a lamp's place is known",
        default=None,
        description="of each coordinate of a lamp's place, mm",
    )
    tag_corner_px: Annotated[float, Field(gt=0.0, le=50.0)] | None = Field(
        title="how well a tag's corner is found in a photo",
        default=None,
        description="of a tag corner found in a photo, pixels, over 0 and at most 50",
    )
