"""The ray caster against mirror geometry, Fresnel's equations and OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.records import Camera, Pose
from surfscan.synth import board_light
from surfscan.synth.panels import Crown, Dish, Flat, Panel
from surfscan.synth.rays import fresnel, mirror_hits, pixel_rays, project
from surfscan.synth.render import render
from surfscan.synth.scene import Exposure, Lighting, Scene, Stain, board_facing, corner_tags, look_at

SIZE = (400.0, 300.0)
CAMERA = Camera(900.0, (319.5, 239.5))
BENT = Camera(900.0, (316.0, 243.0), (0.11, -0.25, 0.0012, -0.0008, 0.09))


def scene(panel: Panel, *, pose: Pose | None = None, **kw: object) -> Scene:
    settings: dict[str, object] = {
        "board": board_facing(800, 52, size_mm=(1500, 1200), period_mm=40),
        "tags": corner_tags(SIZE),
        "poses": (pose or look_at((0, -560, 720), (0, 0, 0)),),
        "image_size_px": (640, 480),
        "lens_blur_px": 0.0,
    }
    return Scene(panel=panel, camera=CAMERA, **{**settings, **kw})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("degrees", "value"),
    [(0, 0.0400), (45, 0.0502), (60, 0.0892), (70, 0.1710), (75, 0.2531), (80, 0.3877), (88, 0.8187)],
)
def test_fresnel_values(degrees: float, value: float) -> None:
    """n = 1.5, unpolarised, from Fresnel's equations; as many digits as quoted."""
    assert fresnel(np.cos(np.deg2rad(degrees)), 1.5) == pytest.approx(value, abs=5e-5)


def test_fresnel_at_brewsters_angle() -> None:
    """At atan(n) one polarisation vanishes; half the other is ((n^2-1)/(n^2+1))^2 / 2."""
    angle = np.arctan(1.5)
    assert np.rad2deg(angle) == pytest.approx(56.310, abs=5e-4)
    assert fresnel(np.cos(angle), 1.5) == pytest.approx(((1.5**2 - 1) / (1.5**2 + 1)) ** 2 / 2, rel=1e-12)
    assert np.allclose(fresnel([0.0, 0.3, 1.0], 1.0), 0, rtol=0, atol=1e-15)
    assert fresnel(0.0, 1.5) == pytest.approx(1.0)


@pytest.mark.parametrize("camera", [CAMERA, BENT])
def test_projection_agrees_with_opencv(camera: Camera) -> None:
    rng = np.random.default_rng(2)
    pose = look_at((120, -500, 700), (10, 20, 0), up=(0.1, 1, 0))
    points = rng.uniform((-200, -150, -5), (200, 150, 5), (300, 3))
    vector = cv2.Rodrigues(pose.rotation)[0]
    want = cv2.projectPoints(points, vector, pose.shift_mm, camera.matrix, np.array(camera.distortion))[0]
    assert np.allclose(project(points, camera, pose), want.reshape(-1, 2), rtol=0, atol=1e-8)  # rounding


@pytest.mark.parametrize("camera", [CAMERA, BENT])
def test_rays_go_back_through_the_points_they_came_from(camera: Camera) -> None:
    pose = look_at((120, -500, 700), (10, 20, 0), up=(0.1, 1, 0))
    points = np.random.default_rng(3).uniform((-200, -150, -5), (200, 150, 5), (300, 3))
    pixels = project(points, camera, pose)
    rays = pixel_rays(pixels[:, 0], pixels[:, 1], camera, pose)
    towards = points - pose.centre_mm
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    assert np.allclose(rays, towards, rtol=0, atol=1e-9)


def test_look_at_is_a_rotation_that_looks_there() -> None:
    pose = look_at((100, -300, 500), (20, 10, 0))
    assert np.allclose(pose.rotation @ pose.rotation.T, np.eye(3), rtol=0, atol=1e-14)
    assert np.linalg.det(pose.rotation) == pytest.approx(1.0)
    assert np.allclose(pose.centre_mm, (100, -300, 500))
    assert np.allclose(project([[20, 10, 0]], CAMERA, pose), CAMERA.centre_px)
    seen = project([[21, 10, 0], [20, 11, 0]], CAMERA, pose)
    assert seen[0, 0] > CAMERA.centre_px[0], "x is to the right"
    assert seen[1, 1] < CAMERA.centre_px[1], "y is up, rows count down"
    with pytest.raises(ValueError, match="along `up`"):
        look_at((0, -5, 0), (0, 0, 0))


