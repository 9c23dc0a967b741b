"""A plan's pictures: the set-up to scale from the side and from above, and the curve of depth against width."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from surfscan.plan.ink import Disc, Line, Mark, Page, Polygon, Words
from surfscan.plan.records import Plan
from surfscan.plan.sight import build_stage
from surfscan.plan.writers import page_to_png, page_to_svg

__all__ = ["curve_page", "draw_plan", "set_up_page"]

Point = tuple[float, float]
_WIDE, _TALL = 250.0, 150.0


def set_up_page(plan: Plan) -> Page:
    """The set-up to scale: from the side, and from above the panel."""
    shot = plan.shot
    stage = build_stage(shot)
    board, eye = stage.board, stage.pose.centre_mm
    w, h = shot.panel_mm
    corners = [
        board.centre_mm + i * shot.board_mm[0] / 2 * board.across + j * shot.board_mm[1] / 2 * board.up
        for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    t = np.linspace(-h / 2, h / 2, 25)
    rise = [float(v) for v in stage.form.height(0.0, t)]
    side_panel = tuple((float(a), b) for a, b in zip(t, rise, strict=True))
    low = board.centre_mm - shot.board_mm[1] / 2 * board.up
    high = board.centre_mm + shot.board_mm[1] / 2 * board.up
    side_points = [*side_panel, (low[1], low[2]), (high[1], high[2]), (eye[1], eye[2])]
    top_points = [(-w / 2, -h / 2), (w / 2, h / 2), (eye[0], eye[1]), *((c[0], c[1]) for c in corners)]
    cell = (_WIDE - 30) / 2
    spans = [_span(side_points), _span(top_points)]
    scale = min(
        *((cell - 12) / max(s[2] - s[0], 1) for s in spans),
        *((_TALL - 52) / max(s[3] - s[1], 1) for s in spans),
    )
    marks: list[Mark] = [
        Words(10, _TALL - 9, "The set-up, to scale", 4.2, bold=True),
        Words(10, _TALL - 16, "From the side (the panel's lower edge on the left)", 3.0),
        Words(20 + cell, _TALL - 16, "From above, looking down on the panel", 3.0),
    ]
    place = [
        _placer(span, scale, 10 + k * (cell + 10) + cell / 2, 22 + (_TALL - 44) / 2)
        for k, span in enumerate(spans)
    ]
    middle = (0.0, plan.crown_rise_mm)
    side = place[0]
    for edge in (side_panel[0], side_panel[-1]):
        marks.append(Line((side((eye[1], eye[2])), side(edge)), 0.15, 0.55, 1.0))
    marks += [
        Line(tuple(side(p) for p in side_panel), 0.9),
        Line((side((low[1], low[2])), side((high[1], high[2]))), 0.9),
        Line(
            (side((eye[1], eye[2])), side(middle), side((board.centre_mm[1], board.centre_mm[2]))), 0.25, 0.3
        ),
        Disc(*side((eye[1], eye[2])), 1.3),
    ]
    half = (0.5 * eye[1], plan.crown_rise_mm + 0.5 * (eye[2] - plan.crown_rise_mm))
    out = 0.5 * (np.array([board.centre_mm[1], board.centre_mm[2]]) + np.array(middle))
    marks += [
        _label(side((eye[1], eye[2])), "camera", "middle", 0, 3.0),
        _label(side((high[1], high[2])), "board", "middle", 0, 2.0),
        _label(side((0.0, min(rise))), "panel", "middle", 0, -4.5),
        _label(side(half), f"{shot.camera_distance_mm:.0f} mm", "end", -2.0, 0),
        _label(side((float(out[0]), float(out[1]))), f"{shot.board_distance_mm:.0f} mm", "start", 2.0, -1.5),
        _label(side(middle), f"{shot.angle_deg:.0f}° off the normal, each", "middle", 0, -9.0),
    ]
    top = place[1]
    marks += [
        Line(tuple(top(p) for p in _box(-w / 2, -h / 2, w / 2, h / 2)), 0.9),
        Line(tuple(top((c[0], c[1])) for c in [*corners, corners[0]]), 0.5),
        Disc(*top((eye[0], eye[1])), 1.3),
        Line((top((eye[0], eye[1])), top((0, 0)), top((board.centre_mm[0], board.centre_mm[1]))), 0.25, 0.3),
        _label(top((0, 0)), f"panel {w:.0f} x {h:.0f}", "middle", 0, 2.0),
        _label(
            top((board.centre_mm[0], board.centre_mm[1])),
            f"board {shot.board_mm[0]:.0f} x {shot.board_mm[1]:.0f}, stripes {shot.period_mm:g}",
            "middle",
            0,
            2.0,
        ),
        _label(top((eye[0], eye[1])), "camera", "start", 2.5, -1.0),
    ]
    marks += _scale_bar(scale)
    return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), "The set-up, to scale")


def curve_page(plan: Plan) -> Page:
    """Depth against width, both logarithmic: what is seen lies between the two lines."""
    curve = plan.curve
    good = np.isfinite(curve.smallest_mm)
    depths = np.concatenate([curve.smallest_mm[good], curve.deepest_mm])
    depths = depths[np.isfinite(depths) & (depths > 0)]
    title = "Depth of the lows that this shot can tell, against their width"
    marks: list[Mark] = [Words(10, _TALL - 9, title, 4.2, bold=True)]
    if depths.size == 0 or not good.any():
        marks.append(Words(10, _TALL / 2, "No low of any width can be told with this set-up.", 4.0))
        return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), title)
    x0, y0, x1, y1 = 28.0, 22.0, _WIDE - 12.0, _TALL - 18.0
    left, right = math.log10(curve.width_mm[0]), math.log10(curve.width_mm[-1])
    low, high = math.floor(math.log10(depths.min())), math.ceil(math.log10(depths.max()))

    def at(width: float, depth: float) -> Point:
        u = (math.log10(width) - left) / (right - left)
        v = (math.log10(depth) - low) / (high - low)
        return x0 + u * (x1 - x0), y0 + min(max(v, 0), 1) * (y1 - y0)

    for power in range(low, high + 1):
        y = at(curve.width_mm[0], 10.0**power)[1]
        marks += [Line(((x0, y), (x1, y)), 0.15, 0.8), Words(x0 - 2, y - 1, f"{10.0**power:g}", 3.0, "end")]
    for width in (5, 10, 20, 30, 50, 70, 100, 150, 200, 300, 500, 700, 1000, 1500, 2000):
        if curve.width_mm[0] <= width <= curve.width_mm[-1]:
            x = at(width, 10.0**low)[0]
            marks += [Line(((x, y0), (x, y1)), 0.15, 0.85), Words(x, y0 - 5, f"{width:g}", 3.0, "middle")]
    upper = [at(w, d) for w, d in zip(curve.width_mm[good], curve.deepest_mm[good], strict=True)]
    lower = [at(w, d) for w, d in zip(curve.width_mm[good], curve.smallest_mm[good], strict=True)]
    marks += [
        Polygon((*lower, *reversed(upper)), 0.9),
        Line(tuple(at(w, d) for w, d in zip(curve.width_mm, curve.deepest_mm, strict=True)), 0.7, 0.0, 1.5),
        Line(tuple(lower), 0.9),
        Line(((x0, y1), (x0, y0), (x1, y0)), 0.3),
        Words((x0 + x1) / 2, 8, "width from foot to foot, mm", 3.2, "middle"),
        Words(10, (y0 + y1) / 2, "depth, mm", 3.2, "middle", turned=True),
    ]
    k = len(lower) // 2
    marks += [
        Words(lower[k][0], lower[k][1] - 5, "smallest low visible", 3.2, "middle"),
        Words(upper[k][0] - 4, upper[k][1] + 2, "deepest low before the reflection folds", 3.2, "end"),
        Words((lower[k][0] + upper[k][0]) / 2, (lower[k][1] + upper[k][1]) / 2, "seen", 3.6, "middle"),
    ]
    return Page((_WIDE, _TALL), (), (0, 0, _WIDE, _TALL), tuple(marks), title)


def _span(points: list[Point]) -> tuple[float, float, float, float]:
    xs, ys = [float(p[0]) for p in points], [float(p[1]) for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def _placer(
    span: tuple[float, float, float, float], scale: float, x: float, y: float
) -> Callable[[Point], Point]:
    """From mm of the scene to mm of the page, with the span's middle at (x, y)."""
    mx, my = (span[0] + span[2]) / 2, (span[1] + span[3]) / 2
    return lambda p: (x + scale * (float(p[0]) - mx), y + scale * (float(p[1]) - my))


def _label(at: Point, text: str, anchor: str, dx: float, dy: float) -> Words:
    return Words(at[0] + dx, at[1] + dy, text, 3.0, anchor)


def _box(x0: float, y0: float, x1: float, y1: float) -> tuple[Point, ...]:
    return (x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)


def _scale_bar(scale: float) -> list[Mark]:
    length = next(n for n in (2000, 1000, 500, 200, 100, 50, 20, 10) if n * scale < 60 or n == 10)
    return [
        Line(((10, 9), (10 + length * scale, 9)), 0.6),
        Words(12 + length * scale, 8, f"{length} mm", 3.0),
    ]


def draw_plan(plan: Plan, *, dpi: float = 150.0) -> dict[str, bytes]:
    """Both pictures as PNG and SVG: the files' names and their bytes."""
    files: dict[str, bytes] = {}
    for name, page in (("set-up", set_up_page(plan)), ("curve", curve_page(plan))):
        files[f"{name}.png"] = page_to_png(page, dpi=dpi)
        files[f"{name}.svg"] = page_to_svg(page).encode()
    return files
