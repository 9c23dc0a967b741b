"""Words on a line drawing: none over another word, none in the title, lines avoided where there is room."""

from __future__ import annotations

import pytest

from surfscan.papers.blocks import Shape
from surfscan.papers.labels import place_labels

TALL = 5.0


def boxes(shapes: list[Shape], top: float = 1e9) -> list[tuple[float, float, float, float]]:
    labels = [shape.label for shape in shapes if shape.label]
    wide = [3.0 * len(label) for label in labels]
    places = place_labels(shapes, wide=wide, tall=TALL, top=top)
    return [(x, y, x + w, y + TALL) for (x, y), w in zip(places, wide, strict=True)]


@pytest.mark.parametrize("apart", [0.0, 1.0, 4.0, 20.0])
def test_marks_close_together_have_words_apart(apart: float) -> None:
    shapes = [Shape(((apart * k, 0.5 * apart * k),), label=f"camera {k}") for k in range(5)]
    found = boxes(shapes)
    for i, a in enumerate(found):
        for b in found[:i]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def test_a_word_keeps_off_a_line_and_under_the_title() -> None:
    line = Shape(((-100.0, 6.0), (100.0, 6.0)))
    ((_, low, _, high),) = boxes([line, Shape(((0.0, 0.0),), label="panel")])
    assert high < 6.0 or low > 6.0
    ((_, _, _, under),) = boxes(
        [Shape(((0.0, 0.0), (10.0, 0.0))), Shape(((0.0, 0.0),), label="panel")], top=1.0
    )
    assert under <= 1.0
    assert [box[0] for box in boxes([Shape(((0.0, 0.0),), label="alone")])] == [2.5]