def test_flat_panel_shows_the_board_where_the_mirrored_camera_would_see_it() -> None:
    """Plane mirror: a pixel sees where the ray of the camera's mirror image meets the board."""
    board, pose = (
        board_facing(800, 52, size_mm=(1500, 1200), period_mm=40),
        look_at((40, -560, 720), (0, 0, 0)),
    )
    rng = np.random.default_rng(4)
    c, r = rng.uniform(150, 490, 200), rng.uniform(120, 360, 200)
    hits = mirror_hits(Panel(SIZE), CAMERA, pose, board, c, r)
    behind = pose.centre_mm * (1, 1, -1)
    d = pixel_rays(c, r, CAMERA, pose) * (1, 1, -1)
    t = (board.centre_mm - behind) @ board.normal / (d @ board.normal)
    seen = behind + t[:, None] * d - board.centre_mm
    assert np.allclose(hits.a_mm, seen @ board.across, rtol=0, atol=1e-8)
    assert np.allclose(hits.b_mm, seen @ board.up, rtol=0, atol=1e-8)
    assert np.allclose(
        np.hypot(hits.x_mm, hits.y_mm), np.hypot(*(behind + (-behind[2] / d[:, 2])[:, None] * d).T[:2])
    )


def test_law_of_reflection_on_a_crowned_dented_panel() -> None:
    panel = Panel(SIZE, Crown(2200.0), Dish(20, 10, -0.5, 120))
    board, pose = (
        board_facing(800, 52, size_mm=(1500, 1200), period_mm=40),
        look_at((40, -560, 720), (0, 0, 0)),
    )
    c, r = np.meshgrid(np.arange(160, 480, 7.0), np.arange(140, 350, 7.0))
    hits = mirror_hits(panel, CAMERA, pose, board, c, r)
    here = np.stack([hits.x_mm, hits.y_mm, hits.z_mm], -1)
    assert np.allclose(
        hits.z_mm, panel.total.height(hits.x_mm, hits.y_mm), rtol=0, atol=1e-5
    )  # Newton's stop
    there = board.centre_mm + hits.a_mm[..., None] * board.across + hits.b_mm[..., None] * board.up
    half = [(v - here) / np.linalg.norm(v - here, axis=-1, keepdims=True) for v in (pose.centre_mm, there)]
    half = half[0] + half[1]
    p, q = panel.total.slopes(hits.x_mm, hits.y_mm)
    assert np.allclose(-half[..., 0] / half[..., 2], p, rtol=0, atol=1e-7)
    assert np.allclose(-half[..., 1] / half[..., 2], q, rtol=0, atol=1e-7)


def test_convex_mirror_focal_point() -> None:
    """A convex mirror images far things at half its radius (paraxial; any optics textbook).

    Two rays straight down at x = 0 and 1 mm leave at 2*x/R from each other.
    """
    panel, board = Panel(SIZE, Crown(2000.0)), board_facing(1000, 90, size_mm=(500, 500), period_mm=10)
    far = Pose(np.diag([1.0, -1, -1]), np.array([0, 0, 1e7]), np.zeros((6, 6)), 0.0)
    hits = mirror_hits(panel, Camera(1e7, (0, 0)), far, board, np.array([0.0, 1.0]), 0.0)
    # 1 mm of its own, 2 * (1/2000) * 1000 mm by the mirror, and 1000/1e7 as the camera is not at infinity;
    # the next term of the series is (x/R)^2 = 3e-7
    assert hits.a_mm[1] - hits.a_mm[0] == pytest.approx(1 + 1.0 + 1e-4, rel=1e-6)


