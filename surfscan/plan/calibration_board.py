"""The ChArUco board for `surfscan lens`, as a page to print: true size, black and white, vectors only."""

from __future__ import annotations

import io
from typing import Any

from surfscan.core.errors import RefusedError
from surfscan.job.chart import MARKER_SHARE, TAG_FAMILY, Chart
from surfscan.plan.targets import charuco_board
from surfscan.plan.writers import draw_on_pdf

__all__ = ["PAPERS_MM", "RULER_MM", "board_pdf"]

PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9), "a3": (420.0, 297.0)}
"""Sheets lying on their long side, mm (ISO 216; letter 11 by 8.5 inches)."""

RULER_MM = 150.0
"""Length of the check ruler."""

_POINTS = 72 / 25.4  # a PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)
_MARGIN = 8.0  # what office printers leave white, at most
_FOOT = 13.0  # the ruler and its words


def board_pdf(chart: Chart, *, paper: str = "a4") -> bytes:
    """Draw a calibration board.

    Parameters
    ----------
    chart : Chart
        Not a plain one: without markers no half of it can be read.
    paper : str
        A key of `PAPERS_MM`.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    RefusedError
        When the board does not fit the paper.
    """
    width, height = PAPERS_MM[paper]
    across, down = chart.squares
    size = across * chart.square_mm, down * chart.square_mm
    room = width - 2 * _MARGIN, height - 2 * _MARGIN - _FOOT
    if size[0] > room[0] or size[1] > room[1]:
        largest = int(min(room[0] / across, room[1] / down))
        raise RefusedError(
            f"the board does not fit {paper.upper()}",
            found=f"{size[0]:g} x {size[1]:g} mm",
            allowed=f"{room[0]:.0f} x {room[1]:.0f} mm",
            cure=f"use --square-mm {largest}, fewer squares, or a larger paper",
        )
    from reportlab.pdfgen.canvas import Canvas

    buffer = io.BytesIO()
    # invariant: the same board gives the same bytes
    page = Canvas(buffer, pagesize=(width * _POINTS, height * _POINTS), invariant=1)
    page.setTitle(f"Calibration board: {chart.words}")
    board = charuco_board(
        across,
        down,
        square_mm=chart.square_mm,
        tag_side_mm=MARKER_SHARE * chart.square_mm,
        dictionary=TAG_FAMILY,
    )
    page.saveState()
    page.translate((width - size[0]) / 2 * _POINTS, (height - _MARGIN - size[1]) * _POINTS)
    for mark in board.art:
        draw_on_pdf(page, mark)
    page.restoreState()
    page.scale(_POINTS, _POINTS)
    page.setFillGray(0)
    _ruler(page, chart, width)
    page.showPage()
    page.save()
    return buffer.getvalue()


def _ruler(page: Any, chart: Chart, width: float) -> None:
    left, low = (width - RULER_MM) / 2, _MARGIN + 4
    page.setLineWidth(0.2)
    page.line(left, low, left + RULER_MM, low)
    for mm in range(0, int(RULER_MM) + 1, 10):
        page.line(left + mm, low, left + mm, low + (3.0 if mm % 50 == 0 else 1.5))
    page.setFont("Helvetica", 3.2)
    page.drawCentredString(
        width / 2, low + 4.5, f"Measure this: {RULER_MM:g} mm. If it is not, print again at 100 %."
    )
    across, down = chart.squares
    words = f"{across} x {down} squares of {chart.square_mm:g} mm, markers {TAG_FAMILY}. Glue it flat."
    page.drawCentredString(width / 2, low - 4.5, words)
