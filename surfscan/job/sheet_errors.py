"""Turn what the schema library complains about into a refusal a body tech can act on."""

from __future__ import annotations

import difflib
import re
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from surfscan.core.errors import RefusedError

__all__ = ["model_of", "refuse", "retell"]

_OURS = "sheet"
_SHOWN = 80  # letters of a found value worth showing

_WORDS = {
    "finite_number": "is no finite number",
    "greater_than": "is out of range",
    "greater_than_equal": "is out of range",
    "less_than": "is out of range",
    "less_than_equal": "is out of range",
    "literal_error": "is none of the known words",
    "string_too_long": "is too long",
    "string_too_short": "is empty",
    "too_short": "has too few entries",
    "too_long": "has too many entries",
    "missing": "is missing",
}


def refuse(
    what: str, *, key: str = "", found: str = "", allowed: str = "", cure: str = ""
) -> PydanticCustomError:
    """Return a complaint to raise inside a schema check; `retell` puts the key path before `what`."""
    return PydanticCustomError(
        _OURS, "{what}", {"what": what, "key": key, "found": found, "allowed": allowed, "cure": cure}
    )


def retell(error: ValidationError, model: type[BaseModel]) -> RefusedError:
    """Return the first complaint as a refusal that names the key path, counting list entries from 1.

    Unknown keys come before anything else: a misspelt key is the likely cause of a missing one.
    """
    details = error.errors(include_url=False)
    first = next((d for d in details if d["type"] == "extra_forbidden"), details[0])
    return _retell_one(first, model)


def _retell_one(detail: ErrorDetails, model: type[BaseModel]) -> RefusedError:
    loc, kind = list(detail["loc"]), detail["type"]
    if kind == "extra_forbidden":
        return _unknown_key(loc, model)
    context: dict[str, Any] = detail.get("ctx") or {}
    if kind == _OURS:
        path = ".".join(part for part in (_path(loc) if loc else "", context["key"]) if part)
        return RefusedError(
            f"{path} {context['what']}",
            found=context["found"],
            allowed=context["allowed"],
            cure=context["cure"] or f"correct {path} in panel.toml",
        )
    allowed = _description(loc, model) or detail["msg"]
    if kind.startswith(("greater_than", "less_than")):
        sign = {"greater_than": "over", "greater_than_equal": "at least", "less_than": "under"}.get(
            kind, "at most"
        )
        limit = next(iter(context.values()))
        bound = f"{sign} {limit:g}"
        allowed = f"{allowed}; {bound}" if bound not in allowed else allowed
    if kind == "missing" and isinstance(loc[-1], int):  # a pair with one number, not an absent key
        return RefusedError(
            f"{_path(loc[:-1])} has too few entries",
            found=f"{loc[-1]} of them",
            allowed=allowed,
            cure="add the one that is missing",
        )
    if kind == "missing":
        written = {"photo": "[[photo]]"}.get(str(loc[-1]), f"[{loc[-1]}]") if len(loc) == 1 else _path(loc)
        return RefusedError(f"{_path(loc)} is missing", allowed=allowed, cure=f"add {written}", found="none")
    what = _WORDS.get(kind, "is not of the right kind")
    cure = _cure(kind, detail["input"], context) or f"correct {_path(loc)} in panel.toml"
    return RefusedError(f"{_path(loc)} {what}", found=_shown(detail["input"]), allowed=allowed, cure=cure)


def _cure(kind: str, given: Any, context: dict[str, Any]) -> str:
    """What to write instead, where it can be told."""
    if not isinstance(given, str):
        return ""
    if kind == "literal_error":
        near = difflib.get_close_matches(
            given, re.findall(r"'([^']+)'", str(context.get("expected", ""))), n=1
        )
        return f"the nearest is {near[0]}" if near else ""
    number = given.strip().replace(",", ".")
    if re.fullmatch(r"[-+]?\d*\.?\d+", number):
        return f"write {number}, without quotes" + (" and with a point" if "," in given else "")
    return ""


def _unknown_key(loc: list[int | str], model: type[BaseModel]) -> RefusedError:
    name = str(loc[-1]).removesuffix("_") if len(loc) == 1 and loc[-1] == "folder_" else str(loc[-1])
    table = _table(loc[:-1], model)
    names = [key for key in _names(table) if key != "folder"] if table is not None else []
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    path = _path([*loc[:-1], name])
    if near:
        cure = f"the nearest known key is {near[0]}"
    else:
        elsewhere = {
            key: str(top)
            for top, field in model.model_fields.items()
            for key in _names(model_of(field.annotation))
        }
        other = difflib.get_close_matches(name, list(elsewhere), n=1, cutoff=0.8)
        written = {"photos": "[[photo]]"}
        home = elsewhere[other[0]] if other else ""
        cure = f"the key {other[0]} belongs into {written.get(home, f'[{home}]')}" if other else "remove it"
    return RefusedError(f"{path} is no known key", found=name, allowed=", ".join(names), cure=cure)


def _path(loc: list[int | str]) -> str:
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        elif part != "[key]":
            text += f".{part}" if text else str(part)
    return text or "panel.toml"


def model_of(annotation: Any) -> type[BaseModel] | None:
    """The table model inside an annotation such as ``X | None`` or ``tuple[X, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = model_of(inner)
        if found is not None:
            return found
    return None


def _names(table: type[BaseModel] | None) -> list[str]:
    return [] if table is None else [field.alias or name for name, field in table.model_fields.items()]


def _field(table: type[BaseModel], name: int | str) -> Any:
    return next((f for n, f in table.model_fields.items() if name in (n, f.alias)), None)


def _table(loc: list[int | str], model: type[BaseModel]) -> type[BaseModel] | None:
    table: type[BaseModel] | None = model
    for part in loc:
        if isinstance(part, int) or table is None:
            continue
        field = _field(table, part)
        table = model_of(field.annotation) if field is not None else None
    return table


def _description(loc: list[int | str], model: type[BaseModel]) -> str:
    """The description of the deepest field on the path."""
    table: type[BaseModel] | None = model
    text = ""
    for part in loc:
        if isinstance(part, int) or table is None:
            continue
        field = _field(table, part)
        if field is None:
            break
        text, table = field.description or text, model_of(field.annotation)
    return text


def _shown(value: Any) -> str:
    def plain(item: Any) -> Any:
        if isinstance(item, tuple):
            return [plain(entry) for entry in item]
        return item

    text = (
        f'"{value}"'
        if isinstance(value, str)
        else "a table"
        if isinstance(value, dict)
        else repr(plain(value))
    )
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
