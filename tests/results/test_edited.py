"""Edited results through every command that reads one: a result, or a refusal in words; never a fault of ours."""

from __future__ import annotations

import warnings
from collections import Counter
from pathlib import Path

from fuzz_results import COMMANDS, make_base, run_edited


def test_an_edited_result_is_read_or_refused_in_words(tmp_path: Path) -> None:
    base, ends = make_base(tmp_path), Counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of NumPy on strange numbers
        for seed in range(len(COMMANDS)):
            came = run_edited(base, seed)
            assert not came.is_fault, (seed, came)
            ends[came.status == 3] += 1
    assert min(ends.values()) > 1  # both ways are walked
