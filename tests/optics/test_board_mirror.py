"""The board by its mirrored tags: corners made by Fermat's principle, which the fit does not use.

A mirrored corner is seen where the path from the camera over the panel to the corner is shortest (Fermat's principle;
Born and Wolf, Principles of Optics, 3.3.2, section from memory). The panel is a sphere's cap, which no polynomial of
the fit is exactly.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
import pytest
from scipy.optimize import minimize

from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, Photo, Pose, TagSeen
from surfscan.optics.board_mirror import board_from_mirror
from surfscan.optics.board_pose import BoardFit, TagSet
from surfscan.optics.lens import project
from surfscan.optics.mirrored_rays import MirroredTags
from surfscan.optics.pose import PoseFit

FOCAL, SIDE, TURN = 1500.0, 60.0, np.pi / 2
CAMERA = Camera(FOCAL, (800.0, 600.0))
TAGS = {8: (-270.0, -220.0), 9: (270.0, -220.0), 10: (270.0, 220.0), 11: (-270.0, 220.0)}
PLACES = np.array([[-200.0, -140, 0], [200, -140, 0], [200, 140, 0], [-200, 140, 0]])
EYES = ((-200.0, -360, 480), (40.0, -480, 560), (220.0, -330, 450))
LEAN = np.radians(52)
BOARD = {
    "centre": np.array([15.0, 480.0, 640.0]),
    "across": np.array([np.cos(0.05), np.sin(0.05), 0.0]),
    "up": np.array([np.sin(0.05) * np.sin(LEAN), -np.cos(0.05) * np.sin(LEAN), np.cos(LEAN)]),
}


def cap(x: float, y: float, radius: float) -> float:
    """Height of a sphere's cap that passes the panel's tags."""
    if not np.isfinite(radius):
        return 0.0
    rim = radius**2 - 200.0**2 - 140.0**2
    return float(np.sqrt(radius**2 - x * x - y * y) - np.sqrt(rim))


def pose_at(eye: np.ndarray) -> Pose:
    """A camera that looks at the panel's middle, x to the right."""
    ahead = -eye / np.linalg.norm(eye)
    right = np.cross(ahead, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    covariance = np.diag([1e-4**2] * 3 + [0.1**2] * 3)
    return Pose(rotation, -rotation @ eye, covariance, 0.05)


@cache
def mirrored(eye: tuple[float, float, float], radius: float, aside_mm: float = 0.0) -> MirroredTags:
    """All four tags of the board as one camera sees them in the panel, each corner to a twentieth of a pixel."""
    noise = np.random.default_rng(round(abs(eye[0])))
    middle = BOARD["centre"] + aside_mm * np.array([0.85, 0, 0.53])
    centre, pose = np.array(eye), pose_at(np.array(eye))
    seen = []
    for tag, (a, b) in TAGS.items():
        spin = cv2.Rodrigues(np.array([0, 0, TURN]))[0][:2, :2]
        corners = []
        for corner in SIDE / 2 * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]):
            da, db = spin @ corner
            point = middle + (a + da) * BOARD["across"] + (b + db) * BOARD["up"]

            def path(at: np.ndarray, point: np.ndarray = point) -> float:
                on = np.array([*at, cap(*at, radius)])
                return float(np.linalg.norm(on - centre) + np.linalg.norm(point - on))

            share = centre[2] / (centre[2] + point[2])
            x, y = minimize(path, centre[:2] + share * (point - centre)[:2], method="BFGS", tol=1e-12).x
            column, row = project(
                np.array([x]), np.array([y]), np.array([cap(x, y, radius)]), camera=CAMERA, pose=pose
            )
            corners.append([column[0], row[0]])
        seen.append(TagSeen(tag, np.array(corners) + noise.normal(0, 0.05, (4, 2))))
    fit = PoseFit(pose, {}, {}, {}, np.zeros(6), {})
    photo = Photo(f"{eye[0]:.0f}.jpg", "", np.zeros((2, 2), np.float32), np.zeros((2, 2), bool))
    return MirroredTags(photo, CAMERA, fit, tuple(seen))


def fitted(shots: list[MirroredTags]) -> BoardFit:
    return board_from_mirror(shots, TagSet((), TAGS, SIDE), PLACES, u_tag_mm=0.3, u_focal_rel=0.001)


@pytest.mark.parametrize("radius", [np.inf, 1500.0])
def test_the_board_stands_where_it_was_put(radius: float) -> None:
    """Noise of 0.05 px on rays that a crown of 1.5 m magnifies: 1 mm of 800 on the board, and inside the interval."""
    shots = [mirrored(eye, radius) for eye in EYES]
    fit = fitted(shots)
    off = fit.centre_mm - BOARD["centre"]
    assert np.linalg.norm(off) < 2.0
    assert np.all(np.abs(off) < 2 * np.sqrt(np.diag(fit.covariance))[3:])
    assert np.abs(fit.across - BOARD["across"]).max() < 3e-3
    assert np.abs(fit.up - BOARD["up"]).max() < 3e-3
    assert all(abs(turn - TURN) < 0.01 for turn in fit.turn_rad.values())
    assert fit.mirrored == tuple(shot.photo.file for shot in shots)


def test_one_view_is_refused_with_what_to_do() -> None:
    with pytest.raises(RefusedError, match=r"in 1 photo, and no set-up photo.*half a metre to the side"):
        fitted([mirrored(EYES[0], np.inf)])


def test_two_views_from_one_place_leave_the_crown_open() -> None:
    x, y, z = EYES[1]
    shots = [mirrored(eye, 1500.0) for eye in ((x, y, z), (x + 4, y, z))]
    narrow = [shot.__class__(shot.photo, shot.camera, shot.fit, shot.tags[:1]) for shot in shots]
    with pytest.raises(RefusedError, match="leave open where the board stands"):
        fitted(narrow)


def test_a_board_that_moved_between_the_photos_is_told() -> None:
    shots = [mirrored(eye, np.inf) for eye in EYES[:2]]
    with pytest.raises(RefusedError, match="contradict each other"):
        fitted([*shots, mirrored(EYES[2], np.inf, aside_mm=12.0)])
