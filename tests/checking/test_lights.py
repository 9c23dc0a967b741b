"""The table of lights: every sheet of the fixtures finds its row, and every row is found by one."""

from __future__ import annotations

from pathlib import Path

import pytest

from surfscan.checking.lights import LIGHTS, kind_of_light
from surfscan.job.sheet import load_sheet

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"


@pytest.mark.parametrize(
    ("job", "name"), [("before", "stripes"), ("dots", "dots"), ("stepped", "stepped"), ("lamp", "lamp")]
)
def test_a_sheet_finds_its_row(job: str, name: str) -> None:
    kind = kind_of_light(load_sheet(JOBS / job))
    assert kind.name == name
    assert kind.has_board == (name != "lamp")


def test_one_photo_of_stripes_is_a_light_of_its_own() -> None:
    sheet = load_sheet(JOBS / "before")
    one = sheet.model_copy(update={"photos": sheet.photos[:1]})
    assert kind_of_light(one).name == "one way"


def test_names_are_told_apart() -> None:
    assert len({kind.name for kind in LIGHTS}) == len(LIGHTS)
