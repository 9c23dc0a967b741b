"""Frames with a rolling shutter against a camera path of the project's ray caster, row by row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from surfscan.core.records import Camera, Pose, TagSeen
from surfscan.optics.lens import project
from surfscan.optics.pose import PoseFit, pose_from_tags
from surfscan.optics.rolling import eye_of, ray_of
from surfscan.optics.shutter import Clock, Moment, fit_readout, still_tags, swayed
from surfscan.optics.steadiness import lens_drift
from surfscan.reading.propagation import moved_pose
from surfscan.reading.surface import Surface, slide
from surfscan.synth.scene import look_at
from surfscan.synth.walk import Walk

CAMERA = Camera(1500.0, (639.5, 359.5))
HEIGHT = 720
READOUT_S = 0.02
RATES = np.array([0.15, -0.3, 0.2, 150.0, -80.0, 60.0])  # of a brisk walk: rad/s and mm/s
POINTS = np.array([[-150.0, -90, 0], [160, -80, 4], [140, 95, -3], [-145, 100, 1], [20, 10, 8]])


def at(pose: Pose, seconds: float) -> Pose:
    return moved_pose(pose, RATES * seconds)


def swept(pose: Pose) -> Pose:
    clock = Clock(1, 1, CAMERA.centre_px[1], HEIGHT)
    return replace(pose, sway=clock.sway(RATES, READOUT_S, CAMERA.focal_px))


def test_a_point_lies_in_the_row_that_is_read_while_it_is_there() -> None:
    pose = look_at((-200, -500, 800), (0, 0, 0))
    column, row = project(*POINTS.T, camera=CAMERA, pose=swept(pose))
    for k, point in enumerate(POINTS):

        def off(seconds: float, point: np.ndarray = point) -> float:
            seen = project(*point, camera=CAMERA, pose=at(pose, seconds))[1]
            return float(seen - CAMERA.centre_px[1]) / HEIGHT * READOUT_S - seconds

        when = brentq(off, -0.02, 0.02)
        there = at(pose, when)
        assert np.allclose([column[k], row[k]], project(*point, camera=CAMERA, pose=there), atol=0.005)
        eye = eye_of(swept(pose), *point[:, None])[:, 0]
        assert np.allclose(eye, there.centre_mm, atol=0.01)


def test_a_ray_goes_through_the_point_that_it_shows() -> None:
    pose = swept(look_at((300, -450, 850), (0, 0, 0)))
    column, row = project(*POINTS.T, camera=CAMERA, pose=pose)
    u, v = (column - CAMERA.centre_px[0]) / CAMERA.focal_px, (row - CAMERA.centre_px[1]) / CAMERA.focal_px
    centre, ray = ray_of(pose, u, v)
    along = (POINTS[:, 2] - centre[2]) / ray[2]
    assert np.allclose((centre + along * ray).T, POINTS, atol=0.01)
    x, y = np.meshgrid(np.linspace(-100, 100, 5), np.linspace(-80, 80, 4))
    flat = Surface(x, y, 0 * x, 0 * x, 0 * x)
    assert np.abs(slide(flat, pose, pose)).max() < 0.01


TAGS = {0: (-180.0, -110.0), 1: (180.0, -110.0), 2: (180.0, 110.0), 3: (-180.0, 110.0)}
SQUARE = np.array([[-18.0, 18], [18, 18], [18, -18], [-18, -18]])


def filmed(
    walk: Walk, readout_s: float, *, noise_px: float = 0.04, shift_px: float = 0.0, seconds: float = 3.0
) -> list[Moment]:
    """The tags of a walk's frames: each corner where the camera is as its row is read."""
    rng = np.random.default_rng(5)
    points = np.concatenate([np.column_stack([SQUARE + centre, np.zeros(4)]) for centre in TAGS.values()])
    moments = []
    for time in np.arange(0.1, seconds - 0.1, 1 / 30):
        off = shift_px * np.array([np.sin(8 * time) + 0.7 * np.sin(19 * time), np.cos(11 * time)])
        when = np.full(len(points), float(time))
        for _ in range(4):
            rotation, eye = walk.at(when)
            x, y, z = np.einsum("nij,nj->ni", rotation, points - eye).T
            places = CAMERA.focal_px * np.stack([x / z, y / z], -1) + CAMERA.centre_px
            when = time + readout_s * (places[:, 1] - CAMERA.centre_px[1]) / HEIGHT
        places = places + off + rng.normal(0, noise_px, places.shape)
        tags = (TagSeen(tag, places[4 * k : 4 * k + 4]) for k, tag in enumerate(TAGS))
        moments.append(Moment(float(time), tuple(tags)))
    return moments


