"""Tags that are their own mirror image: found by flipping their prints, told apart by the layout."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.errors import UsageError
from surfscan.core.records import Photo, TagSeen
from surfscan.job.tag_mirror import layout_is_mirrored, mirror_alike, without_reflections
from surfscan.job.tags import DICTIONARIES, find_tags
from surfscan.plan.printing import make_targets

CENTRES = {8: (-200.0, -100.0), 9: (200.0, -100.0), 17: (200.0, 100.0), 47: (-200.0, 100.0)}


def at(tag: int, x: float, y: float) -> TagSeen:
    square = 15 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]])
    return TagSeen(tag, np.array([x, y]) + square)


def upright(centres: dict[int, tuple[float, float]]) -> list[TagSeen]:
    return [at(tag, 500 + x, 400 - y) for tag, (x, y) in centres.items()]


def test_the_list_is_what_a_reader_takes_for_themselves() -> None:
    """Every tag of the dictionary drawn, flipped and read by OpenCV's own detector."""
    table = cv2.aruco.getPredefinedDictionary(DICTIONARIES["4x4_50"])
    found = set()
    for tag in range(50):
        paper = np.full((260, 260), 255, np.uint8)
        paper[40:220, 40:220] = cv2.aruco.generateImageMarker(table, tag, 180)
        image = (paper[:, ::-1] / 255.0).astype(np.float32)
        if [seen.id for seen in find_tags(Photo("a", "", image, image > 2), dictionary="4x4_50")] == [tag]:
            found.add(tag)
    assert mirror_alike("4x4_50") == found == {8, 9, 17, 47}
    assert mirror_alike("5x5_50") == frozenset()


@pytest.mark.parametrize("tag", [8, 9, 17, 47])
def test_such_tags_are_never_printed(tag: int) -> None:
    with pytest.raises(UsageError, match="read as themselves in a mirror"):
        make_targets("tags", ids=(0, 1, tag))


def test_a_mirrored_layout_is_told_by_its_handedness() -> None:
    tags = upright(CENTRES)
    assert not layout_is_mirrored(tags, CENTRES)
    assert layout_is_mirrored(
        [at(t.id, 1000 - t.corners_px[:, 0].mean(), t.corners_px[:, 1].mean()) for t in tags], CENTRES
    )
    turned = [at(t.id, t.corners_px[:, 1].mean(), 1000 - t.corners_px[:, 0].mean()) for t in tags]
    assert not layout_is_mirrored(turned, CENTRES)  # a phone held the other way is no mirror


def test_a_reflection_beside_the_panel_is_dropped() -> None:
    centres = {0: (-200.0, -100.0), 1: (200.0, -100.0), 8: (200.0, 100.0), 3: (-200.0, 100.0)}
    tags = upright(centres)
    ghost = at(8, 640.0, 610.0)
    assert without_reflections([*tags, ghost], centres, "4x4_50") == tags
    assert without_reflections([ghost, *tags], centres, "4x4_50") == tags
    # Two of a tag that reads otherwise in a mirror are two prints, which another place refuses.
    double = [*tags, at(1, 640.0, 610.0)]
    assert without_reflections(double, centres, "4x4_50") == double
