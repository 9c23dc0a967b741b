"""Lamp places from a shiny ball, against Fermat's principle and the mirror-ball closed form."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.optimize import minimize

from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, Photo, Pose
from surfscan.shading.ball import (
    Ball,
    find_highlight,
    light_direction,
    line_to_lamp,
    meet_lines,
)

CAMERA = Camera(2700.0, (799.5, 599.5), (0.05, -0.02, 0.0, 0.0, 0.0))
# From (40, -150, 1390), looking straight down: x right, y down, z ahead.
EYE = np.array([40.0, -150.0, 1390.0])
DOWN = np.diag([1.0, -1.0, -1.0])
POSE = Pose(DOWN, -DOWN @ EYE, np.eye(6), 0.1)
LAMP = np.array([700.0, 420.0, 380.0])
BALLS = [Ball(np.array([-200.0, -60.0, 20.0]), 20.0), Ball(np.array([240.0, 60.0, 20.0]), 20.0)]


def mirror_point(ball: Ball, lamp: np.ndarray) -> np.ndarray:
    """Fermat: on a convex mirror the light takes the shortest way over the surface."""

    def on(angles: np.ndarray) -> np.ndarray:
        a, b = angles
        return ball.centre_mm + ball.radius_mm * np.array(
            [np.sin(a) * np.cos(b), np.sin(a) * np.sin(b), np.cos(a)]
        )

    def way(angles: np.ndarray) -> float:
        return float(np.linalg.norm(on(angles) - EYE) + np.linalg.norm(on(angles) - lamp))

    best = minimize(way, [0.5, np.arctan2(*(lamp - ball.centre_mm)[1::-1])], method="Nelder-Mead",
                    options={"xatol": 1e-12, "fatol": 1e-13, "maxiter": 4000})  # fmt: skip
    return on(best.x)


def pixel(point: np.ndarray) -> np.ndarray:
    return cv2.projectPoints(
        point.reshape(1, 3), cv2.Rodrigues(POSE.rotation)[0], POSE.shift_mm, CAMERA.matrix,
        np.array(CAMERA.distortion),
    )[0].ravel()  # fmt: skip


def photo_of(places: list[np.ndarray], size: float = 1.5) -> Photo:
    row, column = np.mgrid[:1200, :1600]
    image = np.full((1200, 1600), 0.02)
    for at in places:
        image += np.exp(-0.5 * ((column - at[0]) ** 2 + (row - at[1]) ** 2) / size**2)
    image = np.clip(image, 0, 1).astype(np.float32)
    return Photo("ball.jpg", "", image, image >= 1)


def test_half_the_radius_means_sixty_degrees() -> None:
    """Mirror ball seen from far away: 2 asin(rho); rho = 0.5 gives 60 degrees."""
    # l = 2 (n . v) n - v with the ball's own normal at rho = 0.5.
    normal = np.array([0.5, 0.0, np.sqrt(0.75)])
    light = light_direction(normal, np.array([0.0, 0.0, 1.0]))
    np.testing.assert_allclose(light, [np.sin(np.pi / 3), 0, 0.5], atol=1e-15)


@pytest.mark.parametrize("ball", BALLS, ids=["left", "right"])
def test_the_line_leads_to_the_lamp(ball: Ball) -> None:
    point = mirror_point(ball, LAMP)
    line = line_to_lamp(pixel(point), ball=ball, camera=CAMERA, pose=POSE)
    np.testing.assert_allclose(line.start_mm, point, atol=1e-4)  # the search for the shortest way ends there
    to_lamp = (LAMP - point) / np.linalg.norm(LAMP - point)
    assert np.arccos(min(1.0, line.direction @ to_lamp)) < 1e-4
    assert 0 < line.u_rad < 0.05


def test_two_balls_give_the_place() -> None:
    lines = [line_to_lamp(pixel(mirror_point(b, LAMP)), ball=b, camera=CAMERA, pose=POSE) for b in BALLS]
    place, covariance = meet_lines(lines)
    np.testing.assert_allclose(place, LAMP, atol=0.1)  # 1e-4 rad at 900 mm
    assert (np.diag(covariance) > 0).all()


def test_drawn_highlights_give_the_place_within_its_uncertainty() -> None:
    seen = [pixel(mirror_point(ball, LAMP)) for ball in BALLS]
    photo = photo_of(seen)
    lines = []
    for ball, want in zip(BALLS, seen, strict=True):
        at = find_highlight(photo, ball=ball, camera=CAMERA, pose=POSE)
        np.testing.assert_allclose(at, want, atol=0.05)  # a centroid over some 40 pixels
        lines.append(line_to_lamp(at, ball=ball, camera=CAMERA, pose=POSE, u_px=0.05))
    place, covariance = meet_lines(lines)
    off = place - LAMP
    assert off @ np.linalg.solve(covariance, off) < 25  # five standard deviations


def test_refusals_say_why() -> None:
    dark = photo_of([])
    with pytest.raises(RefusedError, match="no highlight"):
        find_highlight(dark, ball=BALLS[0], camera=CAMERA, pose=POSE)
    at = pixel(mirror_point(BALLS[0], LAMP))
    other = pixel(mirror_point(BALLS[0], LAMP * [-1, 1, 1]))
    with pytest.raises(RefusedError, match="more than one"):
        find_highlight(photo_of([at, other]), ball=BALLS[0], camera=CAMERA, pose=POSE)
    with pytest.raises(RefusedError, match="not wholly"):
        find_highlight(dark, ball=Ball(np.array([900.0, 0, 20]), 20.0), camera=CAMERA, pose=POSE)
    with pytest.raises(RefusedError, match="too small"):
        find_highlight(dark, ball=Ball(np.array([0.0, 0, 2]), 2.0), camera=CAMERA, pose=POSE)
    with pytest.raises(RefusedError, match="beside the ball"):
        line_to_lamp(np.array([10.0, 10.0]), ball=BALLS[0], camera=CAMERA, pose=POSE)
    line = line_to_lamp(at, ball=BALLS[0], camera=CAMERA, pose=POSE)
    with pytest.raises(RefusedError, match="not its place"):
        meet_lines([line])
    with pytest.raises(RefusedError, match="parallel"):
        meet_lines([line, line])
    wrong = line_to_lamp(
        pixel(mirror_point(BALLS[1], LAMP + np.array([0.0, 500.0, 0.0]))),
        ball=BALLS[1],
        camera=CAMERA,
        pose=POSE,
    )
    with pytest.raises(RefusedError, match="one lamp"):
        meet_lines([line, wrong])
