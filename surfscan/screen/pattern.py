"""What the screen shows, exactly: the frames of a series, a screen's size, and each pixel's brightness.

This is the definition; the page's script draws the same, and a test reads its pixels back and compares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.colour import to_srgb
from surfscan.core.errors import RefusedError

__all__ = [
    "CARD_MM",
    "DOT_SHARE",
    "LEAST_STEP_S",
    "Screen",
    "ScreenFrame",
    "check_fits",
    "draw_frame",
    "encode",
    "frames_of",
    "screen_of_diagonal",
]  # fmt: skip

Array = NDArray[Any]

CARD_MM = 85.60
"""Width of an ID-1 card (bank, licence), ISO/IEC 7810 (from memory): 85.60 mm, within 0.12 mm."""

LEAST_STEP_S = 0.5
"""No change of the picture sooner than this: 2 a second, under the three flashes of WCAG 2.2, 2.3.1."""

DOT_SHARE = 0.16
"""Radius of a round light as a share of the spacing: room between them even when a low squeezes them to half."""

_LEAST_PX = 8.0  # device pixels in a period: below it edges and cosines are coarse


@dataclass(frozen=True, slots=True)
class ScreenFrame:
    """One picture of the series.

    Attributes
    ----------
    pattern : {"stripes", "crossed", "stepped", "dots"}
        Stripes are black and white with soft edge pixels, stepped ones a cosine of the light.
    varies : {"across", "up", ""}
    period_mm : float
    phase_deg : float
    """

    pattern: str
    varies: str
    period_mm: float
    phase_deg: float = 0.0

    @property
    def file(self) -> str:
        """A name for the photo of it."""
        if self.pattern in ("dots", "crossed"):
            return f"{self.pattern}.jpg"
        if self.pattern == "stripes":
            return f"stripes-{self.varies}.jpg"
        return f"{self.varies}-{self.period_mm:g}-{self.phase_deg:g}.jpg"


@dataclass(frozen=True, slots=True)
class Screen:
    """The lit area: device pixels, and how large one is. Pixels are square."""

    width_px: int
    height_px: int
    pixel_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height, mm."""
        return self.width_px * self.pixel_mm, self.height_px * self.pixel_mm


def screen_of_diagonal(diagonal_in: float, pixels: tuple[int, int]) -> Screen:
    """A screen from its diagonal in inches (25.4 mm) and its pixels.

    Raises
    ------
    RefusedError
        For a size that no screen has.
    """
    width, height = pixels
    if not (math.isfinite(diagonal_in) and 3 <= diagonal_in <= 300):
        raise RefusedError(
            "The screen's diagonal can't be right",
            found=f"{diagonal_in:g} in",
            allowed="3 to 300 in",
            cure="measure the diagonal of what lights up, in inches",
        )
    if not (100 <= width <= 20_000 and 100 <= height <= 20_000):
        raise RefusedError(
            "The screen's pixels can't be right",
            found=f"{width} x {height}",
            allowed="100 to 20000 a side",
            cure="give the screen's own width and height in pixels",
        )
    return Screen(width, height, diagonal_in * 25.4 / math.hypot(width, height))


def frames_of(
    pattern: str, *, periods_mm: tuple[float, ...], steps: int = 4, ways: tuple[str, ...] = ("across", "up")
) -> tuple[ScreenFrame, ...]:
    """The frames of a series in the order to be photographed.

    Parameters
    ----------
    pattern : {"stripes", "crossed", "stepped", "dots"}
    periods_mm : tuple of float
        Stepped: one or more; else one.
    steps : int
        Stepped: 3 to 16 for each period and way, evenly round.
    ways : tuple of str
        "across", "up" or both.

    Returns
    -------
    tuple of Frame

    Raises
    ------
    RefusedError
        For a series that can't be.
    """
    if pattern not in ("stripes", "crossed", "stepped", "dots"):
        raise RefusedError(
            "The pattern is not known",
            found=pattern,
            allowed="stripes, crossed, stepped, dots",
            cure="choose one of these",
        )
    if not periods_mm or not all(math.isfinite(p) and 0.5 <= p <= 2000 for p in periods_mm):
        raise RefusedError(
            "The period can't be used",
            found=", ".join(f"{p:g}" for p in periods_mm),
            allowed="0.5 to 2000 mm",
            cure="choose periods within these",
        )
    if pattern != "stepped" and len(periods_mm) > 1:
        raise RefusedError(
            f"{pattern} have one period",
            found=f"{len(periods_mm)}",
            allowed="one, or pattern stepped",
            cure="give one period",
        )
    if not ways or not set(ways) <= {"across", "up"}:
        raise RefusedError(
            "The direction is not known",
            found=", ".join(ways),
            allowed="across, up",
            cure="choose from those",
        )
    if pattern in ("dots", "crossed"):
        return (ScreenFrame(pattern, "", periods_mm[0]),)
    if pattern == "stripes":
        return tuple(ScreenFrame("stripes", way, periods_mm[0]) for way in ways)
    if not 3 <= steps <= 16:
        raise RefusedError(
            "The number of steps can't be used",
            found=str(steps),
            allowed="3 to 16",
            cure="choose a number within these; 4 is usual",
        )
    return tuple(
        ScreenFrame("stepped", way, period, 360.0 * k / steps)
        for way in ways
        for period in periods_mm
        for k in range(steps)
    )