def walk(pace: float = 1.0) -> Walk:
    times = np.linspace(0, 3, 7)
    eyes = np.column_stack([pace * 300 * (times - 1.5), -500 - 20 * np.sin(times), 700 + 0 * times])
    rng = np.random.default_rng(2)
    phases = rng.uniform(0, 2 * np.pi, (2, 3, 4))
    return Walk(times, eyes, np.zeros((7, 3)), phases, shake=pace)


def fitter(camera: Camera = CAMERA):
    last: list[PoseFit | None] = [None]

    def fit(tags: list[TagSeen]) -> PoseFit:
        last[0] = pose_from_tags(tags, centres_mm=TAGS, side_mm=36.0, camera=camera, near=last[0])
        return last[0]

    return fit


CLOCK = Clock(1, 1, CAMERA.centre_px[1], HEIGHT)


@pytest.mark.parametrize("readout_s", [0.02, 0.0])
def test_the_read_out_time_is_told_by_the_tags(readout_s: float) -> None:
    moments = filmed(walk(), readout_s)
    found = fit_readout(moments, range(2, 80, 6), clock=CLOCK, interval_s=1 / 30, fit=fitter())
    assert abs(found.time_s - readout_s) < 3 * found.u_s
    assert found.u_s < 0.002


def test_a_camera_that_stands_still_tells_no_read_out_time() -> None:
    found = fit_readout(
        filmed(walk(0.0), 0.02, seconds=1.5), range(2, 38, 6), clock=CLOCK, interval_s=1 / 30, fit=fitter()
    )
    assert (found.frames, found.u_s) == (0, 0.01)  # what phones have, and no more


def test_how_the_camera_moves_in_a_frame() -> None:
    moments = filmed(walk(), READOUT_S, noise_px=0.0, seconds=1.5)
    k = 20
    readout = fit_readout(moments, range(4, 36, 6), clock=CLOCK, interval_s=1 / 30, fit=fitter())
    found = swayed(moments, k, clock=CLOCK, readout=readout, interval_s=1 / 30, camera=CAMERA, fit=fitter())
    assert found is not None
    time = moments[k].time_s
    truth = walk().pose(time)
    assert np.linalg.norm(found.pose.centre_mm - truth.centre_mm) < 0.5
    going = (walk().at(time + 5e-4)[1] - walk().at(time - 5e-4)[1]) / 1e-3
    top = ray_of(found.pose, np.zeros(1), np.array([0.2]))[0][:, 0] - found.pose.centre_mm
    expected = going * READOUT_S * 0.2 * CAMERA.focal_px / HEIGHT
    assert np.linalg.norm(top - expected) < 0.15 * np.linalg.norm(expected)


def drift(moments: list[Moment]) -> float:
    stills = [
        still_tags(moments, k, clock=CLOCK, readout_s=READOUT_S, interval_s=1 / 30) for k in range(2, 50, 3)
    ]
    fit = fitter()
    frames = [(still[0], fit(still[0])) for still in stills if still]
    return lens_drift(frames, centres_mm=TAGS, side_mm=36.0, camera=CAMERA)


def test_frames_shifted_by_stabilisation_stand_out() -> None:
    assert drift(filmed(walk(), READOUT_S, seconds=2.0)) < 2.0
    assert drift(filmed(walk(), READOUT_S, seconds=2.0, shift_px=8.0)) > 4.0
