"""Sheets written from a form read back the same, by the standard library's TOML reader."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import surfscan
from surfscan.job.sheet_writing import board_facing_panel, write_sheet

JOBS = Path(__file__).parents[2] / "fixtures" / "jobs"

_number = st.one_of(st.integers(-(10**12), 10**12), st.floats(allow_nan=False, allow_infinity=False))
_plain = st.one_of(_number, st.booleans(), st.text(st.characters(exclude_categories=["Cs"])))
_value = st.recursive(_plain, lambda inner: st.lists(inner, min_size=1, max_size=4), max_leaves=8)
_table = st.dictionaries(
    st.text(st.characters(exclude_categories=["Cs"]), min_size=1), _value, min_size=1, max_size=4
)


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(st.sampled_from(["panel", "tags", "camera", "board"]), _table, min_size=1),
    st.lists(_table, min_size=1, max_size=3),
)
def test_what_is_written_reads_back(
    tables: dict[str, dict[str, object]], photos: list[dict[str, object]]
) -> None:
    whole = {**tables, "photo": photos}
    assert tomllib.loads(write_sheet(whole)) == whole  # 1.0 may come back as 1, which is equal


def test_nothing_is_left_out_but_nothing() -> None:
    text = write_sheet(
        {"panel": {"name": "", "size_mm": [1.5, 2]}, "camera": {}, "limits": {"low_mm": None}, "photo": []}
    )
    assert tomllib.loads(text) == {"panel": {"name": "", "size_mm": [1.5, 2]}}


@pytest.mark.parametrize("job", ["flat", "crown", "stepped", "dots", "lamp", "covered-tag"])
def test_a_fixtures_sheet_survives(job: str, tmp_path: Path) -> None:
    tables = tomllib.loads((JOBS / job / "panel.toml").read_text())
    (tmp_path / "panel.toml").write_text(write_sheet(tables))
    again = surfscan.load_sheet(tmp_path, need_photos=False)
    assert again.model_dump(exclude={"folder"}) == surfscan.load_sheet(JOBS / job).model_dump(
        exclude={"folder"}
    )


@pytest.mark.parametrize("value", [math.nan, math.inf, object(), {1, 2}])
def test_what_a_sheet_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(ValueError, match="sheet"):
        write_sheet({"panel": {"x": value}})
    with pytest.raises(ValueError, match="is no table"):
        write_sheet({"panel": 3})


@pytest.mark.parametrize(
    "centre", [(0.0, 593.6631, 817.10716), (120.0, 400.0, 700.0), (-300.0, -500.0, 600.0)]
)
def test_a_board_facing_the_panel(centre: tuple[float, float, float]) -> None:
    across, up = (np.array(v) for v in board_facing_panel(centre))
    away = np.array(centre) / np.linalg.norm(centre)
    assert np.linalg.norm(across) == pytest.approx(1)
    assert np.linalg.norm(up) == pytest.approx(1)
    assert across @ up == pytest.approx(0, abs=1e-12)
    assert np.cross(across, up) == pytest.approx(-away)  # the normal looks at the panel
    assert across[2] == 0
    assert up[2] > 0


def test_a_board_straight_beyond_has_the_fixtures_directions() -> None:
    sheet = surfscan.load_sheet(JOBS / "flat")
    assert sheet.board is not None
    across, up = board_facing_panel(sheet.board.centre_mm)
    assert across == pytest.approx(sheet.board.across, abs=1e-6)
    assert up == pytest.approx(sheet.board.up, abs=1e-6)
    with pytest.raises(ValueError, match="straight above"):
        board_facing_panel((0.0, 0.0, 900.0))
