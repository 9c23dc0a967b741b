"""The shot in six drawings, to scale: each line is where the program's own optics puts it. SVG 1.1."""

from __future__ import annotations

from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surfscan.core.records import Board, Camera
from surfscan.optics.lens import project
from surfscan.optics.mirror import hit_board
from surfscan.synth.panels import Dish
from surfscan.synth.scene import board_facing, corner_tags, look_at

__all__ = ["DRAWINGS", "draw"]

Array = NDArray[Any]
Point = tuple[float, float]

WIDE, TALL = 460, 320
PANEL_MM, BOARD_MM, PERIOD_MM = (640.0, 440.0), (1500.0, 1300.0), 60.0
_EYE = np.array([0.0, -573.6, 819.2])
_BOARD = board_facing(1000.0, 55.0, size_mm=BOARD_MM, period_mm=PERIOD_MM)
_LOW = Dish(-90.0, 40.0, -0.5, 130.0, order=3)


@dataclass
class _Sketch:
    """Lines collected, y down, pixels."""

    parts: list[str] = field(default_factory=list)

    def line(
        self, points: list[Point], *, heavy: bool = False, dashed: bool = False, colour: str = "#181818"
    ) -> None:
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        dash = ' stroke-dasharray="6 4"' if dashed else ""
        wide = 3.5 if heavy else 1.4
        self.parts.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{wide}"{dash}/>'
        )

    def fill(self, points: list[Point], colour: str, *, rim: str = "none") -> None:
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.parts.append(f'<polygon points="{path}" fill="{colour}" stroke="{rim}" stroke-width="1.4"/>')

    def disc(self, at: Point, radius: float, colour: str = "#181818") -> None:
        self.parts.append(f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius:.1f}" fill="{colour}"/>')

    def text(
        self, at: Point, said: str, *, anchor: str = "middle", size: int = 14, bold: bool = False
    ) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size}" text-anchor="{anchor}"{weight}>'
            f"{escape(said)}</text>"
        )

    def arrow(self, start: Point, end: Point, *, both: bool = False, dashed: bool = False) -> None:
        self.line([start, end], dashed=dashed)
        for tip, tail in ((end, start), (start, end))[: 2 if both else 1]:
            ahead = np.subtract(tip, tail) / max(float(np.hypot(*np.subtract(tip, tail))), 1e-9)
            side = np.array([-ahead[1], ahead[0]])
            back = np.array(tip) - 9 * ahead
            self.fill([tip, _point(back + 3.5 * side), _point(back - 3.5 * side)], "#181818")

    def done(self, title: str) -> str:
        body = "\n".join(self.parts)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDE}" height="{TALL}" viewBox="0 0 {WIDE} {TALL}"'
            f' font-family="sans-serif" fill="#181818" role="img">\n<title>{escape(title)}</title>\n'
            f'<rect width="{WIDE}" height="{TALL}" fill="#f7f7f4"/>\n{body}\n</svg>\n'
        )


def _point(place: Array) -> Point:
    return float(place[0]), float(place[1])


def _shine(s: _Sketch) -> None:
    """Dull scatters, a film mirrors: one ray in, by the law of reflection one ray out."""
    for left, wet in ((20.0, False), (245.0, True)):
        rough = 2.5 * np.sin(np.arange(66) * 2.1) + 2.0 * np.sin(np.arange(66) * 0.9)
        base = [(left + 3 * k, 225 + rough[k]) for k in range(66)]
        if wet:
            s.fill([(left, 214), (left + 195, 214), (left + 195, 226), (left, 226)], "#c9dceb")
        s.fill([*base, (left + 195, 250), (left, 250)], "#a8a8a2")
        hit, start = (left + 97, 214.0 if wet else 223.0), (left + 12, 100.0)
        s.arrow(start, hit)
        if wet:
            s.arrow(hit, (2 * hit[0] - start[0], start[1]))
            s.line([hit, (hit[0], 120)], dashed=True, colour="#777")
        else:
            for turn in np.deg2rad(np.arange(20, 161, 20)):
                s.arrow(hit, (hit[0] + 62 * np.cos(turn), hit[1] - 62 * np.sin(turn)))
        s.text((left + 97, 76), "wet or gloss" if wet else "dull and dry", bold=True)
        s.text((left + 97, 276), "mirrors: stripes are seen" if wet else "scatters: no stripes")


