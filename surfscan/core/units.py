"""Lengths as the shop reads them: millimetres, or inches on request; and lengths as the shop types them.

Inches: a small depth in thousandths, filler depth to the nearest 1/64 as on a gauge, sizes and places with one
decimal. The millimetre figures are the result; inches are rounded from them for reading.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from surfscan.core.constants import MM_PER_INCH

__all__ = [
    "INCH",
    "MM",
    "UNIT_NAMES",
    "UnitName",
    "Units",
    "format_area",
    "format_depth",
    "format_filler",
    "format_length",
    "parse_length",
    "units_named",
]

UnitName = Literal["mm", "inch"]
UNIT_NAMES: tuple[UnitName, ...] = ("mm", "inch")

_INCH_MM: float = MM_PER_INCH.value
_SMALL_MM = 2.0  # under this, thousandths: 1/64 in would be a step of 0.4 mm
_GAUGED_MM = 13.0  # to half an inch: what a depth gauge is read at; more is a size


@dataclass(frozen=True, slots=True)
class Units:
    """How lengths, areas and volumes are written; "-" where a value is not known.

    Attributes
    ----------
    name : {"mm", "inch"}
    """

    name: UnitName

    @property
    def word(self) -> str:
        """ "mm" or "in"."""
        return "mm" if self.name == "mm" else "in"

    @property
    def per_mm(self) -> float:
        """Units in a millimetre: 1, or 1/25.4."""
        return 1.0 if self.name == "mm" else 1 / _INCH_MM

    def bare(self, text: str) -> str:
        """A formatted length without its unit."""
        return text.removesuffix(f" {self.word}")

    def depth(self, mm: float | None, *, sign: bool = False) -> str:
        """A height or depth: "0.281 mm", or "0.0111 in"; `sign` shows the plus of a high."""
        return "-" if mm is None else format_depth(mm, self.name, sign=sign)

    def filler(self, mm: float | None) -> str:
        """A filler depth: "3.20 mm", or "1/8 in"."""
        return "-" if mm is None else format_filler(mm, self.name)

    def length(self, mm: float | None) -> str:
        """A size or a place: "72 mm", or "2.8 in"."""
        return "-" if mm is None else format_length(mm, self.name)

    def given(self, mm: float | None) -> str:
        """A length as somebody gave it, no digit more: "0.04 mm", "300 mm"; in inches as fits its size."""
        if mm is None or not math.isfinite(mm):
            return "-"
        return f"{mm:g} mm" if self.name == "mm" else _free(mm)

    def figure(self, mm: float | None) -> str:
        """A measured figure with three digits: "0.0041 mm"; in inches as fits its size."""
        if mm is None or not math.isfinite(mm):
            return "-"
        if self.name == "mm":
            return (f"{mm:.4f}".rstrip("0").rstrip(".") if abs(mm) < 0.1 else f"{mm:.3g}") + " mm"
        return _free(mm)

    def area(self, cm2: float | None) -> str:
        """An area: "51.0 cm²", or "7.9 sq in"."""
        return "-" if cm2 is None else format_area(cm2, self.name)

    def slope(self, mrad: float | None) -> str:
        """A slope as a tech reads it: "1.2 mm in a metre" (one mrad is one), or "0.014 in in a foot"."""
        if mrad is None or not math.isfinite(mrad):
            return "-"
        return f"{mrad:.2g} mm in a metre" if self.name == "mm" else f"{12e-3 * mrad:.3f} in in a foot"

    def volume(self, ml: float | None) -> str:
        """A volume, in millilitres in both: filler is mixed by them."""
        return "-" if ml is None or not math.isfinite(ml) else f"{ml:.1f} ml"


MM = Units("mm")
INCH = Units("inch")


def units_named(name: str) -> Units:
    """The units of a name in `UNIT_NAMES` (KeyError for another)."""
    return {"mm": MM, "inch": INCH}[name]


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


_UNIT_MM = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "um": 1e-3,
    "µm": 1e-3,
    "in": _INCH_MM,
    "inch": _INCH_MM,
    "inches": _INCH_MM,
    '"': _INCH_MM,
    "ft": 12 * _INCH_MM,
}
_DECIMAL = r"\d+(?:\.\d*)?(?:e[-+]?\d+)?|\.\d+(?:e[-+]?\d+)?"
_COMMA = re.compile(r"^([-+]?\s*\d*),(\d+)(?!.*,)")
_EITHER = re.compile(r"^[-+]?\s*[1-9]\d{0,2},\d{3}(?!\d)")
_TYPED = re.compile(
    rf"(?P<sign>[-+]?)\s*(?:(?:(?P<whole>\d+)[\s-]+)?(?P<over>\d+)\s*/\s*(?P<under>\d+)|(?P<number>{_DECIMAL}))"
    rf"\s*(?P<unit>mm|cm|m|um|µm|inches|inch|in|\"|ft)?\.?",
    re.IGNORECASE,
)


def parse_length(text: str, plain: UnitName = "mm") -> float:
    """A length as it is typed, in millimetres: "640", "640mm", "25in", '25"', "1/8in", "2 1/2 in", "1,2 m".

    Parameters
    ----------
    text : str
        A number or a fraction with or without a unit: mm, cm, m, um, in, inch, ft. A comma is a decimal one, unless
        three digits follow it: that could be thousands, and is refused.
    plain : {"mm", "inch"}
        What a plain number is in.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        For anything else, with a sentence.
    """
    typed = text.strip()
    if _EITHER.search(typed):
        raise ValueError(
            f"{text!r} can be read in two ways; allowed: a point for the decimals and nothing for thousands, as 1.2"
            " or 1200"
        )
    found = _TYPED.fullmatch(_COMMA.sub(r"\1.\2", typed))
    if found is None or (found["under"] and int(found["under"]) == 0):
        raise ValueError(f"{text!r} is no length; allowed: as 640, 640mm, 25in or 1/8in")
    if found["number"]:
        value = float(found["number"])
    else:
        value = int(found["whole"] or 0) + int(found["over"]) / int(found["under"])
    value *= _UNIT_MM[(found["unit"] or plain).lower()]
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is no length; allowed: as 640, 640mm, 25in or 1/8in")
    return -value if found["sign"] == "-" else value


def _free(mm: float) -> str:
    """Inches as fits their size."""
    if abs(mm) < _SMALL_MM:
        return format_depth(mm, "inch")
    return format_filler(mm, "inch") if abs(mm) <= _GAUGED_MM else format_length(mm, "inch")


def _sixty_fourths(mm: float) -> str:
    """The nearest 1/64 in, as a tape shows it: whole inches, then the fraction in lowest terms."""
    steps = round(abs(mm) / _INCH_MM * 64)
    whole, rest = divmod(steps, 64)
    words = [str(whole)] if whole or not rest else []
    if rest:
        part = Fraction(rest, 64)
        words.append(f"{part.numerator}/{part.denominator}")
    return ("-" if mm < 0 and steps else "") + " ".join(words)