def test_supersampled_picture_agrees_with_direct_rays() -> None:
    """Cubic interpolation between pixels against rays sent through sub-pixel places."""
    panel = Panel(SIZE, Flat(), Dish(20, 10, -0.3, 100, order=3))  # the rim of order 2 is a kink
    smooth = Lighting(room=0.0, board_dark=0.0, background=0.0)
    plain = scene(panel, tags=None, square=False, light=smooth, supersampling=4)
    picture = render(plain, plain.all_shots()[0])
    sub = (np.arange(4) + 0.5) / 4 - 0.5
    c = (np.arange(250, 400)[:, None] + sub).ravel()
    r = (np.arange(180, 300)[:, None] + sub).ravel()[:, None]
    hits = mirror_hits(panel, CAMERA, plain.poses[0], plain.board, c, r)
    bright = board_light.stripes(hits.a_mm + 750, period_mm=40.0)
    want = (fresnel(hits.cos_in, 1.5) * 6.5 * bright).reshape(120, 4, 150, 4).mean((1, 3))
    # the full swing is 0.3; 0.1 % of it is less than the noise of any photo
    assert np.abs(picture[180:300, 250:400] - want).max() < 3e-4


def test_bump_on_the_right_appears_on_the_right_and_up_is_up() -> None:
    flat = scene(Panel(SIZE), square=False)
    bump = scene(Panel(SIZE, Flat(), Dish(90, 60, 0.3, 80)), square=False)
    change = np.abs(render(bump, bump.all_shots()[0]) - render(flat, flat.all_shots()[0]))
    rows, columns = np.nonzero(change > 0.02)
    middle = project([[90, 60, 0]], CAMERA, flat.poses[0])[0]
    assert abs(columns.mean() - middle[0]) < 5
    assert abs(rows.mean() - middle[1]) < 5
    assert middle[0] > 319.5 > middle[1]


def test_stripes_count_from_the_left_and_lower_edge() -> None:
    """Brightness = a + b cos(2 pi s/period + phase), s from the board's left or lower edge."""
    base = scene(Panel(SIZE), tags=None, light=Lighting(room=0.0, board_dark=0.0))
    board, pose = base.board, base.poses[0]
    assert board is not None
    hits = mirror_hits(base.panel, CAMERA, pose, board, np.arange(200, 440), np.arange(160, 330)[:, None])
    for varies, place, side in (("across", hits.a_mm, 1500), ("up", hits.b_mm, 1200)):
        shot = Exposure("a.png", pose, "stepped", varies, period_mm=57.0, phase_deg=90.0)
        got = render(base, shot)[160:330, 200:440]
        want = 0.5 + 0.5 * np.cos(2 * np.pi * (place + side / 2) / 57.0 + np.pi / 2)
        assert np.corrcoef(got.ravel(), (want * fresnel(hits.cos_in, 1.5)).ravel())[0, 1] > 0.9999


@pytest.mark.parametrize("form", [Flat(), Crown(2200.0, zero_at_mm=(173, 123))])
def test_tags_are_found_upright_where_they_were_put(form: Flat | Crown) -> None:
    here = scene(Panel(SIZE, form), square=True)
    tags = here.tags
    assert tags is not None
    grey = np.clip(render(here, here.all_shots()[0]) * 255, 0, 255).astype(np.uint8)
    grey = cv2.resize(grey, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    corners, ids, _ = detector.detectMarkers(grey)
    found = dict(zip(ids.ravel().tolist(), corners, strict=True))
    assert sorted(found) == [0, 1, 2, 3]
    for tag, (x, y) in tags.centres_mm.items():
        z = float(form.height(x, y))
        half = tags.side_mm / 2
        square = [
            [x - half, y + half, z],
            [x + half, y + half, z],
            [x + half, y - half, z],
            [x - half, y - half, z],
        ]
        want = project(square, CAMERA, here.poses[0])
        got = (found[tag][0] - 0.5) / 2  # pixel centres of the doubled picture
        # found to whole pixels (of half size), and on the crown the tag leans by 0.08 (1.5 mm at its corners)
        assert np.abs(got - want).max() < (1.0 if isinstance(form, Flat) else 2.5)


def test_covered_tag_is_not_found() -> None:
    here = scene(Panel(SIZE), tags=corner_tags(SIZE, covered=(1,)))
    grey = np.clip(render(here, here.all_shots()[0]) * 255, 0, 255).astype(np.uint8)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50))
    assert sorted(detector.detectMarkers(grey)[1].ravel().tolist()) == [0, 2, 3]


