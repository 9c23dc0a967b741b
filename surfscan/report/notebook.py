"""A result in a notebook: the picture and the spots, as HTML with nothing outside it."""

from __future__ import annotations

import base64
import html

import cv2
import numpy as np

from surfscan.core.records import CheckResult, Spot
from surfscan.report.figures import draw_map, draw_overlay
from surfscan.report.relative_picture import draw_relative_overlay
from surfscan.results.stored import StoredResult

__all__ = ["result_html"]

_HEAD = ("No.", "kind", "at x, y mm", "peak mm", "+/- mm", "size mm", "what to do")


def result_html(result: CheckResult | StoredResult) -> str:
    """Verdict, picture and table of a result.

    Parameters
    ----------
    result : CheckResult or StoredResult
        A result read back has no photo: its map is shown.

    Returns
    -------
    str
        One ``<div>``; text escaped, the picture a JPEG within.
    """
    code = cv2.imencode(
        ".jpg", np.ascontiguousarray(_picture(result)[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 85]
    )[1]
    picture = base64.b64encode(code.tobytes()).decode()
    told = [reason for reason in result.reasons if reason != result.sentence]
    parts = [
        f"<p><b>{html.escape(result.sentence)}</b></p>",
        *(f"<p>{html.escape(reason)}</p>" for reason in told),
        f'<img alt="{html.escape(result.verdict)}" style="max-width:100%" src="data:image/jpeg;base64,{picture}">',
    ]
    if result.spots:
        rows = [_row("th", _HEAD), *(_row("td", _cells(spot)) for spot in result.spots)]
        parts.append("<table>" + "".join(rows) + "</table>")
    return "<div>" + "".join(parts) + "</div>"


def _picture(result: CheckResult | StoredResult) -> np.ndarray:
    if isinstance(result, CheckResult) and "relative" in result.details:
        return draw_relative_overlay(result)
    shared = {"limits": result.limits, "verdict": result.verdict, "sentence": result.sentence}
    if isinstance(result, CheckResult):
        return draw_overlay(
            result.overlay_photo,
            result.height,
            result.spots,
            project=result.project,
            **shared,  # type: ignore[arg-type]
        )
    return draw_map(result.height, result.spots, **shared)  # type: ignore[arg-type]


def _cells(spot: Spot) -> tuple[str, ...]:
    return (
        str(spot.id),
        spot.kind,
        f"{spot.x_mm:.0f}, {spot.y_mm:.0f}",
        f"{spot.peak_mm:+.3f}",
        f"{spot.u95_mm:.3f}",
        f"{spot.length_mm:.0f} x {spot.width_mm:.0f}",
        spot.action,
    )


def _row(tag: str, cells: tuple[str, ...]) -> str:
    return "<tr>" + "".join(f"<{tag}>{html.escape(cell)}</{tag}>" for cell in cells) + "</tr>"
