"""A plan's pictures: the set-up to scale from the side and from above, and the curve of depth against width."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from surfscan.core.units import MM, Units
from surfscan.plan.ink import Disc, Line, Mark, Page, Polygon, Words
from surfscan.plan.records import Plan
from surfscan.plan.sight import Stage, build_stage
from surfscan.plan.writers import page_to_png, page_to_svg

__all__ = ["box", "curve_page", "draw_plan", "placer", "set_up_page", "span_of"]

Point = tuple[float, float]
_WIDE, _TALL = 250.0, 150.0
_PLOT = (28.0, 22.0, _WIDE - 12.0, _TALL - 18.0)  # left, low, right, high


def set_up_page(plan: Plan, units: Units = MM) -> Page:
    """The set-up to scale: from the side, and from above the panel."""
    stage = build_stage(plan.shot)
    side, top = _side_points(plan, stage), _top_points(plan, stage)
    cell = (_WIDE - 30) / 2
    spans = [span_of([p for line in view.values() for p in line]) for view in (side, top)]
    scale = min(
        *((cell - 12) / max(s[2] - s[0], 1) for s in spans),
        *((_TALL - 52) / max(s[3] - s[1], 1) for s in spans),
    )
    place = [
        placer(span, scale, 10 + k * (cell + 10) + cell / 2, 22 + (_TALL - 44) / 2)
        for k, span in enumerate(spans)
    ]
    marks: list[Mark] = [
        Words(10, _TALL - 9, "The set-up, to scale", 4.2, bold=True),
        Words(10, _TALL - 16, "From the side (the panel's lower edge on the left)", 3.0),
        Words(20 + cell, _TALL - 16, "From above, looking down on the panel", 3.0),
        *_side_marks(plan, side, place[0], units),
        *_top_marks(plan, top, place[1], units),
        *_scale_bar(scale, units),
    ]
    return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), "The set-up, to scale")


def _side_points(plan: Plan, stage: Stage) -> dict[str, tuple[Point, ...]]:
    """Panel, board and eye in the plane x = 0, as (y, z), mm."""
    board, eye = stage.board, stage.pose.centre_mm
    half = plan.shot.board_mm[1] / 2 * board.up
    t = np.linspace(-plan.shot.panel_mm[1] / 2, plan.shot.panel_mm[1] / 2, 25)
    return {
        "panel": tuple((float(y), float(stage.form.height(0.0, y))) for y in t),
        "board": tuple((float(p[1]), float(p[2])) for p in (board.centre_mm - half, board.centre_mm + half)),
        "eye": ((float(eye[1]), float(eye[2])),),
    }


def _top_points(plan: Plan, stage: Stage) -> dict[str, tuple[Point, ...]]:
    """Panel, board and eye from above, as (x, y), mm."""
    eye, (w, h) = stage.pose.centre_mm, plan.shot.panel_mm
    corners = stage.board.corners_mm
    return {
        "panel": box(-w / 2, -h / 2, w / 2, h / 2),
        "board": tuple((float(c[0]), float(c[1])) for c in (*corners, corners[0])),
        "eye": ((float(eye[0]), float(eye[1])),),
    }


def _side_marks(
    plan: Plan, points: dict[str, tuple[Point, ...]], at: Callable[[Point], Point], units: Units
) -> list[Mark]:
    shot, rise = plan.shot, plan.crown_rise_mm
    panel, (low, high), eye = points["panel"], points["board"], points["eye"][0]
    board = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
    half = (0.5 * eye[0], rise + 0.5 * (eye[1] - rise))
    out = (0.5 * board[0], 0.5 * (board[1] + rise))
    lowest = min(z for _, z in panel)
    return [
        *(Line((at(eye), at(edge)), 0.15, 0.55, 1.0) for edge in (panel[0], panel[-1])),
        Line(tuple(at(p) for p in panel), 0.9),
        Line((at(low), at(high)), 0.9),
        Line((at(eye), at((0.0, rise)), at(board)), 0.25, 0.3),
        Disc(*at(eye), 1.3),
        _label(at(eye), "camera", "middle", 0, 3.0),
        _label(at(high), "board", "middle", 0, 2.0),
        _label(at((0.0, lowest)), "panel", "middle", 0, -4.5),
        _label(at(half), units.length(shot.camera_distance_mm), "end", -2.0, 0),
        _label(at(out), units.length(shot.board_distance_mm), "start", 2.0, -1.5),
        _label(at((0.0, rise)), f"{shot.angle_deg:.0f}° off the normal, each", "middle", 0, -9.0),
    ]


def _top_marks(
    plan: Plan, points: dict[str, tuple[Point, ...]], at: Callable[[Point], Point], units: Units
) -> list[Mark]:
    shot, eye = plan.shot, points["eye"][0]
    board = plan.board["centre_mm"][0], plan.board["centre_mm"][1]

    def size(mm: tuple[float, float]) -> str:
        return f"{units.bare(units.length(mm[0]))} x {units.length(mm[1])}"

    return [
        Line(tuple(at(p) for p in points["panel"]), 0.9),
        Line(tuple(at(p) for p in points["board"]), 0.5),
        Disc(*at(eye), 1.3),
        Line((at(eye), at((0, 0)), at(board)), 0.25, 0.3),
        _label(at((0, 0)), f"panel {size(shot.panel_mm)}", "middle", 0, 2.0),
        _label(
            at(board),
            f"board {size(shot.board_mm)}, stripes {units.given(shot.period_mm)}",
            "middle",
            0,
            2.0,
        ),
        _label(at(eye), "camera", "start", 2.5, -1.0),
    ]


def curve_page(plan: Plan, units: Units = MM) -> Page:
    """Depth against width, both logarithmic: what is seen lies between the two lines."""
    curve = plan.curve
    good = np.isfinite(curve.smallest_mm)
    depths = units.per_mm * np.concatenate([curve.smallest_mm[good], curve.deepest_mm])
    depths = depths[np.isfinite(depths) & (depths > 0)]
    title = "Depth of the lows that this shot can tell, against their width"
    marks: list[Mark] = [Words(10, _TALL - 9, title, 4.2, bold=True)]
    if depths.size == 0 or not good.any():
        marks.append(Words(10, _TALL / 2, "No low of any width can be told with this set-up.", 4.0))
        return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), title)
    wide = units.per_mm * curve.width_mm
    smallest, deepest = units.per_mm * curve.smallest_mm, units.per_mm * curve.deepest_mm
    axes = _Axes(
        math.log10(wide[0]),
        math.log10(wide[-1]),
        math.floor(math.log10(depths.min())),
        math.ceil(math.log10(depths.max())),
    )
    upper = [axes.at(w, d) for w, d in zip(wide[good], deepest[good], strict=True)]
    lower = [axes.at(w, d) for w, d in zip(wide[good], smallest[good], strict=True)]
    k = len(lower) // 2
    marks += [
        *axes.marks(units.word),
        Polygon((*lower, *reversed(upper)), 0.9),
        Line(tuple(axes.at(w, d) for w, d in zip(wide, deepest, strict=True)), 0.7, 0.0, 1.5),
        Line(tuple(lower), 0.9),
        Words(lower[k][0], lower[k][1] - 5, "smallest low visible", 3.2, "middle"),
        Words(upper[k][0] - 4, upper[k][1] + 2, "deepest low before the reflection folds", 3.2, "end"),
        Words((lower[k][0] + upper[k][0]) / 2, (lower[k][1] + upper[k][1]) / 2, "seen", 3.6, "middle"),
    ]
    return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), title)


@dataclass(frozen=True, slots=True)
class _Axes:
    """Two logarithmic axes: powers of ten of the least and the greatest width and depth."""

    left: float
    right: float
    low: int
    high: int

    def at(self, width: float, depth: float) -> Point:
        x0, y0, x1, y1 = _PLOT
        u = (math.log10(width) - self.left) / (self.right - self.left)
        v = (math.log10(depth) - self.low) / (self.high - self.low)
        return x0 + u * (x1 - x0), y0 + min(max(v, 0), 1) * (y1 - y0)

    def marks(self, word: str) -> list[Mark]:
        x0, y0, x1, y1 = _PLOT
        marks: list[Mark] = []
        for power in range(self.low, self.high + 1):
            y = self.at(10.0**self.left, 10.0**power)[1]
            marks += [
                Line(((x0, y), (x1, y)), 0.15, 0.8),
                Words(x0 - 2, y - 1, f"{10.0**power:.{max(-power, 0)}f}", 3.0, "end"),
            ]
        for width in (n * 10.0**power for power in range(-2, 4) for n in (1, 1.5, 2, 3, 5, 7)):
            if 10.0**self.left <= width <= 10.0**self.right:
                x = self.at(width, 10.0**self.low)[0]
                marks += [
                    Line(((x, y0), (x, y1)), 0.15, 0.85),
                    Words(x, y0 - 5, f"{width:g}", 3.0, "middle"),
                ]
        return [
            *marks,
            Line(((x0, y1), (x0, y0), (x1, y0)), 0.3),
            Words((x0 + x1) / 2, 8, f"width from foot to foot, {word}", 3.2, "middle"),
            Words(10, (y0 + y1) / 2, f"depth, {word}", 3.2, "middle", turned=True),
        ]


def span_of(points: list[Point]) -> tuple[float, float, float, float]:
    """Least and greatest of both coordinates: (left, low, right, high)."""
    xs, ys = [float(p[0]) for p in points], [float(p[1]) for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def placer(
    span: tuple[float, float, float, float], scale: float, x: float, y: float
) -> Callable[[Point], Point]:
    """From mm of the scene to mm of the page, with the span's middle at (x, y)."""
    mx, my = (span[0] + span[2]) / 2, (span[1] + span[3]) / 2
    return lambda p: (x + scale * (float(p[0]) - mx), y + scale * (float(p[1]) - my))


