"""Broken inputs by the thousand: sheets by the grammar of the sheet itself, and files changed a little or a lot.

Everything follows from one number, so that an input that broke something can be made again.
"""

from __future__ import annotations

import copy
import random
import tomllib
import types
import typing
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from surfscan.core.errors import SurfscanError
from surfscan.job.sheet import Sheet

__all__ = ["BASES", "fuzzed_sheet", "outcome_of", "places", "toml_text"]

JOBS = Path(__file__).parents[1] / "fixtures/jobs"
BASES = tuple(tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(JOBS.glob("*/panel.toml")))
"""The good sheets that are broken."""

NUMBERS = (
    0, -0.0, 1, -1, 1e-320, 1e-9, 0.5, 3.6, 5, 100, 1e4, 1e5, 1e9, 1e16, 1e300, 1.7976931348623157e308,
    -1e300, float("nan"), float("inf"), -float("inf"), 2**31, 2**63 - 1, -(2**63), 10**30, 10**400,
)  # fmt: skip
TEXTS = (
    "", " ", "0", "36,0", "primer", "across", "up", "dots", "a" * 300, "\x1b[31mred", "\u202eright", "\u0000",
    "../up.jpg", "C:\\x.jpg", "/etc/hostname", "stripes-across.jpg", "\ud7ff", "\U0001f600", "%s{0}", "4x4_50", "nan",
)  # fmt: skip


def _kinds(annotation: Any) -> list[Any]:
    """The plain parts of an annotation."""
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType):
        return [kind for part in typing.get_args(annotation) for kind in _kinds(part)]
    if origin is typing.Annotated:
        return _kinds(typing.get_args(annotation)[0])
    return [annotation]


def _value(rng: random.Random, annotation: Any, depth: int = 0) -> Any:
    """A value of about the kind that a key takes: mostly of its kind, now and then of none."""
    if depth > 6 or rng.random() < 0.08:
        return _any(rng)
    kind = rng.choice(_kinds(annotation))
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Literal:
        return rng.choice(inner) if rng.random() < 0.8 else rng.choice(TEXTS)
    if origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            return [_value(rng, inner[0], depth + 1) for _ in range(rng.choice((0, 1, 2, 3, 4, 5, 40)))]
        return [_value(rng, part, depth + 1) for part in inner][: rng.choice((1, 9, 9, 9))]
    if origin is dict:
        return {
            str(rng.choice((0, 1, 2, 3, 49, 50, -1, "x"))): _value(rng, inner[1], depth + 1) for _ in range(4)
        }
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return _table(rng, kind, depth + 1)
    if kind in (int, float):
        return (
            rng.choice(NUMBERS)
            if rng.random() < 0.4
            else round(rng.uniform(-400, 900), rng.choice((0, 3, 15)))
        )
    return rng.choice(TEXTS)


def _any(rng: random.Random) -> Any:
    return rng.choice(
        (
            lambda: rng.choice(NUMBERS),
            lambda: rng.choice(TEXTS),
            lambda: rng.random() < 0.5,
            list,
            dict,
            lambda: [rng.choice(NUMBERS) for _ in range(rng.choice((1, 2, 3, 2000)))],
            lambda: [[rng.choice(NUMBERS), rng.choice(TEXTS)]],
        )
    )()


def _table(rng: random.Random, model: type[BaseModel], depth: int = 0) -> dict[str, Any]:
    return {
        field.alias or name: _value(rng, field.annotation, depth)
        for name, field in model.model_fields.items()
        if field.is_required() or rng.random() < 0.3
    }


def places(table: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value in a sheet."""
    rows = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    return [place for key, item in rows for place in ((*path, key), *places(item, (*path, key)))]


def _break(rng: random.Random, raw: dict[str, Any]) -> None:
    """One change in place."""
    tables = [
        (key, field) for name, field in Sheet.model_fields.items() if (key := field.alias or name) != "folder"
    ]
    act = rng.randrange(5)
    found = places(raw)
    if act == 0 or not found:  # a key of the grammar, with a value of its kind
        key, field = rng.choice(tables)
        model = next(
            (k for k in _kinds(field.annotation) if isinstance(k, type) and issubclass(k, BaseModel)), None
        )
        if model is None or not isinstance(raw.get(key), dict):
            raw[key] = _value(rng, field.annotation)
            return
        name, inner = rng.choice(list(model.model_fields.items()))
        raw[key][inner.alias or name] = _value(rng, inner.annotation)
        return
    *path, last = rng.choice(found)
    home: Any = raw
    for part in path:
        home = home[part]
    if act == 1:
        del home[last]
    elif act == 2:
        home[last] = rng.choice(NUMBERS) if isinstance(home[last], int | float) else _any(rng)
    elif act == 3 and isinstance(home[last], int | float) and abs(home[last]) < 1e300:
        home[last] = home[last] * rng.choice((-1, 0.0, 1e-3, 0.1, 10, 1 / 25.4, 25.4, 1e6))
    elif isinstance(home, dict):
        home[rng.choice(("x", "size", "size_mmm", "folder", "photos", "", "a.b"))] = home[last]
    else:
        home.append(copy.deepcopy(home[last]))


def toml_text(value: Any, *, top: bool = True) -> str:
    """TOML of a value; tables inside lists in braces."""
    if isinstance(value, dict):
        rows = [f"{_quoted(str(key))} = {toml_text(item, top=False)}" for key, item in value.items()]
        return "\n".join(rows) + "\n" if top else "{" + ", ".join(rows) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_text(item, top=False) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return _quoted(value) if isinstance(value, str) else repr(value)


def _quoted(text: str) -> str:
    plain = {'"': '\\"', "\\": "\\\\"}
    return '"' + "".join(plain.get(c, c if c.isprintable() else f"\\u{ord(c):04x}") for c in text) + '"'


def fuzzed_sheet(seed: int) -> bytes:
    """The text of one sheet, broken or not."""
    rng = random.Random(seed)
    if rng.random() < 0.15:
        raw = _table(rng, Sheet)
        raw.pop("folder", None)
    else:
        raw = copy.deepcopy(rng.choice(BASES))
        for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
            _break(rng, raw)
    data = toml_text(raw).encode()
    if rng.random() < 0.15:
        at = rng.randrange(len(data) + 1)
        data = (
            data[:at]
            + rng.choice((b"", b"\xff", b"\0", b"=", b"[", b"'''", b".", b"9" * 5000))
            + data[at + rng.randrange(9) :]
        )
    return data


def outcome_of(run: Callable[[], object]) -> str:
    """ "result", or "refused"; anything else is a fault and is raised.

    Raises
    ------
    AssertionError
        A refusal that leaves out what was found, what is allowed, or what to do.
    Exception
        Whatever else came out.
    """
    try:
        run()
    except SurfscanError as error:
        _see_words(error)
        return "refused"
    return "result"


def _see_words(error: SurfscanError) -> None:
    lost = [part for part in ("what", "allowed", "cure") if not getattr(error, part)]
    gone = ("missing", "is empty", "no ", "not there")  # where there is nothing to be found
    if not error.found and not any(word in error.what for word in gone):
        lost.append("found")
    assert not lost, f"no words for {', '.join(lost)}: {error}"
    raw = any(ord(c) < 32 or c in "\x7f\u202e" for c in str(error))
    assert not raw, f"raw control letters: {error!r}"
