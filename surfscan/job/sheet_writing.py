"""A job sheet written from a form: the tables as text, and the board's directions from where it stands."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from typing import Any

__all__ = ["board_facing_panel", "write_sheet"]

_ORDER = ("panel", "tags", "camera", "board", "photo", "limits", "measure", "uncertainty")
_BARE = re.compile(r"[A-Za-z0-9_-]+")  # TOML 1.0: letters that a key may have without quotes


def write_sheet(tables: Mapping[str, Any]) -> str:
    """Return the text of a `panel.toml`.

    Parameters
    ----------
    tables : mapping
        The sheet as ``tomllib`` would give it: tables by name, ``photo`` a list of tables. A value of None, an
        empty list and an empty table are left out.

    Returns
    -------
    str
        TOML 1.0; reading it back gives the same tables.

    Raises
    ------
    ValueError
        For a value that a sheet can't hold (neither text, number, truth nor a list of these).
    """
    known = [name for name in _ORDER if name in tables]
    blocks = []
    for name in [*known, *(name for name in tables if name not in _ORDER)]:
        value = tables[name]
        if isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
            blocks += [_table(f"[[{_key(name)}]]", _key(name), row) for row in value]
        elif isinstance(value, Mapping):
            blocks.append(_table(f"[{_key(name)}]", _key(name), value))
        elif not _nothing(value):
            raise ValueError(f"{name} is no table")
    return "\n\n".join(block for block in blocks if block) + "\n"


def _table(head: str, path: str, table: Mapping[str, Any]) -> str:
    plain = [(k, v) for k, v in table.items() if not isinstance(v, Mapping) and not _nothing(v)]
    lines = [head] if plain else []
    lines += [f"{_key(key)} = {_value(value)}" for key, value in plain]
    inner = [
        _table(f"[{path}.{_key(key)}]", f"{path}.{_key(key)}", value)
        for key, value in table.items()
        if isinstance(value, Mapping) and value
    ]
    return "\n".join([*lines, *(text for text in inner if text)])


def _nothing(value: Any) -> bool:
    return value is None or (isinstance(value, list | tuple | Mapping) and len(value) == 0)


def _key(key: object) -> str:
    text = str(key)
    return text if _BARE.fullmatch(text) else _text(text)


def _text(text: str) -> str:
    # JSON's escapes are TOML's too, but for DEL, which TOML wants escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"a sheet holds finite numbers; found {value}")
        return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    raise ValueError(f"a sheet can't hold {value!r}")


def board_facing_panel(
    centre_mm: tuple[float, float, float],
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Directions of a board that is square to the line from its middle to the panel's.

    Parameters
    ----------
    centre_mm : (x, y, z)
        The board's middle in the panel frame, mm; not straight above the panel's middle.

    Returns
    -------
    across, up : (x, y, z)
        Unit vectors: ``across`` lies along the panel, ``up`` leans as the board does.

    Raises
    ------
    ValueError
        For a middle straight above the panel's, where "up" could be anywhere.
    """
    x, y, z = centre_mm
    flat, far = math.hypot(x, y), math.hypot(x, y, z)
    if flat < 1e-6 * max(far, 1.0):
        raise ValueError("a board straight above the panel has no direction of its own that is up")
    across = (y / flat, -x / flat, 0.0)
    up = (-x * z / (flat * far), -y * z / (flat * far), flat / far)
    return across, up
