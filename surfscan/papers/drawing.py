"""The set-up to scale: panel, board and camera places from the side and from above."""

from __future__ import annotations

from typing import Any

import numpy as np

from surfscan.papers.blocks import Drawing, Shape

__all__ = ["draw_setup"]

Point = tuple[float, float]
_MANY = 8


def draw_setup(
    size_mm: tuple[float, float], photos: tuple[dict[str, Any], ...], setup: dict[str, Any]
) -> Drawing | None:
    """Draw the set-up of a result, from the right side and from above (the panel's upper edge).

    Parameters
    ----------
    size_mm : (width, height)
        The panel.
    photos : tuple of dict
        Rows of the result with ``camera_mm``.
    setup : dict
        ``board`` with ``centre_mm``, ``across``, ``up``, ``size_mm``; or ``lamps_mm``; or neither.

    Returns
    -------
    Drawing or None
        None when no camera place is known.
    """
    cameras = [row["camera_mm"] for row in photos if row.get("camera_mm")]
    if not cameras:
        return None
    half_x, half_y = size_mm[0] / 2, size_mm[1] / 2
    views = []
    reach = max(size_mm) * 0.05
    for title, across, panel in (
        (
            "From the side: the panel on its back, its lower edge on the left",
            1,
            ((-half_y, 0.0), (half_y, 0.0)),
        ),
        ("From the lower edge: x to the right", 0, ((-half_x, 0.0), (half_x, 0.0))),
    ):
        shapes = [Shape(panel, heavy=True), _label((0.0, 0.0), "panel")]
        board = setup.get("board")
        if board:
            shapes += _board(board, across)
        shapes += _named([(v[across], v[2]) for v in setup.get("lamps_mm", ())], "lamp", reach)
        shapes += _named([(v[across], v[2]) for v in cameras], "camera", reach, sight=True)
        views.append((title, tuple(shapes)))
    return Drawing(tuple(views), "To scale. Dashed: from each camera place to the panel's middle.")


def _board(board: dict[str, Any], across: int) -> list[Shape]:
    """The board's outline, seen along the other axis of the panel."""
    centre, a, b = (np.asarray(board[key], float) for key in ("centre_mm", "across", "up"))
    half_a, half_b = board["size_mm"][0] / 2, board["size_mm"][1] / 2
    corners = [centre + i * half_a * a + j * half_b * b for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    outline = tuple((float(c[across]), float(c[2])) for c in corners)
    return [
        Shape(outline, heavy=True, closed=True),
        _label((float(centre[across]), float(centre[2])), "board"),
    ]


def _cross(at: Point, reach: float) -> Shape:
    x, z = float(at[0]), float(at[1])
    return Shape(((x - reach, z), (x, z + reach), (x + reach, z), (x, z - reach)), closed=True)


def _label(at: Point, text: str) -> Shape:
    return Shape(((float(at[0]), float(at[1])),), label=text)


def _named(places: list[Point], name: str, reach: float, *, sight: bool = False) -> list[Shape]:
    """A mark at each place, one label for those that lie together, and the line of sight if asked."""
    shapes = []
    for at in places:
        shapes.append(_cross(at, reach))
        if sight:
            shapes.append(Shape(((float(at[0]), float(at[1])), (0.0, 0.0)), dashed=True))
    if len(places) > _MANY:  # more words than room: one for all
        return [*shapes, _label(max(places, key=lambda at: at[1]), f"{name}s 1 to {len(places)}")]
    for k, at in enumerate(places):
        near = [
            n
            for n, other in enumerate(places)
            if abs(at[0] - other[0]) < 5 * reach and abs(at[1] - other[1]) < reach
        ]
        if near[0] == k:
            together = len(near) == len(places) > 1
            numbers = (
                "s" if together else "" if len(places) == 1 else " " + ", ".join(str(n + 1) for n in near)
            )
            shapes.append(_label(at, name + numbers))
    return shapes
