"""Lengths as the shop reads them, for what draws and writes; see `surfscan.core.units`."""

from surfscan.core.units import (
    UNIT_NAMES,
    UnitName,
    format_area,
    format_depth,
    format_filler,
    format_length,
)

__all__ = ["UNIT_NAMES", "UnitName", "format_area", "format_depth", "format_filler", "format_length"]
