"""Which surveyed tags make a panel a curved one, and what of that is refused, in words; no photos."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from core.test_base import laid

from surfscan.checking.curved import on_its_surface
from surfscan.checking.survey import Laid, _with_region, _with_tags
from surfscan.core.errors import RefusedError
from surfscan.job.sheet import Sheet
from surfscan.optics.survey import TagSurvey

SHEET = """[panel]
name = "corner"
stage = "primer"
{region}
[tags]
dictionary = "4x4_50"
side_mm = 26
[camera]
focal_px = 1000
[board]
pattern = "crossed"
period_mm = 20
centre_mm = [0, 300, 600]
across = [1, 0, 0]
up = [0, -0.8944, 0.4472]
size_mm = [600, 500]
[[photo]]
file = "a.jpg"
[[photo]]
file = "b.jpg"
"""


def job(
    tmp_path: Path,
    radius: float,
    *,
    crown: float = np.inf,
    count: tuple[int, int] = (4, 2),
    size: tuple[float, float] | None = None,
) -> tuple[Sheet, Laid]:
    from surfscan.job.sheet import load_sheet

    tmp_path.joinpath("panel.toml").write_text(SHEET.format(region=f"size_mm = {list(size)}" if size else ""))
    for name in ("a.jpg", "b.jpg"):
        tmp_path.joinpath(name).touch()
    sheet = load_sheet(tmp_path)
    _, centres, turns = laid(radius, crown, count)
    n = len(centres)
    none = np.zeros((0, n, 3))
    survey = TagSurvey(
        tuple(range(n)), centres, 1.0, 0.001, none, np.zeros((n, 3)), {}, 0.1, turns, np.full(n, 0.01)
    )
    return sheet, Laid(_with_region(_with_tags(sheet, survey)), survey)


def test_a_flat_panel_stays_as_it_was(tmp_path: Path) -> None:
    sheet, found = job(tmp_path, 2500.0)
    assert on_its_surface(found, sheet, sweep=True) is found
    assert on_its_surface(found, sheet, sweep=False) is found


def test_a_corner_is_measured_along_its_surface(tmp_path: Path) -> None:
    """The hull of the tags is 220 mm wide on the surface, not the chord's 2 x 300 sin(110/300) = 215.1 mm."""
    sheet, found = job(tmp_path, 300.0)
    bent = on_its_surface(found, sheet, sweep=True)
    assert found.sheet.panel.extent_mm[0] == pytest.approx(215.1, abs=0.1)
    assert bent.sheet.panel.extent_mm[0] == pytest.approx(220.0, abs=0.1)
    assert bent.curved is not None


def test_a_small_radius_counts_before_the_angle_does(tmp_path: Path) -> None:
    sheet, found = job(tmp_path, 800.0)
    assert on_its_surface(found, sheet, sweep=True).curved is not None


REFUSED = [
    ({"radius": 300.0}, False, "no board lights from one place", "42 degrees|2 photos"),
    ({"radius": 300.0, "count": (2, 2)}, True, "Too few tags", "4 tags at 2 places"),
    ({"radius": 300.0, "count": (2, 4)}, True, "Too few tags", "8 tags at 2 places"),
    ({"radius": -300.0}, True, "hollow", "inwards by 42 degrees"),
    ({"radius": 300.0, "crown": 500.0}, True, "both ways", "degrees the other way"),
    ({"radius": 200.0}, True, "bends too far", "63 degrees"),
    ({"radius": 300.0, "size": (330.0, 200.0)}, True, "bends too far", "63 degrees"),
]


@pytest.mark.parametrize(("made", "sweep", "what", "found"), REFUSED)
def test_what_can_not_be_measured_is_refused(
    tmp_path: Path, made: dict, sweep: bool, what: str, found: str
) -> None:
    sheet, tags = job(tmp_path, **made)
    with pytest.raises(RefusedError, match=what) as told:
        on_its_surface(tags, sheet, sweep=sweep)
    assert any(part in str(told.value) for part in found.split("|"))
    assert told.value.allowed
    assert told.value.cure
