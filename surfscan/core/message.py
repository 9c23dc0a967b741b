"""What is said as a code with numbers; it becomes words where it is shown, in the units asked for there.

A template names its numbers with the quantity that each is: ``"{size:depth} ({low:depth_bare} to ...)"``. Text goes in
without one; what is no quantity is a format of Python. ``{count:many place is|places are}`` counts.
"""

from __future__ import annotations

import math
import string
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from surfscan.core.units import MM, Units

__all__ = ["QUANTITIES", "Message", "Phrase", "Reason", "Verdict", "Weight", "fill_in"]


class Verdict(StrEnum):
    """What a panel is judged to be, and what one value is against its limit; `surfscan.judge` makes them."""

    READY = "ready"
    CLOSE = "close"
    NOT_MEASURED = "not_measured"
    REWORK = "rework"


class Weight(StrEnum):
    """What a reason does: nothing, takes "ready" away, or settles the verdict."""

    NOTE = "note"
    DOUBT = "doubt"
    DECIDES = "decides"


@dataclass(frozen=True, slots=True)
class Message:
    """A sentence not yet worded: its code, and the numbers in it (mm, mrad, cm2, ml, or text) by name."""

    code: str
    numbers: Mapping[str, Any] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.code)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A sentence with its own template, for what is said in one place only.

    Attributes
    ----------
    template : str
        As `fill_in` takes it; a number may be another phrase.
    numbers : mapping
    """

    template: str
    numbers: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of(cls, template: str, **numbers: Any) -> Phrase:
        """The phrase of a template and its numbers by name."""
        return cls(template, numbers)

    def say(self, units: Units = MM) -> str:
        """The sentence in those units."""
        return fill_in(self.template, self.numbers, units)

    def __str__(self) -> str:
        return self.say()

    def __bool__(self) -> bool:
        return bool(self.template)


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for a verdict.

    Attributes
    ----------
    code : str
        Begins with what it is about: setup-, photo-, seen-, spot-, fault-, limit-, light-, other-panel-, build-,
        passes-.
    weight : Weight
    numbers : mapping
        By name; mm unless the name says otherwise, or text.
    about : str
        Which spot, photo, view or set-up: "spot 1", "left.jpg".
    audience : {"tech", "inspector", "both"}
    cure : str
        What to do about it, in words; empty when there is nothing to do.
    """

    code: str
    weight: Weight
    numbers: Mapping[str, Any] = field(default_factory=dict)
    about: str = ""
    audience: str = "both"
    cure: str = ""

    def row(self) -> dict[str, Any]:
        """As `result.json` lists it."""
        return {
            "code": self.code,
            "weight": str(self.weight),
            "numbers": dict(self.numbers),
            "about": self.about,
            "for": self.audience,
            "cure": self.cure,
        }


def fill_in(template: str, numbers: Mapping[str, Any], units: Units = MM) -> str:
    """A template with its numbers in words.

    Parameters
    ----------
    template : str
    numbers : mapping
        KeyError when one is missing.
    units : Units

    Returns
    -------
    str
    """
    return _Words(units).vformat(template, (), numbers)


def _percent(share: float, units: Units) -> str:
    if share < 0.001:
        return "under 0.1 %"
    if share > 0.999:
        return "over 99.9 %"
    return f"{100 * share:.3g} %"


def _figure(value: float, units: Units) -> str:
    return f"{value:.4f}".rstrip("0").rstrip(".") if abs(value) < 0.1 else f"{value:.3g}"


def _numbers(values: Sequence[Any], units: Units) -> str:
    return ", ".join(str(value) for value in values)


QUANTITIES: dict[str, Callable[[Any, Units], str]] = {
    "depth": lambda mm, units: units.depth(mm),
    "depth_bare": lambda mm, units: units.bare(units.depth(mm)),
    "filler": lambda mm, units: units.filler(mm),
    "length": lambda mm, units: units.length(mm),
    "length_bare": lambda mm, units: units.bare(units.length(mm)),
    "given": lambda mm, units: units.given(mm),
    "given_bare": lambda mm, units: units.bare(units.given(mm)),
    "measured": lambda mm, units: units.figure(mm),
    "off": lambda mm, units: f"{mm:.1f} mm" if units.name == "mm" else units.depth(mm),
    "deep": lambda mm, units: f"{mm:.2f} mm" if units.name == "mm" else units.depth(mm),
    "thick": lambda mm, units: f"{mm:.3g} mm" if units.name == "mm" else units.figure(mm),
    "spread": lambda mm, units: f"{mm:.2g} mm" if units.name == "mm" else units.figure(mm),
    "fine": lambda mm, units: (
        f"{1e3 * mm:.2f} um" if units.name == "mm" else f"{1e6 * units.per_mm * mm:.0f} uin"
    ),
    "far": lambda mm, units: f"{mm / 1000:g} m" if units.name == "mm" else units.length(mm),
    "area": lambda cm2, units: units.area(cm2),
    "area_3": lambda cm2, units: f"{cm2:.3g} cm²" if units.name == "mm" else units.area(cm2),
    "whole_area": lambda cm2, units: f"{cm2:.0f} cm2" if units.name == "mm" else units.area(cm2),
    "volume": lambda ml, units: units.volume(ml),
    "slope": lambda mrad, units: units.slope(mrad),
    "mrad": lambda value, units: f"{_figure(value, units)} mrad",
    "percent": _percent,
    "whole_percent": lambda share, units: f"{100 * share:.0f} %",
    "factor": lambda value, units: f"{value:.3f}",
    "share": lambda value, units: f"{value:.2f}",
    "degrees": lambda value, units: f"{value:.1f} degrees",
    "by_percent": lambda value, units: f"{value:.1f} %",
    "list": _numbers,
}
"""What a number in a template can be: how it is written, in units."""


class _Words(string.Formatter):
    def __init__(self, units: Units) -> None:
        self._units = units

    def format_field(self, value: Any, format_spec: str) -> str:
        if format_spec == "":
            return value.say(self._units) if isinstance(value, Phrase) else str(value)
        if format_spec.startswith("many "):
            one, more = format_spec.removeprefix("many ").split("|")
            return f"{value} {one if value == 1 else more}"
        if value is None or (isinstance(value, float) and math.isnan(value)):
            return "-"
        how = QUANTITIES.get(format_spec)
        return format(value, format_spec) if how is None else how(value, self._units)
