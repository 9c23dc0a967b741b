"""Broken sheets and files, a few hundred of each: a result or a refusal in words, never anything else.

The long runs are in tests/bench/study_fuzz.py.
"""

from __future__ import annotations

import time
import warnings
from collections import Counter
from pathlib import Path

import fuzz_inputs
import pytest
from fuzz_files import broken, make_kinds

from surfscan.core.errors import RefusedError
from surfscan.job.sheet import load_sheet

SLOW_S = 5.0
"""For one small input; each takes milliseconds, and a busy computer is slower."""


def test_broken_sheets(tmp_path: Path) -> None:
    ends: Counter[str] = Counter()
    for seed in range(500):
        (tmp_path / "panel.toml").write_bytes(fuzz_inputs.fuzzed_sheet(seed))
        began = time.perf_counter()
        ends[fuzz_inputs.outcome_of(lambda: load_sheet(tmp_path, need_photos=False))] += 1
        assert time.perf_counter() - began < SLOW_S, seed
    assert min(ends["result"], ends["refused"]) > 25  # both ways are walked


def test_broken_files(tmp_path: Path) -> None:
    ends: Counter[str] = Counter()
    for kind in make_kinds(tmp_path):
        path = tmp_path / kind.name
        path.write_bytes(kind.good)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of decoders; what they return is what counts
            assert fuzz_inputs.outcome_of(lambda kind=kind, path=path: kind.read(path)) == "result", kind.name
            for seed in range(25):
                path.write_bytes(broken(kind, seed))
                began = time.perf_counter()
                ends[fuzz_inputs.outcome_of(lambda kind=kind, path=path: kind.read(path))] += 1
                assert time.perf_counter() - began < SLOW_S, (kind.name, seed)
    assert min(ends["result"], ends["refused"]) > 25


def test_the_harness_finds_faults() -> None:
    def bare() -> None:
        raise RefusedError("The panel is wrong")

    def fault() -> None:
        raise ZeroDivisionError

    with pytest.raises(AssertionError, match="no words for allowed, cure, found"):
        fuzz_inputs.outcome_of(bare)
    with pytest.raises(ZeroDivisionError):
        fuzz_inputs.outcome_of(fault)


def test_control_letters_of_a_sheet_are_spelled_out() -> None:
    error = RefusedError("x", found="\x1b[31mred\u202egnp.exe", allowed="a\nb", cure="c")
    assert str(error) == "x; found \\x1b[31mred\\u202egnp.exe; allowed: a b. C."
    assert "5\u202fmm" in str(RefusedError("5\u202fmm"))  # a narrow blank is no control letter
