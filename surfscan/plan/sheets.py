"""Targets laid out on pages: tiles with crop marks and overlap, a check ruler, id and sheet keys on each page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from surfscan.core.errors import UsageError
from surfscan.plan.ink import Line, Mark, Page, Words, clip, move, turn_quarter
from surfscan.plan.targets import Target
from surfscan.plan.writers import PDF_MOST_MM

__all__ = ["OVERLAP_MM", "PAPERS_MM", "Paper", "lay_out", "paper_named"]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4), "a3": (297.0, 420.0)}
"""ISO 216, and ANSI/ASME Y14.1 (8.5 x 11 inch)."""

OVERLAP_MM = 10.0
LEFT_MM, RIGHT_MM, TOP_MM, BOTTOM_MM = 17.0, 8.0, 15.0, 30.0
"""Margins round the art: ruler on the left, title above, keys below; printers leave 5 mm and less unprinted."""

RULERS_MM = (200, 150, 100)
MOST_PAGES = 400


@dataclass(frozen=True, slots=True)
class Paper:
    """A page size, or a roll: `height_mm` None, as long as needed."""

    name: str
    width_mm: float
    height_mm: float | None


def paper_named(name: str) -> Paper:
    """A4, Letter, A3, or "roll-914" for a roll 914 mm wide."""
    key = name.strip().lower()
    if key in PAPERS_MM:
        return Paper(key.upper() if key[0] == "a" else "Letter", *PAPERS_MM[key])
    if key.startswith("roll"):
        try:
            width = float(key[4:].lstrip("-_= "))
        except ValueError:
            width = math.nan
        if 200 <= width <= PDF_MOST_MM:
            return Paper(f"roll {width:g} mm", width, None)
        raise UsageError(
            "The roll's width can't be used",
            found=key[4:].lstrip("-_= ") or "none",
            allowed=f"200 to {PDF_MOST_MM:.0f} mm",
            cure="write roll-914 for a roll of 914 mm",
        )
    raise UsageError(
        "The paper is not known",
        found=name,
        allowed="a4, letter, a3, roll-WIDTH",
        cure="write roll-914 for a roll",
    )


def lay_out(targets: Sequence[Target], paper: Paper, *, tiled: bool = False) -> list[Page]:
    """Lay targets out on pages.

    Parameters
    ----------
    targets : sequence of Target
        One board, or several that must stay whole (tags), which are put side by side.
    paper : Paper
    tiled : bool
        On a roll: cut a board that is wider than the roll into strips to paste, in place of refusing it.

    Returns
    -------
    list of Page

    Raises
    ------
    UsageError
        When something that must stay whole does not fit, when a board is too large for the roll, or would take
        too many pages.
    """
    if not targets:
        raise UsageError(
            "There is nothing to print",
            allowed="at least one tag, or a board",
            found="nothing",
            cure="say what to print",
        )
    if len(targets) == 1 and not targets[0].whole:
        return _tiles(targets[0], paper, tiled=tiled)
    return _side_by_side(targets, paper)


def _window(paper: Paper, need: float) -> tuple[float, float]:
    """Width and height that the art may take on a page; a roll gives what is needed."""
    w = paper.width_mm - LEFT_MM - RIGHT_MM
    if paper.height_mm is not None:
        return w, paper.height_mm - TOP_MM - BOTTOM_MM
    most = PDF_MOST_MM - TOP_MM - BOTTOM_MM
    return w, min(max(need, RULERS_MM[-1] + 10.0), most)


def _side_by_side(targets: Sequence[Target], paper: Paper) -> list[Page]:
    gap = 6.0
    w, h = _window(paper, sum(t.size_mm[1] + gap for t in targets))
    for target in targets:
        tw, th = target.size_mm
        if tw > w or th > h:
            raise UsageError(
                f"{target.title} does not fit on {paper.name}, and can't be pasted together",
                found=f"{tw:.0f} x {th:.0f} mm",
                allowed=f"{w:.0f} x {h:.0f} mm",
                cure="use larger paper or a roll, or make it smaller",
            )
    rows: list[list[tuple[Target, float]]] = [[]]
    x = 0.0
    for target in targets:
        if x + target.size_mm[0] > w:
            rows.append([])
            x = 0.0
        rows[-1].append((target, x))
        x += target.size_mm[0] + gap
    sheets: list[list[Mark]] = [[]]
    members: list[list[Target]] = [[]]
    low = h
    for row in rows:
        tall = max(t.size_mm[1] for t, _ in row)
        if low - tall < -1e-6:
            sheets.append([])
            members.append([])
            low = h
        for target, x in row:
            sheets[-1] += [move(m, LEFT_MM + x, BOTTOM_MM + low - target.size_mm[1]) for m in target.art]
            members[-1].append(target)
        low -= tall + gap
    if paper.height_mm is None and len(sheets) == 1:  # no longer than it must be
        used = max(h - low - gap, RULERS_MM[-1] + 10.0)
        sheets[0] = [move(m, 0, used - h) for m in sheets[0]]
        h = used
    pages = []
    for k, (art, there) in enumerate(zip(sheets, members, strict=True)):
        size = (paper.width_mm, h + TOP_MM + BOTTOM_MM)
        name = there[0].title if len(there) == 1 else f"{there[0].kind}s, {len(there)} on this page"
        title = f"{name}   ·   {there[0].id}   ·   page {k + 1} of {len(sheets)}"
        window = (LEFT_MM - 1, BOTTOM_MM - 1, w + 2, h + 2)
        keys = [*there[0].keys]
        if there[0].kind == "tag":
            keys += [
                "   ".join(f"{t.title.split()[1]} = [x, y]" for t in there[:6])
                + (" ..." if len(there) > 6 else "")
            ]
        marks = _frame(
            size, title, keys, "Cut at the corner marks; keep the white border." if len(there) > 1 else ""
        )
        pages.append(Page(size, tuple(art), window, tuple(marks), title))
    return pages


def _tiles(target: Target, paper: Paper, *, tiled: bool) -> list[Page]:
    tw, th = target.size_mm
    w, h = _window(paper, th)
    art, turned = target.art, ""
    if paper.height_mm is None and tw > w:
        if th <= w and not tiled:
            art = tuple(turn_quarter(m, tw) for m in art)
            tw, th = th, tw
            w, h = _window(paper, th)
            turned = "Turned a quarter right: the board's upper edge is on the right."
        elif not tiled:
            raise UsageError(
                f"The board is too large for a {paper.name}",
                found=f"{tw:g} x {th:g} mm",
                allowed=f"{w:.0f} mm on one side",
                cure=f"use a roll of {math.ceil(min(tw, th) + LEFT_MM + RIGHT_MM)} mm, or --tiled to paste strips",
            )
    (across, w), (up, h) = _cuts(tw, w), _cuts(th, h)
    if len(across) * len(up) > MOST_PAGES:
        raise UsageError(
            f"The board would take {len(across) * len(up)} pages of {paper.name}",
            allowed=f"{MOST_PAGES} pages",
            cure="use larger paper, or a roll",
            found=f"{len(across) * len(up)} pages",
        )
    pages = []
    for j in range(len(up) - 1, -1, -1):
        for i, x0 in enumerate(across):
            y0 = up[j]
            window = (LEFT_MM, BOTTOM_MM, w, h)
            moved = (clip(move(m, LEFT_MM - x0, BOTTOM_MM - y0), window) for m in art)
            size = (paper.width_mm, paper.height_mm or h + TOP_MM + BOTTOM_MM)
            many = len(across) * len(up) > 1
            place = f"column {i + 1} of {len(across)}, row {len(up) - j} of {len(up)}" if many else "whole"
            title = f"{target.title}   ·   {target.id}   ·   {place}"
            note = (
                "Cut at the solid marks; lay the next page to the dashed ones."
                if many
                else "Cut at the marks."
            )
            marks = _frame(size, title, target.keys, f"{turned} {note}".strip())
            marks += _crop_marks(window)
            if i < len(across) - 1:
                marks += _join_marks(window, "right", across[i + 1] - x0)
            if j < len(up) - 1:
                marks += _join_marks(window, "top", up[j + 1] - y0)
            pages.append(Page(size, tuple(m for m in moved if m is not None), window, tuple(marks), title))
    return pages


def _cuts(length: float, window: float) -> tuple[list[float], float]:
    """Where tiles of one size start, so that neighbours overlap, and that size."""
    if length <= window:
        return [0.0], length
    count = math.ceil((length - OVERLAP_MM) / (window - OVERLAP_MM))
    size = (length + (count - 1) * OVERLAP_MM) / count
    return [k * (size - OVERLAP_MM) for k in range(count)], size


def _crop_marks(window: tuple[float, float, float, float]) -> list[Mark]:
    """Hairlines outside the window's corners, in line with its edges."""
    x, y, w, h = window
    marks: list[Mark] = []
    for cx, dx in ((x, -1), (x + w, 1)):
        for cy, dy in ((y, -1), (y + h, 1)):
            marks.append(Line(((cx + dx * 1.0, cy), (cx + dx * 5.0, cy)), 0.1))
            marks.append(Line(((cx, cy + dy * 1.0), (cx, cy + dy * 5.0)), 0.1))
    return marks


