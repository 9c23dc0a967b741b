"""Every flag a pixel or a spot can carry: its bit, its name, its sentence and its cure.

One registry feeds the maps, the tables, the report and the page. A pixel that was not measured is NaN
*and* has a flag that says why.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FLAGS", "Flag", "bit", "describe"]


@dataclass(frozen=True, slots=True)
class Flag:
    """One reason, in words a user can act on."""

    bit: int
    name: str
    sentence: str
    cure: str


FLAGS: tuple[Flag, ...] = (
    Flag(1 << 0, "outside", "outside the judged region", ""),
    Flag(1 << 1, "left_out", "left out by the sheet", ""),
    Flag(1 << 2, "tag", "under a tag or its margin", "move the tag if this place matters"),
    Flag(
        1 << 3,
        "out_of_view",
        "outside a photo",
        "step back, or aim so that the whole panel is in both photos",
    ),
    Flag(1 << 4, "saturated", "blown out in a photo", "expose less, and turn the panel out of the glare"),
    Flag(
        1 << 5,
        "weak_stripes",
        "stripes too weak to read",
        "wet or gloss the surface, shade the panel from room light, or use wider stripes",
    ),
    Flag(
        1 << 6,
        "off_board",
        "the board's reflection does not reach here",
        "use a larger board or move it closer",
    ),
    Flag(1 << 7, "fold", "the reflection folds over: too hollow to read from here", "move the board closer"),
    Flag(
        1 << 8,
        "inconsistent",
        "the stripes here fit no smooth surface",
        "wipe the panel, leave out what is not panel, and shoot again with nothing moved in between",
    ),
    Flag(1 << 9, "island", "cut off from the main part; its own height and tilt are free", "leave less out"),
    Flag(
        1 << 10, "edge", "at the edge of what was seen, where the form is less certain", "shoot a wider field"
    ),
    Flag(
        1 << 11,
        "one_direction",
        "seen in one stripe direction only",
        "add a photo with the board turned 90 degrees",
    ),
    Flag(1 << 12, "shadow", "in shadow under too many lamp places", "use more lamp places or a higher lamp"),
    Flag(
        1 << 13, "wide", "so wide that fair form and spot can't be told apart well", "judge a larger region"
    ),
    Flag(
        1 << 14,
        "narrow",
        "narrower than two reflected stripes: depth is underestimated",
        "use narrower stripes",
    ),
    Flag(
        1 << 15,
        "no_reference",
        "the reference photos do not show the glass here",
        "lay a larger glass, or judge the part that it covers",
    ),
    Flag(
        1 << 16,
        "unmatched",
        "not measured on the panel that this one is held against",
        "check the other panel again with this place in view",
    ),
)

_BY_NAME = {flag.name: flag for flag in FLAGS}


def bit(name: str) -> int:
    """Return the bit of a flag by its name (KeyError for an unknown one)."""
    return _BY_NAME[name].bit


def describe(name: str) -> Flag:
    """Return the whole flag by its name (KeyError for an unknown one)."""
    return _BY_NAME[name]
