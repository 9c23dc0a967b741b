"""Places in the shop whose board stays put: one tap instead of a set-up."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

__all__ = ["StationChoice", "stations"]


@dataclass(frozen=True)
class StationChoice:
    """One station as the step *where* offers it.

    Attributes
    ----------
    name : str
    told : str
        One line: what stands there, and when it was proved last.
    tables : dict
        The sheet's tables `tags`, `camera`, `board`, `uncertainty`, as far as the station knows them.
    """

    name: str
    told: str
    tables: dict[str, Any] = field(default_factory=dict)


def stations() -> list[StationChoice]:
    """The stations of this computer, the last used one first."""
    return []
