"""Camera poses: exact corners give exact poses, on crowned panels too; wrong set-ups are named."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, Pose, TagSeen
from surfscan.optics.lens import project, undistort
from surfscan.optics.pose import pose_from_corners, pose_from_tags
from surfscan.synth.scene import look_at

CENTRES = {0: (-250.0, -170.0), 1: (250.0, -170.0), 2: (250.0, 170.0), 3: (-250.0, 170.0)}
CAMERA = Camera(2500.0, (799.5, 599.5))
POSE = look_at((60.0, -700.0, 900.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0))


def seen_tags(
    *,
    camera: Camera = CAMERA,
    pose: Pose = POSE,
    radius: float = np.inf,
    turns: tuple[float, ...] = (0, 0, 0, 0),
) -> list[TagSeen]:
    """Tags as a camera would see them, lying on a sphere of that radius whose tag centres are at z = 0."""
    out = []
    for (tag, (x, y)), turn in zip(CENTRES.items(), turns, strict=True):
        p, q = (-x / radius, -y / radius) if np.isfinite(radius) else (0.0, 0.0)
        square = 18.0 * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
        c, s = np.cos(turn), np.sin(turn)
        flat = square @ np.array([[c, s], [-s, c]])
        ex = np.array([1, 0, p]) / np.hypot(1, p)
        n = np.array([-p, -q, 1]) / np.sqrt(1 + p * p + q * q)
        corners = np.array([x, y, 0]) + flat[:, :1] * ex + flat[:, 1:] * np.cross(n, ex)
        out.append(TagSeen(tag, np.stack(project(*corners.T, camera=camera, pose=pose), -1)))
    return out


@pytest.mark.parametrize("distortion", [(0.0,) * 5, (-0.12, 0.05, 1e-3, -5e-4, 0.01)])
def test_projection_is_opencvs(distortion: tuple[float, ...]) -> None:
    camera = Camera(2500.0, (810.0, 590.0), distortion)
    rng = np.random.default_rng(3)
    points = rng.uniform([-300, -200, -20], [300, 200, 20], (50, 3))
    rotation = cv2.Rodrigues(POSE.rotation)[0]
    want = cv2.projectPoints(points, rotation, POSE.shift_mm, camera.matrix, np.array(distortion))[0].reshape(
        -1, 2
    )
    got = np.stack(project(*points.T, camera=camera, pose=POSE), -1)
    assert np.abs(got - want).max() < 1e-8  # both double precision, places of order 1e3
    ideal = undistort(got, camera=camera)
    seen = points @ POSE.rotation.T + POSE.shift_mm
    assert np.abs(ideal - seen[:, :2] / seen[:, 2:]).max() < 1e-9


@pytest.mark.parametrize("radius", [np.inf, 2000.0])
@pytest.mark.parametrize("turns", [(0, 0, 0, 0), (0.5, -1.2, 3.0, 0.1)])
def test_exact_corners_give_the_exact_pose(radius: float, turns: tuple[float, ...]) -> None:
    fit = pose_from_tags(
        seen_tags(radius=radius, turns=turns), centres_mm=CENTRES, side_mm=36.0, camera=CAMERA
    )
    # Tilts are held by a weak prior (0.3 rad), which pulls 0.14 rad by a few parts in a million.
    assert fit.pose.reprojection_px < (1e-6 if np.isinf(radius) else 1e-3)
    assert np.abs(fit.pose.centre_mm - POSE.centre_mm).max() < (1e-5 if np.isinf(radius) else 0.02)
    assert np.linalg.det(fit.pose.rotation) == pytest.approx(1.0)
    for tag, turn in zip(CENTRES, turns, strict=True):
        assert fit.tag_turn_rad[tag] == pytest.approx(turn, abs=1e-3)
        if np.isfinite(radius):
            assert fit.tag_tilt[tag] == pytest.approx(-np.array(CENTRES[tag]) / radius, abs=1e-3)


def test_three_tags_are_enough_and_two_are_not() -> None:
    tags = seen_tags()
    fit = pose_from_tags(tags[:3], centres_mm=CENTRES, side_mm=36.0, camera=CAMERA)
    assert np.abs(fit.pose.centre_mm - POSE.centre_mm).max() < 1e-3
    four = pose_from_tags(tags, centres_mm=CENTRES, side_mm=36.0, camera=CAMERA)
    assert np.trace(fit.pose.covariance[3:, 3:]) > np.trace(four.pose.covariance[3:, 3:])
    with pytest.raises(RefusedError, match="too few tags"):
        pose_from_tags(tags[:2], centres_mm=CENTRES, side_mm=36.0, camera=CAMERA)


def test_swapped_tags_are_named() -> None:
    tags = seen_tags()
    swapped = dict(CENTRES) | {0: CENTRES[1], 1: CENTRES[0]}
    with pytest.raises(RefusedError, match="tags 0 and 1 look swapped"):
        pose_from_tags(tags, centres_mm=swapped, side_mm=36.0, camera=CAMERA)


def test_sensitivities_equal_refits() -> None:
    tags = seen_tags()
    base = pose_from_tags(tags, centres_mm=CENTRES, side_mm=36.0, camera=CAMERA)

    def change(fit) -> np.ndarray:  # type: ignore[no-untyped-def]
        turn = cv2.Rodrigues(fit.pose.rotation @ base.pose.rotation.T)[0].ravel()
        return np.r_[turn, fit.pose.shift_mm - base.pose.shift_mm]

    longer = pose_from_tags(tags, centres_mm=CENTRES, side_mm=36.0, camera=Camera(2501.0, CAMERA.centre_px))
    # second order in a step of 1 px of 2500, or 0.1 mm of 500
    assert change(longer) == pytest.approx(base.by_focal, rel=5e-3, abs=1e-5)
    moved = pose_from_tags(tags, centres_mm=CENTRES | {1: (250.1, -170.0)}, side_mm=36.0, camera=CAMERA)
    assert change(moved) == pytest.approx(0.1 * base.by_tag[1][:, 0], rel=2e-2, abs=1e-5)


def test_clicked_corners() -> None:
    corners = np.array([[-300, -200], [300, -200], [300, 200], [-300, 200]], float)
    seen = np.stack(project(corners[:, 0], corners[:, 1], 0.0, camera=CAMERA, pose=POSE), -1)
    fit = pose_from_corners(seen, size_mm=(600.0, 400.0), camera=CAMERA)
    assert fit.pose.reprojection_px < 1e-6
    assert np.abs(fit.pose.centre_mm - POSE.centre_mm).max() < 1e-4
    with pytest.raises(RefusedError, match="do not fit a rectangle"):
        pose_from_corners(
            seen + np.array([[0, 0], [90, 0], [0, -80], [0, 0]]), size_mm=(600.0, 400.0), camera=CAMERA
        )


def test_a_camera_to_the_right_sees_the_left_rim_shorter() -> None:
    right = look_at((400.0, -700.0, 900.0), (0.0, 0.0, 0.0), (0.0, 1.0, 0.0))
    fit = pose_from_tags(seen_tags(pose=right), centres_mm=CENTRES, side_mm=36.0, camera=CAMERA)
    assert fit.pose.centre_mm[0] == pytest.approx(400.0, abs=1e-3)
    assert fit.pose.centre_mm[1] < 0 < fit.pose.centre_mm[2]


@pytest.mark.parametrize("off_px", [0.0, 1e-12, 1e-6])
@pytest.mark.parametrize("size_mm", [(200.0, 200.0), (640.0, 440.0)])
def test_corners_of_a_panel_exactly_square_on(size_mm: tuple[float, float], off_px: float) -> None:
    """A camera right above the middle: similar triangles give the distance, and the panel is not turned."""
    camera, far = Camera(3000.0, (500.0, 400.0)), 1500.0
    half = 0.5 * np.array(size_mm) * camera.focal_px / far
    signs = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])  # rows grow downwards
    corners = np.array(camera.centre_px) + signs * half
    corners[0, 0] += off_px
    fit = pose_from_corners(corners, size_mm=size_mm, camera=camera)
    np.testing.assert_allclose(fit.pose.centre_mm, [0, 0, far], atol=0.2)
    np.testing.assert_allclose(fit.pose.rotation, np.diag([1.0, -1.0, -1.0]), atol=2e-3)


def test_corners_in_the_wrong_order_are_refused_square_on_too() -> None:
    corners = np.array([[300.0, 600], [700, 600], [700, 200], [300, 200]])[::-1]
    with pytest.raises(RefusedError, match="corners_px do not fit"):
        pose_from_corners(corners, size_mm=(200.0, 200.0), camera=Camera(3000.0, (500.0, 400.0)))
