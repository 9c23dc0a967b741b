"""Stations and kits that arrived photos are put under."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from surfscan.fleet.bundles import Packed
from surfscan.places.arrange import kit_tables
from surfscan.places.kit import DICTIONARY, kits, load_kit, number_of
from surfscan.places.stations import load_station
from surfscan.watch.template import PlaceTemplate

__all__ = ["load_places"]


def load_places(packed: Sequence[Packed]) -> list[PlaceTemplate]:
    """A template for each station, and one for each kit that this computer knows where kits are packed.

    Raises
    ------
    RefusedError
        When a station can't be read.
    """
    found = []
    for one in packed:
        if one.station:
            place = load_station(one.station)
            found.append(_template(f"station {place.name}", place.tables, one))
        else:
            found += [_template(f"kit {kit.number}", kit_tables(kit), one) for kit in kits()]
    return found


def _template(name: str, tables: Mapping[str, Any], packed: Packed) -> PlaceTemplate:
    tags, board = tables["tags"], tables["board"]
    ids = {int(tag) for tag in tags.get("centres_mm", {})}
    own = board.get("tags", {})
    on_board = {int(tag) for tag in own.get("centres_mm", {})}
    number = number_of(on_board) if own.get("dictionary") == tags["dictionary"] == DICTIONARY else None
    if number is not None:  # a set-up photo shows the board's; a panel's are any of the kit's
        ids |= on_board | set(load_kit(number).panel_ids)
    stripes = board.get("pattern", "stripes") == "stripes"
    photos = (2 if stripes else 1) + ("centre_mm" not in board)
    return PlaceTemplate(name, tags["dictionary"], frozenset(ids), photos, packed)
