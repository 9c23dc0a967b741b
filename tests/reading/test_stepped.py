"""Stepped series end to end on rendered photos: from the independent renderer (fixtures) and from our own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reading.reading_jobs import Job, fair_peaks, load_job

from surfscan.core.errors import RefusedError
from surfscan.core.reading import Context, Reading
from surfscan.reading.stepped import read_stepped, stepped_grid_mm
from surfscan.reading.stepped_series import SteppedPhoto

FIXTURE = Path(__file__).parents[2] / "fixtures" / "jobs" / "stepped"


@pytest.fixture(scope="module")
def job() -> Job:
    views = load_job(FIXTURE)
    return views


def frames_of(job: Job) -> list[SteppedPhoto]:
    return [
        SteppedPhoto(view, row.period_mm or job.board.period_mm, float(np.radians(row.phase_deg or 0)))
        for view, row in zip(job.views, job.rows, strict=True)
    ]


def read(job: Job, frames: list[SteppedPhoto], step_mm: float | None = None) -> Reading:
    grid, region = job.grid(step_mm or stepped_grid_mm(job.sheet.panel.extent_mm, job.views))
    context = Context(tuple(f.view for f in frames), grid, region, job.level_at_mm, job.board)
    return read_stepped(context, [(f.period_mm, f.step_rad) for f in frames])


def test_three_steps_and_photos_in_any_order(job):
    frames = [f for f in frames_of(job) if abs(f.step_rad - np.pi * 1.5) > 0.1]
    order = np.random.default_rng(1).permutation(len(frames))
    reading = read(job, [frames[k] for k in order], 2.0)
    peaks = fair_peaks(reading, FIXTURE, floor_mm=0.00125)
    assert len(peaks) == 3
    # The 18 mm spot wants the fine grid, and all photos: tests/truth/test_fixtures.py.
    for true, got in peaks[:2]:
        assert abs(got - true) <= max(0.0007, 0.02 * abs(true))  # the promise for spots 12 mm wide and up
    assert len(reading.quality) == len(frames)
    assert np.isfinite(reading.height_mm[reading.flags == 0]).all()
    assert not np.isfinite(reading.height_mm[(reading.flags & ~(1 << 9)) != 0]).any()


def test_two_frames_swapped_are_named(job):
    frames = frames_of(job)
    swapped = [replace(frames[0], view=frames[1].view), replace(frames[1], view=frames[0].view), *frames[2:]]
    with pytest.raises(RefusedError, match=r"across-45"):
        read(job, swapped, 2.0)


def test_a_series_that_runs_backwards_is_named(job):
    frames = [
        replace(f, step_rad=-f.step_rad) if f.view.varies == "up" and f.period_mm == 38 else f
        for f in frames_of(job)
    ]
    with pytest.raises(RefusedError, match=r"up-38.*backwards"):
        read(job, frames, 2.0)


def test_periods_that_disagree_are_refused(job):
    frames = [
        replace(f, step_rad=f.step_rad + np.pi / 2) if f.view.varies == "across" and f.period_mm == 38 else f
        for f in frames_of(job)
    ]
    with pytest.raises(RefusedError, match="periods along 'across' disagree"):
        read(job, frames, 2.0)


def test_a_missing_step_is_named(job):
    frames = [
        f for f in frames_of(job) if not (f.view.varies == "up" and f.period_mm == 45 and f.step_rad > 2)
    ]
    with pytest.raises(RefusedError, match="period 45 mm along 'up' lacks a step"):
        read(job, frames, 2.0)


def test_a_foreign_frame_is_named(job):
    frames = frames_of(job)
    alien = replace(frames[0], view=replace(frames[4].view, photo=frames[4].view.photo))
    with pytest.raises(RefusedError, match=r"across-38-0.jpg: not a frame of .*45 mm"):
        read(job, [alien, *frames[1:]], 2.0)


def test_a_moved_frame_is_named(job):
    frames = frames_of(job)
    pose = frames[5].view.pose
    moved = replace(pose, shift_mm=pose.shift_mm + np.array([2.0, 0, 0]))
    frames[5] = replace(frames[5], view=replace(frames[5].view, pose=moved))
    with pytest.raises(RefusedError, match=r"across-38-1.jpg: the camera or the panel moved"):
        read(job, frames, 2.0)
