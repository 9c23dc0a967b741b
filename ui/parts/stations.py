"""Places in the shop whose board stays put: one tap instead of a set-up."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from surfscan.places import stations as places

__all__ = ["StationChoice", "open_stations", "stations"]


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
    files: dict of str to bytes
        Files that its tables name: a lens, a proof.
    """

    name: str
    told: str
    tables: dict[str, Any] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)


def stations() -> list[StationChoice]:
    """The stations of this computer whose tags stay with the board, by name."""
    found = []
    for place in places.stations():
        if place.frame:
            tables, files = place.job_parts()
            read = {name: path.read_bytes() for name, path in files.items()}
            found.append(StationChoice(place.name, place.proved(), tables, read))
    return found


def open_stations() -> list[tuple[str, str]]:
    """Names of the others, which need a set-up photo in each job, and when each was proved."""
    return [(place.name, place.proved()) for place in places.stations() if not place.frame]
