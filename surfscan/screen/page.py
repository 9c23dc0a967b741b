"""The page that draws the frames, in one file that fetches nothing, and the phone's page to step them."""

from __future__ import annotations

import json
from dataclasses import asdict
from importlib import resources
from typing import Any

from surfscan.screen.pattern import CARD_MM, DOT_SHARE, LEAST_STEP_S, Screen, ScreenFrame

__all__ = ["CAUTION", "make_remote", "make_screen_page", "make_set_page"]

CAUTION = (
    "Striped pictures that change can trouble people with photosensitive epilepsy. The picture changes no more than"
    " twice a second here, and only when it is stepped. Do not run it where someone may be affected; stop it with Esc,"
    " with Back on a remote, or by switching the screen off."
)


def make_screen_page(
    frames: tuple[ScreenFrame, ...],
    *,
    screen: Screen | None = None,
    diagonal_in: float | None = None,
    every_s: float | None = None,
    served: bool = False,
) -> str:
    """The page for the screen.

    Parameters
    ----------
    frames : tuple of ScreenFrame
    screen : Screen, optional
        Only for its pixel size, when it is known; else the page asks.
    diagonal_in : float, optional
        Filled in where the page asks for it.
    every_s : float, optional
        Step by itself after so many seconds.
    served : bool
        Whether a server of ours is behind it (for the phone's page).

    Returns
    -------
    str
        HTML.
    """
    given: dict[str, Any] = {
        "frames": [asdict(frame) | {"file": frame.file} for frame in frames],
        "pixel_mm": None if screen is None else screen.pixel_mm,
        "diagonal_in": diagonal_in,
        "every_ms": None if every_s is None else max(1000.0 * every_s, 1000.0 * LEAST_STEP_S),
        "least_ms": 1000.0 * LEAST_STEP_S,
        "card_mm": CARD_MM,
        "dot_share": DOT_SHARE,
        "served": served,
    }
    return _fill("screen.html", given)


def make_remote() -> str:
    """The phone's page: next, back, which picture it is."""
    return _fill("remote.html", {"least_ms": 1000.0 * LEAST_STEP_S})


def make_set_page() -> tuple[str, str]:
    """The page of a television that follows a phone, and its script alone, for the policy that names it by its sum."""
    script = _read("draw.js") + _read("set.js")
    text = _read("set.html").replace("%CAUTION%", CAUTION)
    return text.replace("%SCRIPT%", script), script


def _fill(name: str, given: dict[str, Any]) -> str:
    text = _read(name).replace("%DRAW%", _read("draw.js"))
    # "<" would end the script: JSON in HTML escapes it.
    return text.replace("%CAUTION%", CAUTION).replace("%GIVEN%", json.dumps(given).replace("<", "\\u003c"))


def _read(name: str) -> str:
    return (resources.files("surfscan") / "data" / "screen" / name).read_text(encoding="utf-8")
