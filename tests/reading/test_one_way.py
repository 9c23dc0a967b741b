"""One photo of stripes, each of a pair alone, against the known surface."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pytest
from cases import some
from reading.reading_jobs import deviation, fair_peaks, load_job

from surfscan.core.flags import bit
from surfscan.core.reading import Context
from surfscan.reading.one_way import read_one_way

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"


def read(name: str, varies: str):
    job = load_job(JOBS / name, varies=varies)
    grid, region = job.grid(job.stripes_step_mm())
    context = Context((job.views[0],), grid, region, job.level_at_mm, job.board, job.tag_curvature())
    return read_one_way(context)


@pytest.mark.parametrize(("name", "varies"), some(product(("flat", "crown"), ("across", "up")), 2))
def test_faults_within_fifteen_percent_and_covered(name, varies):
    reading = read(name, varies)
    sigma = float(np.hypot(reading.noise_mm, reading.uneven_mm))
    for true, got in fair_peaks(reading, JOBS / name, floor_mm=0.004):
        assert abs(got - true) <= 0.15 * abs(true)
        assert abs(got - true) <= 1.96 * sigma
    measured = np.isfinite(reading.height_mm)
    assert measured.mean() > 0.8
    assert np.all(reading.flags[measured] & bit("one_direction"))
    # More uncertain than the pair, which reads these panels to 1 or 2 um.
    assert sigma > 0.003


@pytest.mark.parametrize("varies", some(["up", "across"], 1))
def test_no_fault_is_invented(varies):
    """A sound panel: nothing stands out by the default limit of 40 um, nor by 0.7 of it."""
    reading = read("clean-flat", varies)
    assert np.nanmax(np.abs(deviation(reading, floor_mm=0.004))) < 0.028
