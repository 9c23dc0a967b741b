"""A page for a screen and the sheet's keys that belong to it, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from surfscan.screen.keys import keys_text
from surfscan.screen.page import make_screen_page
from surfscan.screen.pattern import check_fits, frames_of, screen_of_diagonal

__all__ = ["ScreenPage", "make_screen"]


@dataclass(frozen=True, slots=True)
class ScreenPage:
    """What `make_screen` made.

    Attributes
    ----------
    page : str
        HTML in one file.
    keys : str
        TOML for the job sheet.
    count : int
        How many pictures it shows.
    """

    page: str
    keys: str
    count: int


def make_screen(
    pattern: str, periods_mm: Sequence[float], *, diagonal_in: float, pixels: tuple[int, int], steps: int = 4
) -> ScreenPage:
    """Make the page that shows stripes or dots at a known size, and its keys.

    Parameters
    ----------
    pattern : {"stripes", "stepped", "dots"}
    periods_mm : sequence of float
        Stepped: one or more; else one.
    diagonal_in : float
        Of the screen, inches.
    pixels : (width, height)
        Of the screen.
    steps : int
        Stepped: photos for each period and way.

    Returns
    -------
    ScreenPage

    Raises
    ------
    RefusedError
        When the series or the screen can't be, or do not fit.
    """
    screen = screen_of_diagonal(diagonal_in, pixels)
    frames = frames_of(pattern, periods_mm=tuple(periods_mm), steps=steps)
    check_fits(frames, screen)
    page = make_screen_page(frames, screen=screen, diagonal_in=diagonal_in)
    return ScreenPage(page, keys_text(frames, screen), len(frames))