def check_fits(frames: tuple[ScreenFrame, ...], screen: Screen) -> None:
    """Refuse periods too fine or too wide for a screen.

    Raises
    ------
    RefusedError
    """
    for frame in frames:
        pixels = frame.period_mm / screen.pixel_mm
        side = min(screen.size_mm) if not frame.varies else screen.size_mm[frame.varies == "up"]
        if pixels < _LEAST_PX:
            raise RefusedError(
                "The stripes are too fine for this screen",
                found=f"{frame.period_mm:g} mm is {pixels:.1f} of its pixels",
                allowed=f"at least {_LEAST_PX * screen.pixel_mm:.1f} mm",
                cure="use a longer period, or a screen of finer pixels",
            )
        if frame.period_mm > side / 3:
            raise RefusedError(
                "Fewer than three stripes fit on this screen",
                found=f"{frame.period_mm:g} mm on {side:.0f} mm",
                allowed=f"up to {side / 3:.0f} mm",
                cure="use a shorter period, or a larger screen",
            )


def draw_frame(frame: ScreenFrame, screen: Screen) -> Array:
    """The picture as it must stand on the screen.

    Parameters
    ----------
    frame : ScreenFrame
    screen : Screen

    Returns
    -------
    ndarray (H, W), uint8
        sRGB values (IEC 61966-2-1) of the linear brightness.

    Notes
    -----
    Pixel k from the left spans s = k to k + 1 pixels along `across`; along `up` k counts from the lower edge. A cosine
    is taken at the pixel's middle: over a pixel of an eighth of a period its mean is 2.6 % weaker and nothing else. A
    black and white edge falls where it must by the share of light in its pixel.
    """
    mm = screen.pixel_mm
    if frame.pattern == "dots":
        a = (np.arange(screen.width_px) + 0.5 - screen.width_px / 2) * mm
        b = (screen.height_px / 2 - np.arange(screen.height_px) - 0.5) * mm
        da, db = (v - frame.period_mm * np.floor(v / frame.period_mm + 0.5) for v in (a, b))
        inside = (DOT_SHARE * frame.period_mm - np.hypot(da[None, :], db[:, None])) / mm
        return encode(np.clip(inside + 0.5, 0.0, 1.0))
    if frame.pattern == "crossed":
        share = mm / frame.period_mm
        across, up = (
            (_lit((k + 1) * share) - _lit(k * share)) / share
            for k in (np.arange(screen.width_px), np.arange(screen.height_px))
        )
        return encode((across[None, :] + up[::-1, None]) / 2)
    count = screen.height_px if frame.varies == "up" else screen.width_px
    k = np.arange(count)
    if frame.pattern == "stepped":
        light = 0.5 + 0.5 * np.cos(
            2 * np.pi * (k + 0.5) * mm / frame.period_mm + math.radians(frame.phase_deg)
        )
    else:
        share = mm / frame.period_mm
        light = (_lit((k + 1) * share) - _lit(k * share)) / share
    line = encode(light)
    if frame.varies == "up":
        return np.repeat(line[::-1, None], screen.width_px, axis=1)
    return np.repeat(line[None, :], screen.height_px, axis=0)


def _lit(turn: Array) -> Array:
    """Light from 0 to `turn` periods of black and white stripes that are bright where the cosine is over 0."""
    whole = np.floor(turn)
    part = turn - whole
    return np.asarray(0.5 * whole + np.minimum(part, 0.25) + np.maximum(part - 0.75, 0.0))


def encode(light: Array) -> Array:
    """Linear light 0 to 1 as sRGB, uint8."""
    return np.asarray(np.floor(255 * to_srgb(np.clip(light, 0.0, 1.0)) + 0.5).astype(np.uint8))
