"""What can be printed: tags, striped boards, boards of dots, a ChArUco board, a gap gauge."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from surfscan.core.errors import UsageError
from surfscan.plan.ink import Disc, Line, Mark, Polygon, Rect, Words

__all__ = ["Target", "charuco_board", "dot_board", "striped_board", "tag_cells", "tag_target"]

_HALF = 0.735
"""Grey that shines with half of white's light: half in linear light, as sRGB encodes it (IEC 61966-2-1)."""

THINNEST_MM = 0.5
"""The thinnest bar or dot that office and shop printers draw evenly: 6 dots of 300 dpi (our choice)."""


@dataclass(frozen=True, slots=True)
class Target:
    """Something to print.

    Attributes
    ----------
    kind : str
    title : str
        What it is, with the sizes that matter.
    size_mm : (width, height)
    art : tuple of Mark
        From (0, 0) at the lower left corner.
    keys : tuple of str
        The lines of a job sheet that belong to it.
    whole : bool
        Whether it must be on one page: tags and the like can't be pasted together.
    """

    kind: str
    title: str
    size_mm: tuple[float, float]
    art: tuple[Mark, ...]
    keys: tuple[str, ...]
    whole: bool = False

    @property
    def id(self) -> str:
        """Six letters that change with anything printed."""
        text = repr((self.kind, self.title, self.size_mm, self.keys))
        return hashlib.sha256(text.encode()).hexdigest()[:6]


def tag_target(tag: int, *, dictionary: str = "4x4_50", side_mm: float = 36.0) -> Target:
    """One tag with its white border and its number; the arrow shows which way is up.

    Parameters
    ----------
    tag : int
        Its id in the dictionary.
    dictionary : str
        One of OpenCV's, such as "4x4_50".
    side_mm : float
        Side of the black square.
    """
    cells = tag_cells(tag, dictionary)
    n = cells.shape[0]
    cell = side_mm / n
    if cell < 2 * THINNEST_MM:
        raise UsageError(
            f"Tags of {side_mm:g} mm are too small to print and to find",
            found=f"cells of {cell:.2f} mm",
            allowed=f"cells of {2 * THINNEST_MM:g} mm and more",
            cure=f"use --side {math.ceil(2 * THINNEST_MM * n)}",
        )
    border = side_mm / n * 1.5
    size = (side_mm + 2 * border, side_mm + 2 * border)
    art = [*_bits(cells, border, border, side_mm)]
    small = min(0.45 * border, 3.2)
    art += [
        Words(size[0] / 2, 0.3 * border, f"{tag}   ({dictionary}, {side_mm:g} mm)", small, "middle"),
        Polygon(
            (
                (size[0] / 2 - 0.3 * border, size[1] - 0.7 * border),
                (size[0] / 2 + 0.3 * border, size[1] - 0.7 * border),
                (size[0] / 2, size[1] - 0.3 * border),
            )
        ),
        *_corner_ticks(size),
    ]
    keys = (
        "[tags]",
        f'dictionary = "{dictionary}"',
        f"side_mm = {side_mm:g}",
        "[tags.centres_mm]  # measure each tag's middle from the panel's middle",
    )
    return Target("tag", f"tag {tag} of {dictionary}, {side_mm:g} mm", size, tuple(art), keys, whole=True)


def striped_board(
    size_mm: tuple[float, float],
    *,
    period_mm: float,
    varies: str = "across",
    tag_side_mm: float = 0.0,
    dictionary: str = "4x4_50",
    first_tag: int = 10,
) -> Target:
    """Black and white stripes, white in the middle of each period counted from the left (or lower) edge.

    Parameters
    ----------
    size_mm : (width, height)
    period_mm : float
        A dark and a bright stripe together.
    varies : {"across", "up"}
        The direction in which dark and bright change. The same board turned by 90 degrees shows the other.
    tag_side_mm : float
        With tags of that side at the corners (0: none), from which a set-up photo finds the board.
    first_tag : int
        The lower left tag's id; the others count on anticlockwise.
    """
    _board_checks(size_mm, period_mm, period_mm / 2, "stripes")
    if varies not in ("across", "up"):
        raise UsageError(
            "Stripes vary across or up", found=varies, allowed="across, up", cure="choose one of these"
        )
    w, h = size_mm
    side = w if varies == "across" else h
    art: list[Mark] = []
    # The sheet's rule: bright where cos(2 pi s/period) > 0, s from the edge, so black from a quarter period on.
    for k in range(math.ceil(side / period_mm)):
        start, end = (k + 0.25) * period_mm, min((k + 0.75) * period_mm, side)
        if end > start:
            art.append(
                Rect(start, 0, end - start, h) if varies == "across" else Rect(0, start, w, end - start)
            )
    keys = ["[board]", 'pattern = "stripes"', f"period_mm = {period_mm:g}", f"size_mm = [{w:g}, {h:g}]"]
    if tag_side_mm > 0:
        marks, more = _board_tags(size_mm, tag_side_mm, dictionary, first_tag)
        art += marks
        keys += more
    title = f"stripes of {period_mm:g} mm, {w:g} x {h:g} mm, varying {varies}"
    return Target("stripes", title, (w, h), tuple(art), tuple(keys))


