"""Height maps are parsed in the decoder's process, held to its memory."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from surfscan.core import aside
from surfscan.core.errors import RefusedError
from surfscan.results.grid_text import write_grid_text
from surfscan.results.map_files import read_map_file


def test_a_map_that_takes_more_memory_than_it_may_is_refused_and_the_next_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small, large = tmp_path / "small.csv", tmp_path / "large.csv"
    places = np.arange(20.0)
    write_grid_text(small, np.add.outer(places, places), x_mm=places, y_mm=places)
    aside.end_aside()  # one that has read more before has room already
    large.write_text(1000 * (999 * "10," + "11\n"))
    assert read_map_file(small).height_mm[3, 4] == 7
    monkeypatch.setattr(aside, "MOST_MB", 20)  # a million words of text take 60
    with pytest.raises(RefusedError, match=r"large\.csv cannot be read; found a decoder that wanted more"):
        read_map_file(large, step_mm=1.0)
    monkeypatch.undo()
    assert read_map_file(large, step_mm=1.0).height_mm[0, 999] == 11


def test_a_map_that_is_gone_is_told_as_that(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match=r"gone\.x3p cannot be read"):
        read_map_file(tmp_path / "gone.x3p")
