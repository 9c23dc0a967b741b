"""Places that show a board in a panel: against the virtual image of a flat mirror, and a cover that leaves nothing."""

from __future__ import annotations

import numpy as np
import pytest

from surfscan.core.records import Board, Camera
from surfscan.optics.standing import Sightline, between, choose_places
from surfscan.synth.scene import board_facing

SIZE = (420.0, 300.0)
BOARD = board_facing(640.0, 60.0, size_mm=(400, 280), period_mm=20)


def flat(board: Board = BOARD, *, focal_px: float = 1000.0) -> Sightline:
    x, y = np.meshgrid(np.linspace(-210, 210, 43), np.linspace(-150, 150, 31))
    none = np.zeros(x.shape)
    tags = np.array([[-180.0, -120], [180, -120], [180, 120], [-180, 120]])
    return Sightline(
        np.stack([x, y, none]), none, none, board, tags, Camera(focal_px, (519.5, 389.5)), (1040, 780)
    )


def test_a_flat_mirror_shows_the_boards_virtual_image() -> None:
    """The plane z = 0 mirrors the board to z < 0; its image through the plane is a straight-sided figure."""
    eye = np.array([60.0, -500.0, 900.0])
    half_a, half_b = ((side - BOARD.period_mm) / 2 for side in BOARD.size_mm)
    corners = [
        BOARD.centre_mm + i * half_a * BOARD.across + j * half_b * BOARD.up
        for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    image = [c * (1, 1, -1) for c in corners]
    rim = np.array([(eye + (v - eye) * eye[2] / (eye[2] - v[2]))[:2] for v in image])
    sight = flat()
    x, y = sight.xyz_mm[:2]
    along = np.roll(rim, -1, 0) - rim
    side = [d[0] * (y - c[1]) - d[1] * (x - c[0]) for c, d in zip(rim, along, strict=True)]
    inside = np.all([s > 0 for s in side], axis=0) | np.all([s < 0 for s in side], axis=0)
    assert 0.1 < inside.mean() < 0.9
    np.testing.assert_array_equal(sight.shows(eye), inside)


def test_a_board_between_hides_the_panel() -> None:
    straight = np.array([0.0, 0.0, 2000.0])
    over = board_facing(640.0, 89.0, size_mm=(4000, 4000), period_mm=20)
    assert between(np.zeros((1, 3)), straight, over).all()
    assert not flat(over).shows(straight).any()
    assert not between(np.zeros((1, 3)), np.array([0.0, 0.0, 500.0]), over).any()


def test_places_cover_all_and_overlap() -> None:
    sight = flat()
    places = choose_places(sight, distance_mm=900.0)
    seen = np.zeros(sight.judged.shape, bool)
    for k, place in enumerate(places):
        assert sight.holds_tags(place.camera_mm)
        np.testing.assert_array_equal(place.shows, sight.shows(place.camera_mm))
        assert place.fresh_share == pytest.approx(np.mean(place.shows & ~seen))
        assert k == 0 or np.count_nonzero(place.shows & seen) >= 0.15 * np.count_nonzero(place.shows)
        seen |= place.shows
    assert seen.mean() > 0.98
    assert 4 <= len(places) <= 12
    np.testing.assert_array_equal(np.array([p.camera_mm for p in places]) % 10, 0)


def test_only_what_is_missing_is_asked_for() -> None:
    sight = flat()
    x = sight.xyz_mm[0]
    more = choose_places(sight, distance_mm=900.0, seen=x < 60)
    assert more
    assert more[0].camera_mm[0] > 0  # a place right of the middle shows what lies right of it
    assert sum(p.fresh_share for p in more) <= np.mean(x >= 60) + 1e-9
    assert choose_places(sight, distance_mm=900.0, seen=np.ones(x.shape, bool)) == ()


def test_tags_out_of_the_photo_are_no_place() -> None:
    assert choose_places(flat(focal_px=9000.0), distance_mm=900.0) == ()