def crossed_board(
    size_mm: tuple[float, float],
    *,
    period_mm: float,
    tag_side_mm: float = 0.0,
    dictionary: str = "4x4_50",
    first_tag: int = 10,
) -> Target:
    """Stripes both ways at once in three greys: white where both are bright, black where both are dark.

    Parameters
    ----------
    size_mm : (width, height)
    period_mm : float
        A dark and a bright stripe together, both ways.
    tag_side_mm, dictionary, first_tag :
        As in `striped_board`.
    """
    _board_checks(size_mm, period_mm, period_mm / 2, "stripes")
    w, h = size_mm
    art: list[Mark] = [Rect(0, 0, w, h)]
    bands: list[list[tuple[float, float]]] = [[], []]
    for side, found in zip(size_mm, bands, strict=True):
        for k in range(-1, math.ceil(side / period_mm) + 1):  # bright where cos(2 pi s/period) > 0
            start, end = max((k - 0.25) * period_mm, 0.0), min((k + 0.25) * period_mm, side)
            if end > start:
                found.append((start, end))
    across, up = bands
    art += [Rect(a, 0, b - a, h, _HALF) for a, b in across]
    art += [Rect(0, a, w, b - a, _HALF) for a, b in up]
    art += [Rect(a, c, b - a, d - c, 1.0) for a, b in across for c, d in up]
    keys = ["[board]", 'pattern = "crossed"', f"period_mm = {period_mm:g}", f"size_mm = [{w:g}, {h:g}]"]
    if tag_side_mm > 0:
        marks, more = _board_tags(size_mm, tag_side_mm, dictionary, first_tag)
        art += marks
        keys += more
    title = f"crossed stripes of {period_mm:g} mm, {w:g} x {h:g} mm"
    return Target("crossed", title, (w, h), tuple(art), tuple(keys))


def dot_board(size_mm: tuple[float, float], *, period_mm: float, dot_mm: float | None = None) -> Target:
    """White dots on black in a square lattice, one dot at the board's middle.

    Parameters
    ----------
    size_mm : (width, height)
    period_mm : float
        Spacing of the dots.
    dot_mm : float, optional
        Their width; two fifths of the spacing by default.
    """
    dot = 0.4 * period_mm if dot_mm is None else dot_mm
    _board_checks(size_mm, period_mm, min(dot, period_mm - dot), "dots")
    w, h = size_mm
    art: list[Mark] = [Rect(0, 0, w, h)]
    columns, rows = (math.floor((side / 2 - dot / 2) / period_mm) for side in size_mm)
    art += [
        Disc(w / 2 + i * period_mm, h / 2 + j * period_mm, dot / 2, 1.0)
        for j in range(-rows, rows + 1)
        for i in range(-columns, columns + 1)
    ]
    keys = ("[board]", 'pattern = "dots"', f"period_mm = {period_mm:g}", f"size_mm = [{w:g}, {h:g}]")
    return Target(
        "dots", f"dots of {dot:g} mm every {period_mm:g} mm, {w:g} x {h:g} mm", (w, h), tuple(art), keys
    )


def charuco_board(
    columns: int, rows: int, *, square_mm: float, tag_side_mm: float | None = None, dictionary: str = "4x4_50"
) -> Target:
    """A chessboard with a tag in each white square, as OpenCV's CharucoBoard of the same numbers has it.

    Parameters
    ----------
    columns, rows : int
        Squares, 3 and more.
    square_mm : float
    tag_side_mm : float, optional
        0.75 of the square by default.
    """
    side = 0.75 * square_mm if tag_side_mm is None else tag_side_mm
    if min(columns, rows) < 3:
        raise UsageError(
            "A ChArUco board needs squares",
            found=f"{columns} x {rows}",
            allowed="3 x 3 and more",
            cure="use 8 x 6",
        )
    cells = tag_cells(0, dictionary).shape[0]
    if not 0 < side < 0.95 * square_mm or side / cells < 2 * THINNEST_MM:
        raise UsageError(
            f"A tag of {side:g} mm does not fit a square of {square_mm:g} mm",
            allowed=f"{2 * THINNEST_MM * cells:g} mm to {0.9 * square_mm:g} mm",
            cure=f"use squares of {math.ceil(max(square_mm, 2 * THINNEST_MM * cells / 0.75))} mm",
            found=f"{side:g} mm",
        )
    art: list[Mark] = []
    tag = 0
    for row in range(rows):
        for column in range(columns):
            x, y = column * square_mm, (rows - 1 - row) * square_mm
            if (row + column) % 2 == 0:
                art.append(Rect(x, y, square_mm, square_mm))
            else:
                inset = (square_mm - side) / 2
                art += _bits(tag_cells(tag, dictionary), x + inset, y + inset, side)
                tag += 1
    keys = (
        "# not part of a job sheet: for finding the lens",
        f"# ChArUco, {columns} x {rows} squares",
        f'# square_mm = {square_mm:g}, tag side_mm = {side:g}, dictionary = "{dictionary}"',
    )
    size = (columns * square_mm, rows * square_mm)
    title = f"ChArUco board, {columns} x {rows} squares of {square_mm:g} mm, {dictionary}"
    return Target("charuco", title, size, tuple(art), keys, whole=True)


