"""Simple polygons pass and crossed ones do not, whatever their corners."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from surfscan.job.polygons import check_polygon

# A polygon that is star-shaped about the origin never crosses itself: its corners in order of angle.
STARS = st.lists(st.floats(10.0, 500.0), min_size=5, max_size=24).map(
    lambda radii: tuple(
        (r * math.cos(2 * math.pi * k / len(radii)), r * math.sin(2 * math.pi * k / len(radii)))
        for k, r in enumerate(radii)
    )
)


@given(STARS)
def test_star_shaped_polygons_are_simple(star: tuple[tuple[float, float], ...]) -> None:
    assert check_polygon(star) == star


@given(st.integers(5, 16).flatmap(lambda count: st.permutations(range(count))))
def test_points_of_a_circle_make_one_simple_polygon_only(order: list[int]) -> None:
    # The only simple polygon through points in convex position is their hull (elementary geometry).
    count = len(order)
    angles = [2 * math.pi * k / count for k in order]
    polygon = tuple((100 * math.cos(a), 100 * math.sin(a)) for a in angles)
    steps = {(b - a) % count for a, b in zip(order, order[1:] + order[:1], strict=True)}
    if steps in ({1}, {count - 1}):
        assert check_polygon(polygon) == polygon
    else:
        with pytest.raises(PydanticCustomError, match="crosses itself"):
            check_polygon(polygon)
