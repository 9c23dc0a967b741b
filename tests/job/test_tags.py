"""Tags found to a few hundredths of a pixel, whatever their turn, blur and light; other cases told apart."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.tag_align import align_tag
from surfscan.job.tags import DICTIONARIES, cells_across, explain_missing, find_tags, paper_outline

FINE = 8
"""Samples of the drawing along one photo pixel, averaged as a sensor does."""


def draw(
    places: dict[int, np.ndarray],
    *,
    dictionary: str = "4x4_50",
    shape: tuple[int, int] = (480, 640),
    blur: float = 0.6,
    noise: float = 0.0,
    slope: float = 0.0,
    light: float = 0.8,
) -> Photo:
    """Tags drawn by OpenCV's generator and warped to the given corners (upper left first, clockwise)."""
    table = cv2.aruco.getPredefinedDictionary(DICTIONARIES[dictionary])
    cells = cells_across(dictionary)
    fine = np.full((shape[0] * FINE, shape[1] * FINE), 0.35, np.float32)
    for tag, corners in places.items():
        bits = (cv2.aruco.generateImageMarker(table, tag, cells) > 127).astype(np.float32) * 0.8 + 0.05
        paper = np.pad(bits, 1, constant_values=0.85)
        sharp = np.kron(paper, np.ones((24, 24), np.float32))
        # A texel edge at the paper's side of the black square; pixel centres are whole numbers.
        e0, e1 = 24 - 0.5, 24 * (cells + 1) - 0.5
        square = np.array([[e0, e0], [e1, e0], [e1, e1], [e0, e1]], np.float32)
        target = ((corners + 0.5) * FINE - 0.5).astype(np.float32)
        turn = cv2.getPerspectiveTransform(square, target)
        size = fine.shape[1], fine.shape[0]
        # Drawn by interpolation, which softens an edge without moving it; only the paper's rim is cut.
        drawn = cv2.warpPerspective(sharp, turn, size, flags=cv2.INTER_LINEAR)
        paper_here = cv2.warpPerspective(np.ones_like(sharp), turn, size, flags=cv2.INTER_NEAREST)
        fine = np.where(paper_here > 0, drawn, fine)
    picture = cv2.resize(fine, shape[::-1], interpolation=cv2.INTER_AREA)
    picture = cv2.GaussianBlur(picture, (0, 0), blur) * light
    picture *= 1 + slope * (np.arange(shape[1]) / shape[1] - 0.5)
    picture += np.random.default_rng(1).normal(0, 1, shape) * noise
    image = np.clip(picture, 0, 1).astype(np.float32)
    return Photo("a.png", "", image, image >= 1)


def square(x: float, y: float, side: float, turn_deg: float = 0.0, lean: float = 0.0) -> np.ndarray:
    t = np.radians(turn_deg)
    corners = (
        0.5
        * side
        * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])
    )
    corners[:, 0] *= 1 + lean * corners[:, 1] / side
    return corners + np.array([x, y])


@pytest.mark.parametrize("turn", [0, 17, 90, 135, 200, 300])
@pytest.mark.parametrize("blur", [0.5, 1.5])
def test_corners_come_back_to_a_few_hundredths_of_a_pixel(turn: float, blur: float) -> None:
    true = square(310.37, 233.81, 96.0, turn, lean=0.15)
    (tag,) = find_tags(draw({7: true}, blur=blur, noise=0.004), dictionary="4x4_50")
    assert tag.id == 7
    # Corner order is the tag's own, not the photo's: it turns with the tag. 0.05 px is what the budget assumes. A
    # side along the pixel rows meets them all in one phase, and reading a sharp edge between two pixels by a straight
    # line is then off by up to 0.045 px (edge of a pixel's box and a blur of 0.5: Phi(f / 0.58) against a line).
    assert np.abs(tag.corners_px - true).max() < (0.05 if turn % 90 or blur > 1 else 0.05 + 0.045)


@pytest.mark.parametrize("slope", [0.0, 0.6])
def test_neither_uneven_light_nor_its_strength_moves_a_corner(slope: float) -> None:
    true = square(300.0, 240.0, 80.0, 10)
    for light in (0.15, 0.8):
        (tag,) = find_tags(draw({0: true}, slope=slope, light=light), dictionary="4x4_50")
        assert np.abs(tag.corners_px - true).max() < 0.06


def test_a_large_photo_is_searched_small_and_measured_large() -> None:
    true = square(1900.3, 700.8, 260.0, 12)
    photo = draw({3: true / 4}, shape=(360, 640))
    big = cv2.resize(photo.image, None, fx=4, fy=4, interpolation=cv2.INTER_CUBIC).clip(0, 1)
    (tag,) = find_tags(Photo("b.png", "", big, big >= 1), dictionary="4x4_50")
    # Enlarging moves a place c to 4 (c + 1/2) - 1/2; a rough corner of the small picture would be a pixel off.
    assert np.abs(tag.corners_px - (4 * (true / 4 + 0.5) - 0.5)).max() < 0.4


def test_several_tags_are_sorted_and_doubles_are_kept() -> None:
    places = {9: square(120, 120, 70), 2: square(480, 130, 70, 45), 5: square(300, 350, 70, 180)}
    photo = draw(places)
    assert [tag.id for tag in find_tags(photo, dictionary="4x4_50")] == [2, 5, 9]
    image = photo.image.copy()
    image[240:, 400:] = image[:240, :240]
    twice = find_tags(Photo("c.png", "", image, image > 2), dictionary="4x4_50")
    assert [tag.id for tag in twice].count(9) == 2


def test_why_no_tag_was_found() -> None:
    photo = draw({4: square(320, 240, 120)}, dictionary="5x5_50")
    assert find_tags(photo, dictionary="4x4_50") == []
    assert "dictionary '5x5_" in explain_missing(photo, dictionary="4x4_50")
    right = draw({4: square(320, 240, 120)})
    flipped = Photo("m.png", "", np.ascontiguousarray(right.image[:, ::-1]), right.saturated)
    assert find_tags(flipped, dictionary="4x4_50") == []
    assert "mirrored" in explain_missing(flipped, dictionary="4x4_50")
    nothing = np.random.default_rng(2).uniform(0.3, 0.4, (300, 400)).astype(np.float32)
    assert explain_missing(Photo("n.png", "", nothing, nothing > 1), dictionary="4x4_50") == ""
    with pytest.raises(RefusedError, match=r"tags.dictionary is not known; found '9x9_1'"):
        find_tags(photo, dictionary="9x9_1")


def test_paper_grows_about_the_tags_middle() -> None:
    (tag,) = find_tags(draw({0: square(300, 240, 80, 30)}), dictionary="4x4_50")
    outline = paper_outline(tag, grow=1.5)
    assert outline == pytest.approx(square(300, 240, 120, 30), abs=0.2)
    assert cells_across("6x6_250") == 8


def test_a_place_without_contrast_is_no_tag() -> None:
    """Chance patterns that read as a tag end here; a flat one once left the fit without any slope."""
    corners = np.array([[20.0, 20.0], [50.0, 20.0], [50.0, 50.0], [20.0, 50.0]])
    bits = np.pad(np.eye(4, dtype=np.uint8), 1)
    assert align_tag(np.full((70, 70), 0.5, np.float32), corners, bits) is None
