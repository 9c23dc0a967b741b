"""Lengths as the shop reads them: millimetres, or inches on request.

Inches: a small depth in thousandths, filler depth to the nearest 1/64 as on a gauge, sizes and places with one
decimal. The millimetre figures are the result; inches are rounded from them for reading.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Literal

from surfscan.core.constants import MM_PER_INCH

__all__ = [
    "UNIT_NAMES",
    "UnitName",
    "convert_text",
    "format_area",
    "format_depth",
    "format_filler",
    "format_length",
]

UnitName = Literal["mm", "inch"]
UNIT_NAMES: tuple[UnitName, ...] = ("mm", "inch")

_INCH_MM: float = MM_PER_INCH.value
_SMALL_MM = 2.0  # under this, thousandths: 1/64 in would be a step of 0.4 mm
_GAUGED_MM = 13.0  # to half an inch: what a depth gauge is read at; more is a size


def format_depth(mm: float, units: UnitName = "mm", *, sign: bool = False) -> str:
    """A height or depth: "0.281 mm", or "0.0110 in" ("-" when it is not known).

    Parameters
    ----------
    mm : float
    units : {"mm", "inch"}
    sign : bool
        Show the plus of a high.
    """
    if not math.isfinite(mm):
        return "-"
    plus = "+" if sign else ""
    if units == "mm":
        return f"{mm:{plus}.3f} mm"
    inch = mm / _INCH_MM
    return f"{inch:{plus}.{4 if abs(inch) < 0.0995 else 3}f} in"


def format_filler(mm: float, units: UnitName = "mm") -> str:
    """A filler depth: "3.2 mm", or the nearest 1/64 in, "1/8 in"; under 2 mm in thousandths."""
    if not math.isfinite(mm):
        return "-"
    if units == "mm":
        return f"{mm:.2f} mm"
    return format_depth(mm, units) if abs(mm) < _SMALL_MM else f"{_sixty_fourths(mm)} in"


def format_length(mm: float, units: UnitName = "mm") -> str:
    """A size or a place: "72 mm" or "2.8 in"."""
    if not math.isfinite(mm):
        return "-"
    text = f"{mm:.0f} mm" if units == "mm" else f"{mm / _INCH_MM:.1f} in"
    return text.removeprefix("-") if float(text.split()[0]) == 0 else text


def format_area(cm2: float, units: UnitName = "mm") -> str:
    """An area: "51 cm2", or "7.9 sq in"."""
    if not math.isfinite(cm2):
        return "-"
    return f"{cm2:.1f} cm²" if units == "mm" else f"{cm2 / (_INCH_MM / 10) ** 2:.1f} sq in"


_NUMBER = r"(?P<value>[-+]?\d+(?:\.\d+)?)"
# "0.281 mm (0.271 to 0.290)": the unit stands once for three numbers; "20 to 200 mm" once for two.
_SPAN = re.compile(
    _NUMBER
    + r"(?: to (?P<upper>\d+(?:\.\d+)?))? mm\b(?: \((?P<low>\d+(?:\.\d+)?) to (?P<high>\d+(?:\.\d+)?)\))?"
)
_AREA = re.compile(_NUMBER + r" cm(?:2|²)")


def convert_text(text: str, units: UnitName) -> str:
    """A sentence with its millimetres turned into inches; as it is for "mm".

    Parameters
    ----------
    text : str
        One of the result's sentences.
    units : {"mm", "inch"}
    """
    if units == "mm":
        return text

    def inches(found: re.Match[str]) -> str:
        parts = found.groupdict()
        value = _free(float(parts["value"]))
        if parts["upper"]:
            value += f" to {_free(float(parts['upper']))}"
        text = f"{value} in"
        if parts["low"]:
            text += f" ({_free(float(parts['low']))} to {_free(float(parts['high']))})"
        return text

    text = _SPAN.sub(inches, text)
    return _AREA.sub(lambda found: format_area(float(found["value"]), units), text)


def _free(mm: float) -> str:
    """A number in inches without its unit, as fits its size."""
    if abs(mm) < _SMALL_MM:
        return format_depth(mm, "inch").removesuffix(" in")
    text = format_filler(mm, "inch") if abs(mm) <= _GAUGED_MM else format_length(mm, "inch")
    return text.removesuffix(" in")


def _sixty_fourths(mm: float) -> str:
    """The nearest 1/64 in, as a tape shows it: whole inches, then the fraction in lowest terms."""
    steps = round(abs(mm) / _INCH_MM * 64)
    whole, rest = divmod(steps, 64)
    words = [str(whole)] if whole or not rest else []
    if rest:
        part = Fraction(rest, 64)
        words.append(f"{part.numerator}/{part.denominator}")
    return ("-" if mm < 0 and steps else "") + " ".join(words)
