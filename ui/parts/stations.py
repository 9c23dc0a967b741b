"""Places in the shop whose board stays put: one tap instead of a set-up."""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

from surfscan.places import stations as places
from surfscan.places.surveying import LENS, PROOF

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
    files: dict of str to bytes
        Files that its tables name: a lens, a proof.
    """

    name: str
    told: str
    tables: dict[str, Any] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)


def stations() -> list[StationChoice]:
    """The stations of this computer whose tags stay with the board, by name.

    One without such a frame needs a set-up photo in each job; the command ``surfscan check --station`` takes it.
    """
    found = []
    for place in places.stations():
        if not place.frame:
            continue
        tables = copy.deepcopy(place.tables)
        named = [LENS] if "lens_file" in tables.get("camera", {}) else []
        if place.proof is not None:
            tables["board"]["proof"] = PROOF
            named.append(PROOF)
        files = {name: path.read_bytes() for name, path in place.files.items() if name in named}
        found.append(StationChoice(place.name, place.proved(), tables, files))
    return found
