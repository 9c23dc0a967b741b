"""Calibration: exact corners give the lens back, and photos that can't fix it are refused with what to shoot."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from cases import EVERY
from scipy.stats import chi2

from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, Pose
from surfscan.optics.calibrate import Sighting, coverage_zones, fit_lens, next_shot
from surfscan.optics.lens import project, undistort

SIZE = (1600, 1200)
FOCAL, CENTRE, BENT = 1350.0, (812.0, 590.0), np.array([-0.12, 0.05, 0.001, -0.0008, 0.0])
POINTS = np.zeros((35, 3), np.float32)
POINTS[:, :2] = np.mgrid[0:7, 0:5].T.reshape(-1, 2) * 30.0


def seen(
    turn_deg: tuple[float, float, float], at: tuple[float, float], far: float, noise: float = 0.0
) -> np.ndarray:
    """Places of the board's corners, its middle near a pixel, by OpenCV's own projection."""
    matrix = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1]])
    rotation = cv2.Rodrigues(np.radians(turn_deg))[0]
    ray = np.array([(at[0] - CENTRE[0]) / FOCAL, (at[1] - CENTRE[1]) / FOCAL, 1.0])
    shift = far * ray - rotation @ POINTS.mean(0)
    places = cv2.projectPoints(POINTS.astype(float), cv2.Rodrigues(rotation)[0], shift, matrix, BENT)[0]
    rng = np.random.default_rng(int(abs(at[0]) + 7 * abs(at[1]) + 31 * abs(turn_deg[0])))
    return places.reshape(-1, 2) + rng.normal(0, noise, (35, 2))


def album(noise: float = 0.0, *, tilt: float = 30.0, spread: float = 1.0) -> list[Sighting]:
    stands = []
    for k, (u, v) in enumerate(
        ((-1, -1), (1, -1), (1, 1), (-1, 1), (0, 0), (0, -1), (1, 0), (-1, 0), (0, 1))
    ):
        turn = (tilt * np.cos(k), tilt * np.sin(k), 10.0 * k if tilt else 0.0)
        at = (800 + 520 * spread * u, 600 + 380 * spread * v)
        stands.append(Sighting(f"{k}.jpg", POINTS, seen(turn, at, 480.0, noise).astype(np.float32)))
    return stands


def test_exact_corners_give_the_lens_back() -> None:
    found = fit_lens(album(), SIZE)
    # float32 corners: 1e-4 px
    assert found.focal_px == pytest.approx(FOCAL, abs=0.05)
    assert found.centre_px == pytest.approx(CENTRE, abs=0.05)
    assert found.distortion == pytest.approx(tuple(BENT), abs=2e-4)
    assert found.rms_px < 1e-3
    assert len(found.used) == 9
    assert not found.rejected


def test_the_stated_spread_is_the_true_one() -> None:
    """Draws of noise: the focal length's errors over its stated sd, whose rms is 1 (chi-square, as many of freedom)."""
    draws = 9 if EVERY else 4
    rng = np.random.default_rng(3)
    ratio = []
    for _ in range(draws):
        noisy = [
            Sighting(s.file, s.points_mm, s.places_px + rng.normal(0, 0.2, s.places_px.shape))
            for s in album()
        ]
        found = fit_lens(noisy, SIZE)
        ratio.append((found.focal_px - FOCAL) / found.focal_sd_px)
    low, high = np.sqrt(chi2.ppf((0.002, 0.998), draws) / draws)
    assert low < float(np.sqrt(np.mean(np.square(ratio)))) < high


def test_a_shaken_photo_is_left_out_and_named() -> None:
    photos = album(0.1)
    rng = np.random.default_rng(1)
    photos[4] = Sighting("shaken.jpg", POINTS, photos[4].places_px + rng.normal(0, 3, (35, 2)))
    photos.append(Sighting("half.jpg", POINTS[:8], photos[0].places_px[:8]))
    found = fit_lens(photos, SIZE)
    reasons = dict(found.rejected)
    assert "px off where the others are" in reasons["shaken.jpg"]
    assert reasons["half.jpg"] == "only 8 corners of the board"
    assert found.focal_px == pytest.approx(FOCAL, rel=0.003)