def _tags(s: _Sketch) -> None:
    """The panel from in front with its tags, to scale; the tags' own cells."""
    scale, middle = 0.5, (230.0, 160.0)
    w, h = PANEL_MM

    def at(x: float, y: float) -> Point:
        return middle[0] + scale * x, middle[1] - scale * y

    s.fill(
        [at(-w / 2, -h / 2), at(w / 2, -h / 2), at(w / 2, h / 2), at(-w / 2, h / 2)], "#d9d9d4", rim="#181818"
    )
    tags = corner_tags(PANEL_MM, side_mm=50.0, inset_mm=40.0)
    for tag, (x, y) in tags.centres_mm.items():
        half, cells = tags.side_mm / 2, tags.bits(tag)
        n = cells.shape[0]
        reach = half + tags.border_mm
        s.fill(
            [
                at(x - reach, y - reach),
                at(x + reach, y - reach),
                at(x + reach, y + reach),
                at(x - reach, y + reach),
            ],
            "#fff",
        )
        s.fill(
            [at(x - half, y - half), at(x + half, y - half), at(x + half, y + half), at(x - half, y + half)],
            "#181818",
        )
        for row, column in np.argwhere(cells == 1):
            x0, y0, c = x - half + column * 2 * half / n, y + half - row * 2 * half / n, 2 * half / n
            s.fill([at(x0, y0), at(x0 + c, y0), at(x0 + c, y0 - c), at(x0, y0 - c)], "#fff")
        right, above = x > 0, y > 0
        s.text((at(x, y)[0] + (-28 if right else 28), at(x, y)[1] + 5), str(tag), size=13)
        if right and above:
            s.arrow(at(0, 0), at(x, 0), both=True)
            s.arrow(at(x, 0), at(x, y - 34), both=True)
            s.text((at(x / 2, 0)[0], at(0, 0)[1] - 7), f"{x:.0f} mm")
            s.text((at(x, y / 2)[0] - 6, at(x, y / 2)[1]), f"{y:.0f} mm", anchor="end")
    s.disc(at(0, 0), 4)
    s.text((at(0, 0)[0] - 8, at(0, 0)[1] + 18), "middle", anchor="end")
    s.arrow(at(-w / 2, -h / 2 - 22), at(-w / 2 + 90, -h / 2 - 22))
    s.text((at(-w / 2 + 104, 0)[0], at(0, -h / 2 - 27)[1]), "x", anchor="start")
    s.text((230, 304), "flat, upright, all one way round; measure from the middle")


def _side(y_mm: float, z_mm: float) -> Point:
    """Side view: y to the right, z up."""
    return 222 + 0.172 * y_mm, 262 - 0.172 * z_mm


def _set_up(s: _Sketch) -> None:
    half = PANEL_MM[1] / 2
    s.line([_side(-half, 0), _side(half, 0)], heavy=True)
    s.text((_side(0, 0)[0], _side(0, 0)[1] + 20), "panel")
    ends = [_BOARD.centre_mm + v * _BOARD.up * BOARD_MM[1] / 2 for v in (-1, 1)]
    s.line([_side(p[1], p[2]) for p in ends], heavy=True)


