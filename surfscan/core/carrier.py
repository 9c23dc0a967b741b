"""What every carrier between the rooms keeps to: shapes checked, arrays read-only, equal by content, picklable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array", "Carrier", "check_shapes", "seal"]

Array = NDArray[Any]


class Carrier:
    """Base of frozen dataclasses that hold arrays; use with ``@dataclass(frozen=True, slots=True, eq=False)``.

    Two are equal when they are of one class and all fields are: arrays by shape and content, NaN equal to NaN.
    They have no hash. A copy or a pickle goes through the constructor, so its arrays are read-only too.
    """

    __slots__ = ()

    def __post_init__(self) -> None:
        seal(self)

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        return all(_same(getattr(self, f.name), getattr(other, f.name)) for f in fields(self))  # type: ignore[arg-type]

    __hash__ = None  # type: ignore[assignment]

    def __reduce__(self) -> tuple[Any, ...]:
        values = (getattr(self, f.name) for f in fields(self))  # type: ignore[arg-type]
        return type(self), tuple(dict(v) if isinstance(v, MappingProxyType) else v for v in values)


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        if not (isinstance(one, np.ndarray) and isinstance(other, np.ndarray)):
            return False
        blank = all(v.dtype.kind in "fc" for v in (one, other))
        return bool(np.array_equal(one, other, equal_nan=blank))
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, tuple | list) and isinstance(other, tuple | list):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other) or (one != one and other != other)


def seal(carrier: object) -> None:
    """Put read-only views of its arrays into a frozen dataclass; the caller's own arrays stay as they are."""
    for f in fields(carrier):  # type: ignore[arg-type]
        value = getattr(carrier, f.name)
        sealed = _sealed(value)
        if sealed is not value:
            object.__setattr__(carrier, f.name, sealed)


def _sealed(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        view = value.view()
        view.flags.writeable = False
        return view
    if type(value) is tuple and any(isinstance(v, np.ndarray) for v in value):
        return tuple(map(_sealed, value))
    if type(value) is dict and any(isinstance(v, np.ndarray) for v in value.values()):
        return MappingProxyType({key: _sealed(v) for key, v in value.items()})
    return value


def check_shapes(
    carrier: object, wanted: Mapping[str, tuple[str | int, ...]], known: Mapping[str, int] | None = None
) -> None:
    """Refuse arrays of another shape than a carrier's fields have.

    Parameters
    ----------
    carrier : dataclass
    wanted : mapping of field to tuple of str or int
        Its axes: numbers, or letters that stand for the same length everywhere. None is let pass.
    known : mapping of letter to int, optional
        Lengths that letters stand for; a letter not in it is bound by the first field that has it.

    Raises
    ------
    ValueError
        Naming class, field, the shape found and the shape allowed.
    """
    bound = dict(known or {})
    for name, axes in wanted.items():
        value = getattr(carrier, name)
        if value is None:
            continue
        found = np.shape(value)
        if len(found) == len(axes):
            for axis, length in zip(axes, found, strict=True):
                if isinstance(axis, str):
                    bound.setdefault(axis, length)
        allowed = tuple(bound.get(axis, axis) if isinstance(axis, str) else axis for axis in axes)
        if found != allowed:
            shown = ", ".join(map(str, allowed)) + ("," if len(allowed) == 1 else "")
            raise ValueError(f"{type(carrier).__name__}.{name} has shape {found}; allowed: ({shown})")