@pytest.mark.parametrize(
    ("photos", "message"),
    [
        (album(0.1)[:4], r"too few photos show the board; found 4 usable"),
        (album(0.1, tilt=0.0), r"all face the board.*Photograph the board from the side"),
        (album(0.1, spread=0.1), r"never came near the corners.*Shoot next with the board in the top left"),
    ],
)
def test_photos_that_cannot_fix_a_lens(photos: list[Sighting], message: str) -> None:
    with pytest.raises(RefusedError, match=message):
        fit_lens(photos, SIZE)


def test_the_next_shot_is_where_corners_lack() -> None:
    places = np.stack(np.meshgrid(np.arange(0, 1600, 40.0), np.arange(0, 1200, 40.0)), -1).reshape(-1, 2)
    assert "nothing more is needed" in next_shot(coverage_zones(places, SIZE))
    kept = places[~((places[:, 0] > 1150) & (places[:, 1] > 850))]
    assert "bottom right" in next_shot(coverage_zones(kept, SIZE))


WIDE = np.array([0.9, 0.5, 0.001, -0.0005, 0.03, 1.2, 0.7, 0.12])
"""A wide lens that k1 and k2 can't describe, of the size that real ones have."""


def wide_album(noise: float) -> list[Sighting]:
    matrix = np.array([[560.0, 0, 640], [0, 560, 480], [0, 0, 1]])
    rng, out = np.random.default_rng(7), []
    for k in range(14):
        turn, lean = 0.7 * k, np.radians(12 + 2 * k)
        rotation = cv2.Rodrigues(np.array([lean * np.cos(turn), lean * np.sin(turn), 0.1 * k]))[0]
        at = np.array([0.75 * np.cos(2.1 * k), 0.55 * np.sin(2.1 * k), 1.0]) * 170.0
        places = cv2.projectPoints(
            POINTS.astype(float), cv2.Rodrigues(rotation)[0], at - rotation @ POINTS.mean(0), matrix, WIDE
        )[0].reshape(-1, 2)
        inside = np.all((places > 0) & (places < [1280, 960]), axis=1)
        noisy = (places + rng.normal(0, noise, places.shape)).astype(np.float32)
        out.append(Sighting(f"{k}.jpg", POINTS[inside], noisy[inside]))
    return out


def test_a_wide_lens_gets_the_model_it_needs() -> None:
    found = fit_lens(wide_album(0.2), (1280, 960))
    assert found.model.startswith("the rational")
    assert len(found.distortion) == len(found.distortion_sd) == 8
    assert found.rms_px < 0.35
    assert abs(found.focal_px - 560.0) < 2.0 * found.focal_sd_px


def test_an_ordinary_lens_keeps_two_coefficients() -> None:
    noisy = [
        Sighting(
            s.file, s.points_mm, s.places_px + np.random.default_rng(k).normal(0, 0.2, s.places_px.shape)
        )
        for k, s in enumerate(album())
    ]
    found = fit_lens(noisy, SIZE)
    assert found.model == "k1 and k2"
    assert found.distortion[4:] == (0.0,)


def test_photos_that_no_model_fits_are_refused() -> None:
    """Corners pushed about by waves that differ from photo to photo, as of a loose sheet."""
    bent = []
    for k, one in enumerate(wide_album(0.2)):
        off = 6.0 * np.sin(one.points_mm[:, :1] / 25.0 + k) * np.array([[1.0, -1.0]])
        bent.append(Sighting(one.file, one.points_mm, (one.places_px + off).astype(np.float32)))
    with pytest.raises(RefusedError, match="no model of a lens fits"):
        fit_lens(bent, (1280, 960))


def test_eight_coefficients_project_and_undistort_as_opencv_does() -> None:
    camera = Camera(560.0, (640.0, 480.0), tuple(WIDE))
    pose = Pose(np.diag([1.0, -1.0, -1.0]), np.array([0, 0, 400.0]), np.eye(6), 0.1)
    x, y = np.meshgrid(np.linspace(-200, 200, 9), np.linspace(-150, 150, 7))
    column, row = project(x, y, 0.0, camera=camera, pose=pose)
    points = np.stack([x, y, np.zeros_like(x)], -1).reshape(-1, 3)
    want = cv2.projectPoints(points, cv2.Rodrigues(pose.rotation)[0], pose.shift_mm, camera.matrix, WIDE)[0]
    np.testing.assert_allclose(np.stack([column, row], -1).reshape(-1, 2), want.reshape(-1, 2), atol=1e-9)
    ideal = undistort(want.reshape(-1, 2), camera=camera)
    np.testing.assert_allclose(ideal, np.stack([x, -y], -1).reshape(-1, 2) / 400.0, atol=1e-9)
