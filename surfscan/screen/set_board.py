"""A television that is a board: how large its picture is, what it shows for each photo, and the sheet's tables for it.

The set is told pixels and draws them; what they measure on the glass is told once, by the length of a bar it shows or
by its diagonal, and never guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.errors import RefusedError
from surfscan.places.kit import DICTIONARY, screen_ids
from surfscan.plan.targets import tag_cells
from surfscan.screen.pattern import (
    Screen,
    ScreenFrame,
    draw_frame,
    encode,
    frames_of,
    screen_of_diagonal,
)

__all__ = ["PATTERNS", "Scale", "SetBoard", "bar_of", "scale_of_bar", "scale_of_diagonal"]

Array = NDArray[Any]

PATTERNS = ("crossed", "stripes", "stepped")
PERIOD_MM = 30.0
"""Of the stripes on a set of a metre: that of the printed boards."""

STEPS = 4
U_BAR_MM = 0.5
"""Standard uncertainty of the bar's length, read off with a tape through the glass (our choice)."""

U_DIAGONAL_IN = 0.29
"""Of a diagonal as a maker tells it, in whole inches: half an inch either way, evenly (JCGM 100, 4.3.7)."""

_BAR_SHARE = 0.8  # of the picture's width
_TAG_SHARE = 0.12  # side of a tag over the picture's height
_GROUND = 0.35  # linear light round the tags of the set-up photo: about what the stripes have in the mean
_LEAST_PX = 12


@dataclass(frozen=True, slots=True)
class Scale:
    """What a pixel of the set's picture measures.

    Attributes
    ----------
    pixel_mm : float
    u_rel : float
        Standard uncertainty of that, as a share.
    """

    pixel_mm: float
    u_rel: float


def bar_of(width_px: int) -> int:
    """Length of the bar that is measured, in pixels of the picture."""
    return 2 * round(_BAR_SHARE * width_px / 2)


def scale_of_bar(length_mm: float, width_px: int) -> Scale:
    """The scale by the bar's length.

    Raises
    ------
    RefusedError
        A length that no screen's bar has.
    """
    if not 100 <= length_mm <= 6000:
        raise RefusedError(
            "That can't be the bar on the screen",
            found=f"{length_mm:g} mm",
            allowed="100 to 6000 mm",
            cure="measure the white bar from its left end to its right end",
        )
    return Scale(length_mm / bar_of(width_px), U_BAR_MM / length_mm)


def scale_of_diagonal(diagonal_in: float, glass_px: tuple[int, int]) -> Scale:
    """The scale by the diagonal that the set's maker tells, inches, and the pixels of the whole glass.

    Raises
    ------
    RefusedError
        For a size that no screen has.
    """
    return Scale(screen_of_diagonal(diagonal_in, glass_px).pixel_mm, U_DIAGONAL_IN / diagonal_in)


