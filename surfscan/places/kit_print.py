"""A kit's pages: tags for the panel, the board in pieces, and how to put it together."""

from __future__ import annotations

import textwrap
from pathlib import Path

from surfscan.places.kit import DICTIONARY, RULER_MM, Kit, kit_text, save_kit
from surfscan.plan.ink import Line, Mark, Words
from surfscan.plan.printing import write_files
from surfscan.plan.sheets import lay_out, paper_named
from surfscan.plan.targets import Target, crossed_board, striped_board, tag_target
from surfscan.plan.writers import pages_to_pdf

__all__ = ["print_kit"]


def print_kit(kit: Kit, out: Path) -> list[Path]:
    """Write a kit's PDF files and the file that describes it, and keep that on this computer.

    Parameters
    ----------
    kit : Kit
    out : path
        Folder for the files, made if missing.

    Returns
    -------
    list of Path
        ``kit-N-board.pdf``, ``kit-N-tags.pdf``, ``kit-N-how-to.pdf``, ``kit-N.toml``.

    Raises
    ------
    UsageError
        For a board, tags or a paper that can't be printed.
    """
    paper = paper_named(kit.paper)
    small = paper_named("a4") if paper.height_mm is None else paper
    name = f"kit-{kit.number}"
    board = _board(kit)
    board_pages = lay_out([board], paper)
    tags = [tag_target(tag, dictionary=DICTIONARY, side_mm=kit.tag_side_mm) for tag in kit.panel_ids]
    how = lay_out([_how_to(kit, len(board_pages))], small)
    files = [
        (f"{name}-board.pdf", pages_to_pdf(board_pages, title=f"kit {kit.number}: board")),
        (f"{name}-tags.pdf", pages_to_pdf(lay_out(tags, small), title=f"kit {kit.number}: tags")),
        (f"{name}-how-to.pdf", pages_to_pdf(how, title=f"kit {kit.number}: how to put it together")),
        (f"{name}.toml", kit_text(kit).encode()),
    ]
    written = write_files(out, files)
    save_kit(kit)
    return written


def _board(kit: Kit) -> Target:
    make = crossed_board if kit.pattern == "crossed" else striped_board
    return make(
        kit.board_mm,
        period_mm=kit.period_mm,
        tag_side_mm=kit.board_tag_mm,
        dictionary=DICTIONARY,
        first_tag=kit.board_ids[0],
    )


def _steps(kit: Kit, pages: int) -> list[str]:
    w, h = kit.board_mm
    pasted = (
        f"Board: {pages} pages. Cut each at its solid marks, lay it to the dashed"
        " marks of the page before, row by row from the upper left, and paste it without stretching: paste the"
        " backing, not the paper. Let it dry flat under weight."
        if pages > 1
        else "Board: one piece. Paste it without stretching: paste the backing, not the paper. Let it dry flat under"
        " weight."
    )
    shots = (
        "Two photos are enough for a panel: one of the panel with the board's reflection over all of it, and the set-up"
        " photo."
        if kit.pattern == "crossed"
        else "Three photos for a panel: one with the board as it stands, one with the board turned by 90 degrees in its"
        " own place, and the set-up photo."
    )
    return [
        "Print all pages at 100 %, not fitted to the page, on matt paper.",
        f"Measure the ruler at the left edge of a page of the board: {RULER_MM:g} mm on the drawing. Type what it"
        f" measures: surfscan kit ruler {kit.number} MM. That puts every length of this kit right.",
        pasted,
        f"Backing: stiff, flat and straight to 2 mm over its length, at least {w:g} x {h:g} mm: foam board, aluminium"
        " composite or plywood with a batten behind. A matt print on a matt backing.",
        "Tags: cut them out along the corner marks with their white border. Stick them to thin card or magnet sheet of"
        " under 0.5 mm, flat.",
        "Lay a tag near each corner of what is to be judged, all about upright, none over a spot. Nothing is measured:"
        " what is judged is what lies between the tags' middles.",
        "Lean the board beyond the panel so that its reflection covers all between the tags, as you see it.",
        shots,
        "The set-up photo: step back and to the side until all tags on the panel and at least three of the board's"
        " corners are in one photo, seen from their fronts. Move nothing between the photos, and do not zoom.",
        "surfscan check PHOTOS --out result: no sheet, the tags' numbers say which kit it is.",
    ]


def _how_to(kit: Kit, pages: int) -> Target:
    """The page in words."""
    width, size, line = 172.0, 3.1, 4.6
    art: list[Mark] = []
    y = 236.0
    art.append(Words(0, y, f"Kit {kit.number}: how to put it together", 5.0, bold=True))
    y -= 9.0
    for k, step in enumerate(_steps(kit, pages), 1):
        rows = textwrap.wrap(step, int(width / (0.6 * size)))
        art.append(Words(0, y, f"{k}", size, bold=True))
        for row in rows:
            art.append(Words(8.0, y, row, size))
            y -= line
        y -= 2.2
    art.append(Line(((0, y), (width, y)), 0.2))
    y -= 6.0
    facts = (
        f"Tags {kit.panel_ids[0]} to {kit.panel_ids[-1]} of {DICTIONARY} on the panel, {kit.tag_side_mm:g} mm; tags"
        f" {kit.board_ids[0]} to {kit.board_ids[-1]} on the board, {kit.board_tag_mm:g} mm."
    )
    art.append(Words(0, y, facts, 2.6))
    pattern = f"{kit.pattern}, a stripe pair every {kit.period_mm:g} mm"
    art.append(Words(0, y - 4.4, f"Board {kit.board_mm[0]:g} x {kit.board_mm[1]:g} mm, {pattern}.", 2.6))
    keys = ("# kit: photos of it need no job sheet",)
    return Target(
        "how-to", f"kit {kit.number}: how to put it together", (178.0, 244.0), tuple(art), keys, whole=True
    )