def _board_checks(size_mm: tuple[float, float], period: float, thin: float, what: str) -> None:
    for side in size_mm:
        if not 20 <= side <= 20000:
            raise UsageError(
                "The board's size can't be printed",
                found=f"{size_mm[0]:g} x {size_mm[1]:g} mm",
                allowed="20 to 20000 mm a side",
                cure="choose a size within these",
            )
    if not thin >= THINNEST_MM:
        raise UsageError(
            f"These {what} are too fine to print",
            found=f"bars or dots of {max(thin, 0):.2f} mm",
            allowed=f"{THINNEST_MM:g} mm and more",
            cure=f"use a period of {max(math.ceil(period * THINNEST_MM / max(thin, 0.05)), 1)} mm or more",
        )
    if 3 * period > min(size_mm):
        raise UsageError(
            "Too few periods fit the board",
            found=f"{period:g} mm on {size_mm[0]:g} x {size_mm[1]:g} mm",
            allowed="at least three",
            cure=f"use a period of {math.floor(min(size_mm) / 3)} mm or less, or a larger board",
        )


def _board_tags(
    size_mm: tuple[float, float], side: float, dictionary: str, first: int
) -> tuple[list[Mark], list[str]]:
    """White patches with tags at the board's corners, and their keys: places from the board's middle."""
    w, h = size_mm
    edge = side / tag_cells(first, dictionary).shape[0]
    patch = side + 2 * edge
    if 2.5 * patch > min(size_mm):
        raise UsageError(
            f"Tags of {side:g} mm are too large for this board",
            allowed=f"up to {min(size_mm) / 2.5 / (patch / side):.0f} mm",
            found=f"{side:g} mm",
            cure="use smaller tags, or a larger board",
        )
    marks: list[Mark] = []
    keys = ["[board.tags]", f'dictionary = "{dictionary}"', f"side_mm = {side:g}", "[board.tags.centres_mm]"]
    for k, (i, j) in enumerate(((0, 0), (1, 0), (1, 1), (0, 1))):
        x, y = i * (w - patch), j * (h - patch)
        marks.append(Rect(x, y, patch, patch, 1.0))
        marks += _bits(tag_cells(first + k, dictionary), x + edge, y + edge, side)
        keys.append(f"{first + k} = [{x + patch / 2 - w / 2:g}, {y + patch / 2 - h / 2:g}]")
    return marks, keys


def tag_cells(tag: int, dictionary: str) -> np.ndarray[Any, Any]:
    """Cells with the black rim, row 0 at the top: 1 white."""
    number = getattr(cv2.aruco, f"DICT_{dictionary.upper()}", None)
    if number is None:
        names = sorted(n[5:].lower() for n in dir(cv2.aruco) if n.startswith("DICT_"))
        raise UsageError(
            "The tag dictionary is not known",
            found=dictionary,
            allowed=", ".join(names),
            cure="choose one of these",
        )
    family = cv2.aruco.getPredefinedDictionary(number)
    count = len(family.bytesList)
    if not 0 <= tag < count:
        raise UsageError(
            f"{dictionary} has no tag {tag}",
            allowed=f"0 to {count - 1}",
            found=f"{tag}",
            cure="choose another number, or a larger dictionary",
        )
    n = family.markerSize + 2
    return (cv2.aruco.generateImageMarker(family, tag, n) > 127).astype(np.uint8)


def _bits(cells: np.ndarray[Any, Any], x: float, y: float, side: float) -> list[Mark]:
    """One black square, and its white cells in runs along the rows."""
    n = cells.shape[0]
    cell = side / n
    marks: list[Mark] = [Rect(x, y, side, side)]
    for row in range(n):
        column = 0
        while column < n:
            if not cells[row, column]:
                column += 1
                continue
            end = column
            while end < n and cells[row, end]:
                end += 1
            marks.append(Rect(x + column * cell, y + (n - 1 - row) * cell, (end - column) * cell, cell, 1.0))
            column = end
    return marks


def _corner_ticks(size: tuple[float, float], reach: float = 2.0) -> list[Mark]:
    """Where to cut."""
    w, h = size
    ticks: list[Mark] = []
    for x, dx in ((0.0, 1), (w, -1)):
        for y, dy in ((0.0, 1), (h, -1)):
            ticks += [
                Line(((x, y), (x + dx * reach, y)), 0.1, 0.5),
                Line(((x, y), (x, y + dy * reach)), 0.1, 0.5),
            ]
    return ticks
