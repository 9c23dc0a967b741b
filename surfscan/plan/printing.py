"""What to print, from a few words to files on disk."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from surfscan.core.errors import UsageError
from surfscan.job.tag_mirror import mirror_alike
from surfscan.job.tags import DICTIONARIES
from surfscan.plan.gap_gauge import gap_gauge
from surfscan.plan.ink import Page
from surfscan.plan.sheets import lay_out, paper_named
from surfscan.plan.targets import (
    Target,
    charuco_board,
    crossed_board,
    dot_board,
    striped_board,
    tag_target,
)

__all__ = ["KINDS", "make_targets", "write_files", "write_print"]

KINDS = ("tags", "stripes", "crossed", "dots", "charuco", "gauge")
FORMS = ("pdf", "svg", "png")


def make_targets(
    what: str,
    *,  # house: one keyword for each option of the command; most targets take two or three of them
    ids: Sequence[int] = (0, 1, 2, 3),
    dictionary: str = "4x4_50",
    side_mm: float = 36.0,
    size_mm: tuple[float, float] = (600.0, 500.0),
    period_mm: float = 30.0,
    varies: str = "across",
    board_tag_mm: float = 0.0,
    dot_mm: float | None = None,
    squares: tuple[int, int] = (8, 6),
    square_mm: float = 22.0,
) -> list[Target]:
    """Make what is to be printed.

    Parameters
    ----------
    what : {"tags", "stripes", "crossed", "dots", "charuco", "gauge"}
    ids, dictionary, side_mm :
        Tags: which, and the black square's side. The ChArUco board uses the dictionary too.
    size_mm, period_mm, varies, board_tag_mm, dot_mm :
        Boards: width and height, period, direction of stripes, side of tags at the board's corners, width of dots.
    squares, square_mm :
        ChArUco board: columns and rows, and a square's side.

    Raises
    ------
    UsageError
        For an unknown kind, and for what can't be printed.
    """
    if what == "tags":
        if len(set(ids)) != len(ids):
            raise UsageError(
                "A tag is asked for twice",
                found=", ".join(str(i) for i in ids),
                allowed="each tag once",
                cure="leave the second out; --copies prints more",
            )
        alike = mirror_alike(dictionary) if dictionary in DICTIONARIES else frozenset()
        if alike & set(ids):
            raise UsageError(
                "These tags read as themselves in a mirror, so that their reflections would be taken for them",
                found=", ".join(str(i) for i in ids if i in alike),
                allowed=f"any of {dictionary} but {', '.join(map(str, sorted(alike)))}",
                cure="print other ids",
            )
        return [tag_target(i, dictionary=dictionary, side_mm=side_mm) for i in ids]
    if what == "stripes":
        return [
            striped_board(
                size_mm, period_mm=period_mm, varies=varies, tag_side_mm=board_tag_mm, dictionary=dictionary
            )
        ]
    if what == "crossed":
        return [crossed_board(size_mm, period_mm=period_mm, tag_side_mm=board_tag_mm, dictionary=dictionary)]
    if what == "dots":
        return [dot_board(size_mm, period_mm=period_mm, dot_mm=dot_mm)]
    if what == "charuco":
        return [charuco_board(*squares, square_mm=square_mm, dictionary=dictionary)]
    if what == "gauge":
        return [gap_gauge()]
    raise UsageError(
        "There is no such thing to print", found=what, allowed=", ".join(KINDS), cure="choose one of these"
    )


def write_print(
    what: str,
    out: Path | str,
    *,
    paper: str = "a4",
    forms: Sequence[str] = ("pdf",),
    dpi: float = 600.0,
    tiled: bool = False,
    **target: Any,
) -> list[Path]:
    """Write pages at true size.

    Parameters
    ----------
    what : str
        See `make_targets`; `target` are its options.
    out : path
        Folder for the files, made if missing.
    paper : str
        "a4", "letter", "a3", or "roll-914" for a roll of 914 mm.
    forms : sequence of {"pdf", "svg", "png"}
        PDF holds all pages, the others one file a page.
    dpi : float
        Of PNG, 72 to 2400.
    tiled : bool
        Paste a board that is too wide for a roll from strips.

    Returns
    -------
    list of Path

    Raises
    ------
    UsageError
        For what can't be printed on that paper.
    """
    for form in forms:
        if form not in FORMS:
            raise UsageError(
                "There is no such form", found=form, allowed=", ".join(FORMS), cure="choose one of these"
            )
    if not 72 <= dpi <= 2400:
        raise UsageError(
            "The resolution can't be used", found=f"{dpi:g} dpi", allowed="72 to 2400", cure="use 600"
        )
    targets = make_targets(what, **target)
    pages = lay_out(targets, paper_named(paper), tiled=tiled)
    name = f"{what}-{targets[0].id}-{paper.lower().replace(' ', '')}"
    files = _render(pages, name, forms, dpi)
    return write_files(Path(out), files)


def write_files(folder: Path, files: Sequence[tuple[str, bytes]]) -> list[Path]:
    """Write files into a folder, made if missing; none is left half-written.

    Raises
    ------
    UsageError
        When the folder can't be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for file, data in files:
            half = folder / f".{file}.part"
            half.write_bytes(data)
            paths.append(half.replace(folder / file))
    except OSError as error:
        raise UsageError(
            f"{folder} can't be written",
            found=error.strerror or str(error),
            allowed="a folder that you may write, with room",
            cure="choose another folder, or free some room",
        ) from None
    return paths


def _render(pages: Sequence[Page], name: str, forms: Sequence[str], dpi: float) -> list[tuple[str, bytes]]:
    from surfscan.plan.writers import page_to_png, page_to_svg, pages_to_pdf

    files: list[tuple[str, bytes]] = []
    for form in forms:
        if form == "pdf":
            files.append((f"{name}.pdf", pages_to_pdf(pages, title=pages[0].name.split("   ")[0])))
            continue
        for k, page in enumerate(pages):
            number = f"-{k + 1}" if len(pages) > 1 else ""
            data = page_to_svg(page).encode() if form == "svg" else page_to_png(page, dpi=dpi)
            files.append((f"{name}{number}.{form}", data))
    return files
