"""A sweep's places to scale: from the side, from above, and what each photo shows of the panel."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from surfscan.core.records import Array
from surfscan.core.units import MM, Units
from surfscan.plan.ink import Disc, Line, Mark, Page, Rect, Words
from surfscan.plan.pictures import box, placer, span_of
from surfscan.plan.sight import build_stage
from surfscan.plan.sweep import SweepPlan
from surfscan.plan.writers import page_to_png, page_to_svg

__all__ = ["draw_places", "draw_sweep", "sweep_page"]

Point = tuple[float, float]
Box = tuple[float, float, float, float]
_WIDE, _TALL = 250.0, 180.0
_SIDE, _TOP, _PANEL = (10.0, 76.0, 117.0, 88.0), (133.0, 12.0, 107.0, 152.0), (10.0, 12.0, 117.0, 50.0)
"""Left, low, width, height of each part of the page, mm."""


def sweep_page(plan: SweepPlan, units: Units = MM) -> Page:
    """The drawing."""
    stage = build_stage(plan.shot)
    w, h = plan.shot.panel_mm
    profile = [(float(v), float(stage.form.height(0.0, v))) for v in np.linspace(-h / 2, h / 2, 25)]
    eyes = [photo.camera_mm for photo in plan.photos]
    marks: list[Mark] = [
        Words(10, _TALL - 9, "Where to take the photos of the sweep from, to scale", 4.2, bold=True),
        *_views(stage.board.corners_mm, (w, h), profile, eyes),
        *_shown(plan, units),
    ]
    return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), "The sweep, to scale")


def draw_places(
    corners_mm: Sequence[Sequence[float]],
    size_mm: tuple[float, float],
    eyes_mm: Sequence[Sequence[float]],
    *,
    dpi: float = 110.0,
) -> bytes:
    """Places for the next photos, to scale: a PNG picture.

    Parameters
    ----------
    corners_mm : four of (x, y, z)
        Of the board, in the panel frame.
    size_mm : (width, height)
        Of the panel, which is drawn flat.
    eyes_mm : sequence of (x, y, z)
        The camera's places, in their order.
    dpi : float
    """
    flat = [(-size_mm[1] / 2, 0.0), (size_mm[1] / 2, 0.0)]
    eyes, corners = [np.asarray(p, float) for p in eyes_mm], np.asarray(corners_mm, float)
    boxes = (10.0, 10.0, 117.0, 92.0), (133.0, 10.0, 107.0, 92.0)
    marks = tuple(_views(corners, size_mm, flat, eyes, boxes))
    page = Page((_WIDE, 106.0), (), (0, 0, _WIDE, 106.0), marks, "Where to take the next photos from")
    return page_to_png(page, dpi=dpi)


def _views(
    corners: Array,
    size_mm: tuple[float, float],
    profile: list[Point],
    eyes: list[Array],
    boxes: tuple[Box, Box] = (_SIDE, _TOP),
) -> list[Mark]:
    """From the side, and from above."""
    w, h = size_mm
    rim = list(box(-w / 2, -h / 2, w / 2, h / 2))
    ends = [(float(p[1]), float(p[2])) for p in (corners[0], corners[2])]
    above = [(float(p[0]), float(p[1])) for p in (*corners, corners[0])]
    return [
        *_view(boxes[0], "From the side", [profile, ends], [(float(e[1]), float(e[2])) for e in eyes]),
        *_view(
            boxes[1],
            "From above, looking down on the panel",
            [rim, above],
            [(float(e[0]), float(e[1])) for e in eyes],
        ),
    ]


def _view(place: Box, title: str, lines: list[list[Point]], eyes: list[Point]) -> list[Mark]:
    """Panel, then board, then the numbered places."""
    left, low, wide, tall = place
    span = span_of([p for line in lines for p in line] + eyes)
    scale = min((wide - 12) / max(span[2] - span[0], 1), (tall - 14) / max(span[3] - span[1], 1))
    at = placer(span, scale, left + wide / 2, low + (tall - 8) / 2)
    panel, board = lines
    ends = [at(p) for p in board]
    marks: list[Mark] = [
        Words(left, low + tall - 4, title, 3.0),
        Line(tuple(at(p) for p in panel), 0.9),
        Line(tuple(ends), 0.9),
        Words(*_beside(panel, at, -4.5), "panel", 3.0, "middle"),
        Words(sum(p[0] for p in ends) / len(ends), max(p[1] for p in ends) + 1.5, "board", 3.0, "middle"),
    ]
    names: dict[Point, list[str]] = {}
    for k, eye in enumerate(eyes, 1):
        x, y = at(eye)
        near = next((p for p in names if np.hypot(p[0] - x, p[1] - y) < 3.0), (x, y))
        names.setdefault(near, []).append(f"{k}")
        marks.append(Disc(x, y, 1.5))
    marks += [Words(x + 2.2, y + 0.8, ", ".join(own), 5.0, bold=True) for (x, y), own in names.items()]
    return marks


def _beside(panel: list[Point], at: Callable[[Point], Point], below: float) -> Point:
    places = [at(p) for p in panel]
    return sum(p[0] for p in places) / len(places), min(p[1] for p in places) + below


def _shown(plan: SweepPlan, units: Units) -> list[Mark]:
    """The panel: grey where several photos show it, white where one does, dark where none does, numbers in between."""
    left, low, wide, tall = _PANEL
    w, h = plan.shot.panel_mm
    scale = min(wide / w, (tall - 8) / h)
    x0, y0 = left + (wide - scale * w) / 2, low
    counts = np.sum([photo.shows for photo in plan.photos], axis=0) if plan.photos else np.zeros((1, 1), int)
    rows, columns = counts.shape
    cell = scale * w / columns, scale * h / rows
    marks: list[Mark] = [
        Words(
            left,
            low + tall - 4,
            "The panel: number where a photo is the first to show it; dark: shown by none",
            3.0,
        )
    ]
    for r in range(rows):
        for c in range(columns):
            grey = (0.25, 1.0, 0.88)[min(int(counts[r, c]), 2)]
            if grey < 1:
                marks.append(Rect(x0 + c * cell[0], y0 + r * cell[1], cell[0] + 0.05, cell[1] + 0.05, grey))
    marks.append(Line(box(x0, y0, x0 + scale * w, y0 + scale * h), 0.5))
    for k, (x, y) in enumerate(plan.middles_mm(), 1):
        marks.append(
            Words(x0 + scale * (x + w / 2), y0 + scale * (y + h / 2) - 1.8, f"{k}", 5.0, "middle", bold=True)
        )
    size = f"{units.bare(units.length(w))} x {units.length(h)}"
    marks.append(Words(left + wide / 2, low - 5, size, 3.0, "middle"))
    return marks


def draw_sweep(plan: SweepPlan, *, dpi: float = 150.0, units: Units = MM) -> dict[str, bytes]:
    """The picture as PNG and SVG: the files' names and their bytes."""
    page = sweep_page(plan, units)
    return {"sweep.png": page_to_png(page, dpi=dpi), "sweep.svg": page_to_svg(page).encode()}