def _board(s: _Sketch) -> None:
    """The board from the side, to scale, with what is to be measured."""
    _set_up(s)
    centre = _side(*_BOARD.centre_mm[1:])
    s.arrow(_side(0, 0), centre, both=True)
    s.text((centre[0] - 92, centre[1] + 42), "measure this well:", anchor="end", bold=True)
    s.text((centre[0] - 92, centre[1] + 60), "1 % wrong here is", anchor="end")
    s.text((centre[0] - 92, centre[1] + 78), "1 % in every depth", anchor="end")
    s.line([centre, (centre[0], _side(0, 0)[1])], dashed=True, colour="#777")
    s.line([_side(220, 0), _side(700, 0)], dashed=True, colour="#777")
    s.text((centre[0] + 8, 200), f"{_BOARD.centre_mm[2]:.0f} mm out", anchor="start", size=13)
    s.text((_side(480, 0)[0], _side(0, 0)[1] + 38), f"{_BOARD.centre_mm[1]:.0f} mm up the panel", size=13)
    s.text((centre[0] - 100, centre[1] - 46), "board,", anchor="end")
    s.text((centre[0] - 100, centre[1] - 28), "larger than the panel", anchor="end")


def _aim(s: _Sketch) -> None:
    """Camera rays to the panel's edges and middle, mirrored to where they meet the board."""
    _set_up(s)
    half, eye = PANEL_MM[1] / 2, _side(_EYE[1], _EYE[2])
    for y in (-half, 0.0, half):
        hit = hit_board(np.array(0.0), np.array(y), 0.0, 0.0, 0.0, camera_mm=_EYE, board=_BOARD)
        place = _BOARD.centre_mm + float(hit.up_mm) * _BOARD.up
        s.line([eye, _side(y, 0)], dashed=y != 0)
        s.arrow(_side(y, 0), _side(place[1], place[2]), dashed=y != 0)
    s.line([_side(0, 0), _side(0, 330)], dashed=True, colour="#777")
    s.text((146, 212), "same angle", anchor="end", size=13)
    s.text((146, 228), "both sides", anchor="end", size=13)
    s.fill(
        [
            (eye[0] - 13, eye[1] - 9),
            (eye[0] + 5, eye[1] - 20),
            (eye[0] + 13, eye[1] - 6),
            (eye[0] - 5, eye[1] + 5),
        ],
        "#181818",
    )
    s.text((16, 62), "phone: as if looking at", anchor="start", size=13)
    s.text((16, 78), "the board in a mirror", anchor="start", size=13)
    s.text((230, 304), "the board's mirror image must cover the whole panel")


_CAMERA = Camera(440.0, (230.0, 122.0))


def mirrored_edges(board: Board, varies: str) -> list[tuple[Array, bool]]:
    """Outlines (N, 2) in the picture of the mirrored stripes, and whether each is bright; a shallow low bends them."""
    pose = look_at(_EYE, (0.0, 0.0, 0.0))
    w, h = PANEL_MM
    x, y = np.linspace(-w / 2, w / 2, 97), np.linspace(-h / 2, h / 2, 67)
    xx, yy = np.meshgrid(x, y)
    z, p, q = _LOW.surface(xx, yy)
    hit = hit_board(xx, yy, z, p, q, camera_mm=_EYE, board=board)
    across = varies == "across"
    place = (hit.across_mm if across else hit.up_mm).copy()
    place = place if across else place.T
    back = bool(place[0, -1] < place[0, 0])  # the board's lower edge shows at the panel's far one
    place = -place if back else place
    along, other = (x, y) if across else (y, x)
    step = board.period_mm / 2
    edges = np.arange(np.ceil(place.min() / step), np.floor(place.max() / step) + 1) * step
    rows = [np.interp(edges, line, along) for line in np.maximum.accumulate(place, axis=1)]
    lines = np.stack(rows, 1)  # (edges, other)
    full = np.concatenate([np.full((1, other.size), along[0]), lines, np.full((1, other.size), along[-1])])
    out = []
    first = int(np.ceil(place.min() / step)) - 1
    for k in range(len(full) - 1):
        u = np.concatenate([full[k], full[k + 1][::-1]])
        v = np.concatenate([other, other[::-1]])
        px, py = (u, v) if across else (v, u)
        column, row = project(px, py, _LOW.height(px, py), camera=_CAMERA, pose=pose)
        out.append((np.stack([column, row], -1), (first + k + back) % 2 == 0))
    return out