def _join_marks(window: tuple[float, float, float, float], side: str, at: float) -> list[Mark]:
    """Where the next page's edge comes to lie on this one: dashed marks and a word."""
    x, y, w, h = window
    if side == "right":
        across = x + at
        return [
            Line(((across, y - 1.0), (across, y - 5.0)), 0.15, dash=0.6),
            Line(((across, y + h + 1.0), (across, y + h + 5.0)), 0.15, dash=0.6),
            Words(across - 0.8, y + h + 2.0, "next page's left edge", 1.9, "end"),
        ]
    up = y + at
    return [
        Line(((x - 1.0, up), (x - 5.0, up)), 0.15, dash=0.6),
        Line(((x + w + 1.0, up), (x + w + 5.0, up)), 0.15, dash=0.6),
        Words(x - 1.6, up - 0.8, "next page's lower edge", 1.9, "end", turned=True),
    ]


def _frame(size: tuple[float, float], title: str, keys: Sequence[str], note: str = "") -> list[Mark]:
    """Title, ruler, and keys; all outside the art."""
    w, h = size
    marks: list[Mark] = [
        Words(LEFT_MM, h - 7.0, title, _fit(title, w - LEFT_MM - RIGHT_MM, 2.8), bold=True),
    ]
    note = f"Print at 100 %, not fitted to the page. {note}".strip()
    marks.append(Words(LEFT_MM, 19.6, note, _fit(note, w - LEFT_MM - RIGHT_MM, 2.1)))
    # Keys below, in two columns when there are many.
    rows = [("for the job sheet (panel.toml):", True), *((k, False) for k in keys)]
    columns = math.ceil(len(rows) / 5)
    column_width = (w - LEFT_MM - RIGHT_MM) / columns
    size_mm = min(_fit(text, column_width - 3, 2.1) for text, _ in rows)
    for k, (text, bold) in enumerate(rows):
        column, row = divmod(k, 5)
        marks.append(Words(LEFT_MM + column * column_width, 16.0 - 2.7 * row, text, size_mm, bold=bold))
    marks += _ruler(size)
    return marks


def _ruler(size: tuple[float, float]) -> list[Mark]:
    """A ruler up the left margin, with its length in words; the longest that fits."""
    room = size[1] - 24.0
    length = next((n for n in RULERS_MM if n <= room), RULERS_MM[-1])
    x, y0 = 8.0, (size[1] - length) / 2
    marks: list[Mark] = [Line(((x, y0), (x, y0 + length)), 0.15)]
    for mm in range(0, length + 1, 10):
        reach = 3.5 if mm in (0, length) else (2.4 if mm % 50 == 0 else 1.4)
        marks.append(Line(((x - reach, y0 + mm), (x, y0 + mm)), 0.15))
    marks.append(Words(x + 3.2, size[1] / 2, f"measure this: {length} mm", 2.6, "middle", turned=True))
    return marks


def _fit(text: str, width: float, most: float) -> float:
    """Font height at which a line of text fits: a letter of DejaVu Sans is about 0.6 of its size wide, bold 0.7."""
    return min(most, width / max(0.68 * len(text), 1))
