"""The keys of the job sheet, one row each, from the tables that check a sheet: the two can't drift apart."""

from __future__ import annotations

import html
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from surfscan.job.sheet import Sheet
from surfscan.job.sheet_errors import model_of
from surfscan.judge.limits import STAGES, default_limits
from surfscan.reading.budget import Inputs

__all__ = ["SheetKey", "keys_html", "keys_markdown", "sheet_keys"]

UNITS = {"mm": "mm", "px": "pixels", "deg": "degrees", "mrad": "mrad", "rel": "share", "35mm": "mm"}
"""What the end of a key's name says."""


@dataclass(frozen=True, slots=True)
class SheetKey:
    """One key.

    Attributes
    ----------
    name : str
        With its table, such as ``panel.size_mm``.
    meaning, unit, form, default : str
        What it is; its unit, empty without one; how it is written and its range; what holds without it ("needed" for
        one that has to be there).
    """

    name: str
    meaning: str
    unit: str
    form: str
    default: str


def sheet_keys() -> list[SheetKey]:
    """All keys, in the order of the tables."""
    return list(_keys(Sheet, ""))


def _keys(table: type[BaseModel], before: str) -> Iterator[SheetKey]:
    for name, field in table.model_fields.items():
        inner, shown = model_of(field.annotation), f"{before}{field.alias or name}"
        if inner is not None:
            yield from _keys(inner, f"{shown}.")
        elif before:  # the sheet's own folder is no key
            unit = UNITS.get(name.rpartition("_")[2], "")
            yield SheetKey(shown, field.title or "", unit, field.description or "", _default(shown, field))


def _default(name: str, field: FieldInfo) -> str:
    """What holds without the key: told by the table, by the limits and uncertainties used, or by its own default."""
    told = field.json_schema_extra
    if isinstance(told, dict) and "without" in told:
        return str(told["without"])
    if field.is_required():
        return "needed"
    table, _, key = name.partition(".")
    value: Any = field.default
    if value is None and table == "limits":
        value = getattr(default_limits("primer"), key)
    if value is None and table == "uncertainty":
        value = {f.name: f.default for f in fields(Inputs)}.get(key)
    if value is None or value == () or value == "":
        return "optional"
    if isinstance(value, tuple):
        return "[" + ", ".join(f"{part:g}" for part in value) + "]"
    return f"{value:g}" if isinstance(value, float) else f"`{value}`"


_HEAD = ("key", "what it is", "unit", "how it is written", "without it")
_LIMITS = (
    "Limits when the sheet has none, mm. They are starting points of our own (there is no published limit for panels);"
    " set what your shop needs."
)


def _limit_rows() -> list[tuple[str, str, str, str]]:
    made = [(stage, default_limits(stage)) for stage in STAGES]
    return [(s, f"{v.low_mm:g}", f"{v.high_mm:g}", f"{v.slope_mrad:g}") for s, v in made]


_LIMIT_HEAD = ("stage", "low", "high", "slope, mrad (for information until the sheet gives one)")


def keys_markdown() -> str:
    """The table as Markdown, with the limits by stage."""
    rows = [(f"`{k.name}`", k.meaning, k.unit, k.form, k.default) for k in sheet_keys()]
    limits = [(f"`{row[0]}`", *row[1:]) for row in _limit_rows()]
    return "\n".join(
        [
            "# The keys of the job sheet",
            "",
            "`panel.toml`, in millimetres, degrees and pixels. The panel's own directions: from its middle, x to the"
            " right, y up along the panel, z out of it towards you; a high is positive, a low negative. A photo's"
            " pixels count from the middle of its top-left pixel, column first.",
            "",
            *_pipes(_HEAD, rows),
            "",
            _LIMITS,
            "",
            *_pipes(_LIMIT_HEAD, limits),
            "",
        ]
    )


def _pipes(head: tuple[str, ...], rows: list[Any]) -> list[str]:
    lines = [head, ["---"] * len(head), *rows]
    return ["| " + " | ".join(str(cell).replace("|", "\\|") for cell in line) + " |" for line in lines]


def keys_html() -> str:
    """Both tables as HTML, for the guide's page."""
    rows = [(k.name, k.meaning, k.unit, k.form, k.default) for k in sheet_keys()]
    limits = f"<p>{html.escape(_LIMITS)}</p>"
    return _table(_HEAD, rows) + limits + _table(_LIMIT_HEAD, _limit_rows())


def _table(head: tuple[str, ...], rows: list[Any]) -> str:
    def line(tag: str, cells: Any) -> str:
        told = (html.escape(str(cell).replace("`", "")) for cell in cells)
        return "<tr>" + "".join(f"<{tag}>{cell}</{tag}>" for cell in told) + "</tr>"

    return "<table>" + "\n".join([line("th", head), *(line("td", row) for row in rows)]) + "</table>"
