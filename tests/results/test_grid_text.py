"""Heights as CSV: exact round trip, other programs' tables, and what is wrong said by row and column."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from surfscan.core.errors import RefusedError
from surfscan.results.grid_text import read_grid_text, write_grid_text


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    hnp.arrays(
        float,
        st.tuples(st.integers(2, 4), st.integers(2, 4)),
        elements=st.floats(allow_infinity=False, allow_nan=True, width=64),
    )
)
def test_any_map_comes_back_bit_for_bit(tmp_path: Path, height: np.ndarray) -> None:
    x, y = 0.1 * np.arange(height.shape[1]) - 7.3, 0.7 * np.arange(height.shape[0]) + 2.0
    path = tmp_path / "m.csv"
    write_grid_text(path, height, x_mm=x, y_mm=y)
    found_x, found_y, found = read_grid_text(path)
    assert np.array_equal(found_x, x)
    assert np.array_equal(found_y, y)
    assert np.array_equal(found, height, equal_nan=True)


def test_the_top_of_the_panel_is_the_first_row(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    write_grid_text(
        path, np.array([[1.0, 2.0], [3.0, np.nan]]), x_mm=np.array([0.0, 1.0]), y_mm=np.array([0.0, 1.0])
    )
    lines = path.read_text().splitlines()
    assert lines[1:] == ["1.0,3.0,", "0.0,1.0,2.0"]


@pytest.mark.parametrize(
    "text",
    [
        "1,2,3\n4,nan,6\n",
        "1;2;3\n4;;6\n",
        "1\t2\t3\n4\tNaN\t6\n",
        "# heights\n1 2 3\n4 BAD 6\n",
        "1;2;3,0\n4;;6,0\n",
    ],
)
def test_bare_tables_of_many_kinds(tmp_path: Path, text: str) -> None:
    path = tmp_path / "m.txt"
    path.write_text(text)
    x, y, height = read_grid_text(path, step_mm=0.5, unit_mm=1e-3)
    assert np.array_equal(x, [-0.5, 0.0, 0.5])
    assert np.array_equal(y, [-0.25, 0.25])
    assert np.array_equal(height, [[0.004, np.nan, 0.006], [0.001, 0.002, 0.003]], equal_nan=True)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no map"),
        ("1,2,3\n", "1 rows"),
        ("1\n2\n", "one column"),
        ("1,2\n3\n", "1 cells in row 2, 2 in the first"),
        ("1,2\n3,high\n", "'high' in row 2, column 2"),
        ("y_mm \\ x_mm,0,1,3\n0,1,1,1\n1,1,1,1\n", "uneven places along x"),
        ("y_mm \\ x_mm,0,1\n0,1,1\n,1,1\n", "uneven places along y"),
        ("y_mm \\ x_mm,0,1\n5,1,1\n5,1,1\n", "uneven places along y"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "m.csv"
    path.write_text(text)
    with pytest.raises(RefusedError) as told:
        read_grid_text(path, step_mm=1.0)
    assert words in str(told.value)


def test_a_bare_table_needs_its_spacing(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text("1,2\n3,4\n")
    with pytest.raises(RefusedError, match="--step-mm"):
        read_grid_text(path)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(RefusedError, match="no text"):
        read_grid_text(path)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(alphabet="0123456789.,;-+e\t \nyxm_\\#nan", max_size=80))
def test_any_text_is_a_map_or_a_sentence(tmp_path: Path, text: str) -> None:
    path = tmp_path / "m.csv"
    path.write_text(text)
    try:
        x, y, height = read_grid_text(path, step_mm=1.0)
    except RefusedError:
        return
    assert height.shape == (len(y), len(x))
