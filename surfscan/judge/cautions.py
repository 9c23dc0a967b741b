"""The usual cautions: shown with every result and on every paper."""

from __future__ import annotations

__all__ = ["CAUTIONS", "SHORT_CAUTION", "caution"]

_CAUTIONS: dict[str, str] = {
    "dust": "Sanding dust and isocyanate paints: extraction, respirator and skin protection as the product's safety "
    "sheet and local rules say.",
    "wetting": "Wetting the panel: water, or a cleaner used as its label says; never on raw filler or bare steel. "
    "Solvent near a hot lamp or a spark is a fire.",
    "flashing": "Flashing stripes on a screen: change them slowly; a warning for photosensitive people.",
    "grinding": "Never grind a high thinner than the metal allows.",
    "heat": "Heat on aluminium, plastic, hybrid cars, or near airbags and batteries: the maker's rules.",
    "only-surface": "A flat surface says nothing about structure, welds, corrosion, or what sits behind it. "
    "Cameras and radar behind a bumper cover have filler and paint limits of their maker. Structure, sensors and "
    "airbags are for licensed people under local rules.",
    "filler-under": "The photo sees only the surface: filler already under it is not seen, and adds to the depths "
    "given here.",
    "aid": "The figure is an aid, the inspector decides.",
}
CAUTIONS: tuple[str, ...] = tuple(_CAUTIONS.values())
"""Shown with every result and on every paper."""


def caution(code: str) -> str:
    """One of the cautions, by its code (KeyError for another)."""
    return _CAUTIONS[code]


SHORT_CAUTION = " ".join(caution(code) for code in ("grinding", "only-surface", "aid"))
"""Where there is room for little."""
