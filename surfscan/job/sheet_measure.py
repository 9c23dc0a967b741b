"""The gauges to lay on the map: `[measure]`."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from surfscan.job.sheet_base import Point, Table

__all__ = ["MeasureSheet"]

_Block = Annotated[float, Field(ge=10.0, le=2000.0)]


class MeasureSheet(Table):
    """The gauges to lay on the map: `[measure]`, each optional."""

    straightedge_mm: Annotated[float, Field(ge=20.0, le=5000.0)] = Field(
        title="length of the ruler laid on the map",
        default=300.0,
        description="length of the ruler, mm, 20 to 5000",
    )
    straightedge_at_mm: Point | None = Field(
        title="a place to lay it", default=None, description="[x, y] of a place on the panel, mm"
    )
    straightedge_direction_deg: Annotated[float, Field(ge=-360.0, le=360.0)] = Field(
        title="which way it lies there",
        default=0.0,
        description="direction of the ruler there, degrees anticlockwise from x",
    )
    straightedge_line_mm: tuple[Point, Point] | None = Field(
        title="two ends of a line to lay it along",
        default=None,
        description="[[x, y], [x, y]], the ends of a line to lay the ruler along, mm",
    )
    block_mm: tuple[_Block, _Block] = Field(
        title="length and width of the sanding block",
        default=(280.0, 70.0),
        description="[length, width] of the sanding block, mm, 10 to 2000",
    )
    waviness_mm: Annotated[float, Field(ge=1.0, le=5000.0)] = Field(
        title="cut-off wavelength of the waviness filter",
        default=80.0,
        description="cut-off wavelength of the waviness filter, mm, 1 to 5000",
    )
