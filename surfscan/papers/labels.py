"""Places for the words on a line drawing, so that none is printed over another word or over a line."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from surfscan.papers.blocks import Shape

__all__ = ["place_labels"]

Point = tuple[float, float]
Box = tuple[float, float, float, float]

_WORD, _LINE = 10.0, 1.0  # a word under a word can't be read; a word on a line can, with pains
_FAR = 0.02  # and a word far from its mark is looked for


def place_labels(shapes: Sequence[Shape], *, wide: Sequence[float], tall: float, top: float) -> list[Point]:
    """Where to begin each label's line of writing.

    Each takes the place near its mark that covers least of the words set before it and of all lines; greedy, in the
    order of the shapes.

    Parameters
    ----------
    shapes : sequence of Shape
        Polylines and labels, y up, in the units of the paper.
    wide : sequence of float
        Width of each label in those units, in the order of the labelled shapes.
    tall : float
        Height of a letter in those units.
    top : float
        No word reaches above it: the drawing's title stands there.

    Returns
    -------
    list of (x, y)
        Left end of each label's base line, in the order of the labelled shapes.
    """
    on_lines = np.concatenate(
        [_along(shape, tall / 3) for shape in shapes if len(shape.points) > 1] or [np.empty((0, 2))]
    )
    taken: list[Box] = []
    for shape, width in zip((s for s in shapes if s.label), wide, strict=True):
        boxes = _around(shape.points[0], width + tall, tall)  # a letter's width between words
        cost = [
            _WORD * sum(_overlap(box, other) for other in taken) / tall**2
            + _LINE * _inside(on_lines, box)
            + _WORD * (box[3] > top)
            + _FAR * k
            for k, box in enumerate(boxes)
        ]
        taken.append(boxes[int(np.argmin(cost))])
    return [(box[0], box[1] + 0.2 * tall) for box in taken]


def _around(at: Point, width: float, tall: float) -> list[Box]:
    """Boxes for a word round its mark, the nearest first: right, left, over and under it, then farther out."""
    gap, high = 0.5 * tall, 1.3 * tall
    boxes = []
    for ring in range(4):
        out = gap + ring * high
        for x, y in (
            (at[0] + gap, at[1] + out - gap / 2),
            (at[0] + gap, at[1] - out - high + gap / 2),
            (at[0] - gap - width, at[1] + out - gap / 2),
            (at[0] - gap - width, at[1] - out - high + gap / 2),
            (at[0] - width / 2, at[1] + out + gap),
            (at[0] - width / 2, at[1] - out - gap - high),
        ):
            boxes.append((x, y, x + width, y + high))
    return boxes


def _along(shape: Shape, step: float) -> np.ndarray:
    """Points along a polyline, `step` apart, shape (N, 2)."""
    corners = np.asarray(shape.points + (shape.points[:1] if shape.closed else ()), float)
    pieces = []
    for a, b in pairwise(corners):
        count = 1 + int(np.hypot(*(b - a)) / step)
        pieces.append(a + (b - a) * np.linspace(0, 1, count + 1)[:, None])
    return np.concatenate(pieces)


def _overlap(a: Box, b: Box) -> float:
    wide, tall = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return wide * tall if wide > 0 and tall > 0 else 0.0


def _inside(points: np.ndarray, box: Box) -> int:
    x, y = points[:, 0], points[:, 1]
    return int(np.count_nonzero((x > box[0]) & (x < box[2]) & (y > box[1]) & (y < box[3])))