def _seen(s: _Sketch, varies: str) -> None:
    for outline, bright in mirrored_edges(_BOARD, varies):
        s.fill([_point(p) for p in outline], "#f4f4f0" if bright else "#55554f")
    pose = look_at(_EYE, (0.0, 0.0, 0.0))
    w, h = PANEL_MM
    x, y = np.array([-w, w, w, -w]) / 2, np.array([-h, -h, h, h]) / 2
    column, row = project(x, y, 0.0, camera=_CAMERA, pose=pose)
    s.line([*zip(column.tolist(), row.tolist(), strict=True), (float(column[0]), float(row[0]))])
    tags = corner_tags(PANEL_MM, side_mm=40.0)
    for cx, cy in tags.centres_mm.values():
        for half, colour in ((27.0, "#fff"), (20.0, "#181818")):
            tx, ty = cx + half * np.array([-1, 1, 1, -1]), cy + half * np.array([-1, -1, 1, 1])
            c, r = project(tx, ty, 0.0, camera=_CAMERA, pose=pose)
            s.fill(list(zip(c.tolist(), r.tolist(), strict=True)), colour)
    # The board as it stands, small, beside: its stripes the same way.
    left, top, wide, tall = 190.0, 226.0, 80.0, 56.0
    n = 8
    for k in range(n):
        colour = "#f4f4f0" if k % 2 else "#55554f"
        a, b = k / n, (k + 1) / n
        corners = [(a, 0), (b, 0), (b, 1), (a, 1)] if varies == "across" else [(0, a), (1, a), (1, b), (0, b)]
        s.fill([(left + wide * u, top + tall * v) for u, v in corners], colour)
    s.line([(left, top), (left + wide, top), (left + wide, top + tall), (left, top + tall), (left, top)])


def _first(s: _Sketch) -> None:
    """What the phone sees: stripes along `up`, brightness changing along `across`."""
    _seen(s, "across")
    s.text((178, 258), "the board", anchor="end")
    s.arrow((190, 294), (270, 294))
    s.text((282, 299), 'varies = "across"', anchor="start")
    s.text((294, 250), "a low bends the stripes", anchor="start", size=13)


def _second(s: _Sketch) -> None:
    """The board turned by 90 degrees in its own place."""
    _seen(s, "up")
    s.text((178, 250), "turned by 90°", anchor="end")
    s.text((178, 267), "in its own place", anchor="end")
    s.arrow((284, 282), (284, 226))
    s.text((294, 258), 'varies = "up"', anchor="start")
    s.text((230, 308), "nothing else is moved but the phone", size=13)


DRAWINGS: tuple[tuple[str, str, str, Any], ...] = (
    ("1-shine", "Make it shine", "Stripes show in gloss, in fresh primer, or in a wet film. Shade the panel.", _shine),
    ("2-tags", "Lay the tags", "Printed square tags near the corners, flat and upright; measure their middles.", _tags),
    ("3-board", "Stand the board", "Stripes on something stiff and flat. Measure its middle and how it leans.", _board),
    ("4-aim", "Aim", "Phone on the other side, as steep as the board. Focus and expose for the stripes.", _aim),
    ("5-first", "First photo", "Stripes one way: brightness changes along the board's `across`.", _first),
    ("6-second", "Second photo", "The board turned by 90 degrees about its middle; then the other way.", _second),
)  # fmt: skip
"""Name, title, what to do, and the drawing of each step."""


def draw(name: str) -> str:
    """Return one drawing as SVG.

    Parameters
    ----------
    name : str
        The first of its row in `DRAWINGS`.
    """
    ((title, paint),) = [(title, paint) for n, title, _, paint in DRAWINGS if n == name]
    sketch = _Sketch()
    sketch.text((WIDE / 2, 30), f"{name[0]}. {title}", size=18, bold=True)
    paint(sketch)
    return sketch.done(title)