def test_lamp_photo_follows_the_inverse_square_and_the_cosine() -> None:
    """Lambert's law and the inverse-square law for a point lamp over a flat panel."""
    lamp = (200.0, 100.0, 400.0)
    matt = scene(
        Panel(SIZE),
        board=None,
        tags=None,
        index=1.0,
        albedo=0.4,
        patches=(Stain(-60, 0, 100, 80, 0.7),),
        light=Lighting(room=0.0),
        shots=(Exposure("lamp.jpg", look_at((0, -200, 900), (0, 0, 0)), "lamp", lamp_mm=lamp),),
    )
    picture = render(matt, matt.shots[0])
    places = np.array([[100.0, 50, 0], [150, -100, 0], [-60, 0, 0], [-150, 100, 0]])
    at = np.round(project(places, CAMERA, matt.shots[0].pose)).astype(int)
    exact = pixel_rays(at[:, 0], at[:, 1], CAMERA, matt.shots[0].pose)
    centre = matt.shots[0].pose.centre_mm
    places = centre - (centre[2] / exact[:, 2])[:, None] * exact
    away = np.array(lamp) - places
    d = np.linalg.norm(away, axis=1)
    want = np.array([0.4, 0.4, 0.7, 0.4]) * 6.0e5 * (away[:, 2] / d) / d**2
    assert np.allclose(
        picture[at[:, 1], at[:, 0]], want, rtol=1e-4
    )  # the mean over a pixel against its middle


def test_satin_lowers_the_contrast_by_the_blur_of_its_slopes() -> None:
    """A Gaussian blur s damps stripes by exp(-2 pi^2 s^2/period^2), its Fourier transform."""
    s = np.linspace(0, 200, 4001)
    for sigma in (2.0, 6.0, 11.0):
        square = board_light.stripes(s, period_mm=40.0, square=True, sigma_mm=np.full(s.shape, sigma))
        part = 2 * np.mean(square[:-1] * np.cos(2 * np.pi * s[:-1] / 40))
        # a square wave's fundamental is 2/pi of its swing
        assert part == pytest.approx(2 / np.pi * np.exp(-2 * (np.pi * sigma / 40) ** 2), abs=1e-4)
        smooth = board_light.stripes(s, period_mm=40.0, sigma_mm=sigma)
        assert np.ptp(smooth) == pytest.approx(np.exp(-2 * (np.pi * sigma / 40) ** 2), rel=1e-9)


@pytest.mark.parametrize("duty", [0.3, 0.5, 0.7])
def test_duty_is_the_bright_share(duty: float) -> None:
    s = (np.arange(40000) + 0.5) / 100
    hard = board_light.stripes(s, period_mm=40.0, square=True, duty=duty)
    assert hard.mean() == pytest.approx(duty, abs=1e-3)
    assert hard[0] == 1, "a bright stripe's middle is at s = 0"


def test_dots_are_round_and_one_is_in_the_middle() -> None:
    a, b = np.meshgrid(np.arange(-50, 50, 0.25) + 0.125, np.arange(-50, 50, 0.25) + 0.125)
    light = board_light.dots(a, b, spacing_mm=25.0, radius_mm=5.0)
    assert light.mean() == pytest.approx(
        np.pi * 25 / 625, rel=0.01
    )  # area of a disc per cell, on a 0.25 mm raster
    assert light[200, 200] == 1
    soft = board_light.dots(a, b, spacing_mm=25.0, radius_mm=5.0, sigma_mm=1.0)
    assert soft[200, 220] == pytest.approx(0.5, abs=0.06), "half at the rim"


def test_pointless_scenes_are_refused() -> None:
    with pytest.raises(ValueError, match="lamp_mm"):
        Exposure("a.jpg", look_at((0, -1, 1), (0, 0, 0)), "lamp")
    with pytest.raises(ValueError, match="unknown pattern"):
        Exposure("a.jpg", look_at((0, -1, 1), (0, 0, 0)), "checks")
    with pytest.raises(ValueError, match="needs shots or poses"):
        Scene(Panel(SIZE), CAMERA).all_shots()
    with pytest.raises(ValueError, match="duty"):
        board_light.stripes(np.zeros(3), period_mm=10.0, duty=1.0)
