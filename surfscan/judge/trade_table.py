"""The trade's table, read: what is done about a spot, by stage, kind, size, shape and substrate.

The words and figures themselves stand in `surfscan/data/trade/`: a row for every case, never two.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from surfscan.core.trade_names import STAGES, SUBSTRATES

__all__ = [
    "COLOUR_STAGES",
    "KINDS",
    "SHAPES",
    "SIZES",
    "Row",
    "fault_words",
    "figure",
    "figures",
    "find_row",
    "rows",
    "sizes_of",
    "words",
]

KINDS = ("low", "high")
SHAPES = ("dish", "long", "ring", "many")
COLOUR_STAGES = ("base", "clear")
"""Stages at which shape can't be mended any more."""

_DEPTHS = ("surfacer", "putty", "filler", "filler-deep", "over")
SIZES = ("polish", "polish-unmeasured", "polish-thin", *_DEPTHS)
"""From what polishing takes to what no filler may bring up; the first three in colour only, by the film gauge."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table.

    Attributes
    ----------
    code : str
    stages, kinds, sizes, shapes, substrates : tuple of str
        The cases it holds for.
    step : str
        Where it goes in the work order; `ahead` and `after` are steps that it needs before and after it, "" for none.
    work : str
        In a word, for a headline.
    first, what, why, never : str
        Templates of `surfscan.core.message`; "" where there is nothing to say.
    """

    code: str
    stages: tuple[str, ...]
    kinds: tuple[str, ...]
    sizes: tuple[str, ...]
    shapes: tuple[str, ...]
    substrates: tuple[str, ...]
    step: str
    work: str
    ahead: str = ""
    after: str = ""
    first: str = ""
    what: str = ""
    why: str = ""
    never: str = ""


def sizes_of(stage: str) -> tuple[str, ...]:
    """The sizes that a spot can have at a stage."""
    return SIZES if stage in COLOUR_STAGES else _DEPTHS


@cache
def rows() -> Mapping[str, Row]:
    """All rows, by code."""
    return {row.code: row for row in map(_row, _read("table.toml")["row"])}


def find_row(stage: str, kind: str, size: str, shape: str, substrate: str) -> Row:
    """The row of a case.

    Raises
    ------
    KeyError
        For a case that is none: an unknown name, or a size that the stage does not have.
    """
    return _cells()[stage, kind, size, shape, substrate]


@cache
def _cells() -> dict[tuple[str, ...], Row]:
    found: dict[tuple[str, ...], Row] = {}
    for row in rows().values():
        for stage in row.stages:
            for case in (
                (stage, kind, size, shape, substrate)
                for kind in row.kinds
                for size in row.sizes
                if size in sizes_of(stage)
                for shape in row.shapes
                for substrate in row.substrates
            ):
                if case in found:
                    raise ValueError(f"the table has two rows for {case}: {found[case].code}, {row.code}")
                found[case] = row
    return found


@cache
def figures() -> Mapping[str, Mapping[str, Any]]:
    """Every figure of the table with its ``value``, ``unit``, ``what`` and ``source``, by name."""
    read: Mapping[str, Mapping[str, Any]] = _read("figures.toml")
    return read


def figure(name: str) -> float:
    """The value of a figure (KeyError for an unknown one)."""
    return float(figures()[name]["value"])


@cache
def words(group: str) -> Mapping[str, Any]:
    """A group of `words.toml`: names, fair, not_looked_for, texture, slope, say, settle (KeyError for another)."""
    group_words: Mapping[str, Any] = _read("words.toml")[group]
    return group_words


def fault_words(kind: str) -> Mapping[str, Any]:
    """Name, many, verdict and what to do about a kind of small fault, by stage where that differs (KeyError)."""
    of_kind: Mapping[str, Any] = _read("faults.toml")[kind]
    return of_kind


@cache
def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((files("surfscan") / "data/trade" / name).read_text(encoding="utf-8"))


def _row(table: Mapping[str, Any]) -> Row:
    kind = table.get("kind")
    return Row(
        code=table["code"],
        stages=_some(table.get("stage"), STAGES),
        kinds=_some([kind] if kind else None, KINDS),
        sizes=_some(table.get("size"), SIZES),
        shapes=_some(table.get("shape"), SHAPES),
        substrates=_some(table.get("substrate"), SUBSTRATES),
        **{
            key: table[key]
            for key in ("step", "work", "ahead", "after", "first", "what", "why", "never")
            if key in table
        },
    )


def _some(given: list[str] | None, known: tuple[str, ...]) -> tuple[str, ...]:
    if given is None:
        return known
    if strange := set(given) - set(known):
        raise ValueError(f"the table names {sorted(strange)}; allowed: {known}")
    return tuple(given)