@dataclass(frozen=True, slots=True)
class SetBoard:
    """A set's picture as a board.

    Attributes
    ----------
    width_px, height_px : int
        Of the picture, in the set's own pixels.
    scale : Scale
    pattern : {"crossed", "stripes", "stepped"}
    """

    width_px: int
    height_px: int
    scale: Scale
    pattern: str = "crossed"

    @property
    def screen(self) -> Screen:
        """Its size."""
        return Screen(self.width_px, self.height_px, self.scale.pixel_mm)

    @property
    def period_px(self) -> int:
        """Of the stripes: four times a whole number, so that black and white edges fall between pixels."""
        least, most = _LEAST_PX, max(min(self.width_px, self.height_px) // 8, _LEAST_PX)
        wanted = PERIOD_MM / self.scale.pixel_mm
        return 4 * round(min(max(wanted, least), most) / 4)

    @property
    def frames(self) -> tuple[ScreenFrame, ...]:
        """What is photographed in the panel, in order."""
        return frames_of(self.pattern, periods_mm=(self.period_px * self.scale.pixel_mm,), steps=STEPS)

    @property
    def count(self) -> int:
        """How many photos: that of the set-up, then one a frame."""
        return 1 + len(self.frames)

    @property
    def tags(self) -> tuple[tuple[int, int, int, int], ...]:
        """Number, left and top pixel of the white patch, and pixels a cell; lower left first, and round."""
        cells = tag_cells(screen_ids()[0], DICTIONARY).shape[0]
        cell = max(round(_TAG_SHARE * self.height_px / cells), 2)
        patch = (cells + 2) * cell
        right, low = self.width_px - patch, self.height_px - patch
        corners = ((0, low), (right, low), (right, 0), (0, 0))
        return tuple((tag, x, y, cell) for tag, (x, y) in zip(screen_ids(), corners, strict=True))

    def tables(self) -> dict[str, Any]:
        """`[board]` of a job sheet, without the name of its set-up photo."""
        mm, (width, height) = self.scale.pixel_mm, self.screen.size_mm
        cells = tag_cells(screen_ids()[0], DICTIONARY).shape[0]
        centres, side = {}, 0.0
        for tag, left, top, cell in self.tags:
            half, side = (cells + 2) * cell / 2, cells * cell * mm
            centres[str(tag)] = [
                (left + half - self.width_px / 2) * mm,
                (self.height_px / 2 - top - half) * mm,
            ]
        return {
            "pattern": self.pattern,
            "period_mm": self.period_px * mm,
            "size_mm": [width, height],
            "tags": {"dictionary": DICTIONARY, "side_mm": side, "centres_mm": centres},
        }

    def rows(self, files: list[str]) -> list[dict[str, Any]]:
        """`[[photo]]` of a job sheet for photos of the first frames."""
        out = []
        for file, frame in zip(files, self.frames, strict=False):
            row: dict[str, Any] = {"file": file}
            if frame.varies:
                row["varies"] = frame.varies
            if frame.pattern == "stepped":
                row |= {"period_mm": frame.period_mm, "phase_deg": frame.phase_deg}
            out.append(row)
        return out

    def told(self, k: int) -> dict[str, Any]:
        """What the set is told to draw for photo `k`, 0 that of the set-up; all in pixels."""
        shown: dict[str, Any] = {"pattern": "plain", "level": int(encode(np.array(_GROUND)))}
        if k > 0:
            frame = self.frames[k - 1]
            shown = {
                "pattern": frame.pattern,
                "varies": frame.varies,
                "period_mm": self.period_px,
                "phase_deg": frame.phase_deg,
            }
        shown["tags"] = [
            [left, top, cell, ["".join(map(str, row)) for row in tag_cells(tag, DICTIONARY)]]
            for tag, left, top, cell in self.tags
        ]
        return shown

    def draw(self, k: int) -> Array:
        """The picture as it must stand on the set: (H, W), sRGB values, uint8."""
        if k:
            picture = draw_frame(self.frames[k - 1], self.screen)
        else:
            picture = np.full((self.height_px, self.width_px), encode(np.array(_GROUND)), np.uint8)
        for tag, left, top, cell in self.tags:
            cells = np.pad(tag_cells(tag, DICTIONARY), 1, constant_values=1)
            patch = np.kron(255 * cells, np.ones((cell, cell), np.uint8))
            picture[top : top + patch.shape[0], left : left + patch.shape[1]] = patch
        return picture

    def words(self, k: int) -> str:
        """What photo `k` is, for the phone and the set."""
        if k == 0:
            return "the set-up: all of the screen and the panel's tags in one photo"
        frame = self.frames[k - 1]
        if frame.pattern == "crossed":
            return "the panel, with the crossed stripes in it"
        way = "side by side" if frame.varies == "across" else "one above the other"
        step = (
            f", step {1 + round(frame.phase_deg * STEPS / 360)} of {STEPS}"
            if frame.pattern == "stepped"
            else ""
        )
        return f"the panel, dark and light {way}{step}"


def good_size(width_px: Any, height_px: Any) -> bool:
    """Whether a picture's size, as a set tells it, is one."""
    return all(
        isinstance(v, int) and not isinstance(v, bool) and 200 <= v <= 20_000 for v in (width_px, height_px)
    ) and (math.isfinite(width_px / height_px) and 0.2 < width_px / height_px < 8)