def _label(at: Point, text: str, anchor: str, dx: float, dy: float) -> Words:
    return Words(at[0] + dx, at[1] + dy, text, 3.0, anchor)


def box(x0: float, y0: float, x1: float, y1: float) -> tuple[Point, ...]:
    """The outline of a rectangle, closed."""
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)


def _scale_bar(scale: float, units: Units) -> list[Mark]:
    """A round length in the units shown, at most 60 mm of paper long."""
    round_ones = [n * 10.0**power for power in (3, 2, 1, 0) for n in (5, 2, 1)]
    length = next((n for n in round_ones if n / units.per_mm * scale < 60), 1.0)
    paper = length / units.per_mm * scale
    return [Line(((10, 9), (10 + paper, 9)), 0.6), Words(12 + paper, 8, f"{length:g} {units.word}", 3.0)]


def draw_plan(plan: Plan, *, dpi: float = 150.0, units: Units = MM) -> dict[str, bytes]:
    """Both pictures as PNG and SVG: the files' names and their bytes."""
    files: dict[str, bytes] = {}
    for name, page in (("set-up", set_up_page(plan, units)), ("curve", curve_page(plan, units))):
        files[f"{name}.png"] = page_to_png(page, dpi=dpi)
        files[f"{name}.svg"] = page_to_svg(page).encode()
    return files
