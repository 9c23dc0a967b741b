"""The Python interface: what is at the top, that it loads fast, that its examples run, how results show themselves."""

from __future__ import annotations

import doctest
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import surfscan
from surfscan.report.notebook import result_html

FIXTURES = Path(__file__).resolve().parents[1] / "fixtures"
TOP = [
    "CheckResult",
    "Comparison",
    "Grid",
    "HeightMap",
    "Instruments",
    "Judgement",
    "LensSolution",
    "Limits",
    "NotMeasuredError",
    "RefusedError",
    "Sheet",
    "Spot",
    "StoredResult",
    "SurfscanError",
    "UsageError",
    "__version__",
    "calibrate_lens",
    "check",
    "check_map",
    "compare",
    "default_limits",
    "join",
    "judge_map",
    "load_result",
    "load_sheet",
    "write_result",
]
FUNCTIONS = [name for name in TOP if name[0].islower()]


@pytest.fixture(scope="module")
def result() -> surfscan.CheckResult:
    return surfscan.check(FIXTURES / "jobs" / "flat")


@pytest.fixture(scope="module")
def views() -> list[surfscan.CheckResult]:
    """Two maps of one panel of 400 x 240 mm with a low of 0.2 mm where they overlap."""
    y, x = np.mgrid[-120:121:2, -200:201:2]
    whole = -0.2 * 0.5 ** ((x**2 + y**2) / 30**2) + np.random.default_rng(5).normal(0, 1e-4, x.shape)
    made = []
    for columns, middle in ((slice(0, 141), -60.0), (slice(60, 201), 60.0)):
        one = surfscan.check_map(whole[:, columns], step_mm=2, stage="primer", u_mm=0.002)
        made.append(replace(one, panel={**one.panel, "origin_mm": [middle, 0.0]}))
    return made


def test_public_names_are_these_and_all_load() -> None:
    assert sorted(surfscan.__all__) == TOP
    for name in TOP:
        assert getattr(surfscan, name) is not None
    with pytest.raises(AttributeError, match="nothing_like_it"):
        surfscan.nothing_like_it  # noqa: B018


def test_no_public_name_is_also_a_room() -> None:
    """An import of a room sets the package's attribute of that name: the function would be gone."""
    rooms = {path.name for path in Path(surfscan.__file__).parent.iterdir() if path.is_dir()}
    assert rooms.isdisjoint(surfscan.__all__)


def test_importing_is_fast() -> None:
    """Under 0.1 s over the interpreter's own start, by the fastest of some runs."""

    def fastest(code: str) -> float:
        times = []
        for _ in range(4):
            began = time.perf_counter()
            subprocess.run([sys.executable, "-c", code], check=True)
            times.append(time.perf_counter() - began)
        return min(times)

    bare = fastest("pass")
    # 0.1 s is asked of an idle machine; where the bare start itself is slowed by others, as many times that.
    assert fastest("import surfscan") < bare + max(0.1, 2 * bare)


@pytest.fixture
def names(result: surfscan.CheckResult, views: list[Any], tmp_path: Path) -> dict[str, Any]:
    return {
        "surfscan": surfscan,
        "np": np,
        "replace": replace,
        "fixtures": FIXTURES,
        "jobs": FIXTURES / "jobs",
        "result": result,
        "views": views,
        "out": tmp_path / "result",
    }


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_examples_run(name: str, names: dict[str, Any]) -> None:
    found = doctest.DocTestFinder(recurse=False).find(getattr(surfscan, name), name, globs=names)
    assert sum(len(test.examples) for test in found) > 0, "no example"
    said: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
    for test in found:
        runner.run(test, out=said.append)
    assert runner.failures == 0, "".join(said)


def test_a_result_shows_itself_in_a_few_lines(result: surfscan.CheckResult, tmp_path: Path) -> None:
    assert len(repr(result)) < 600
    assert "rework" in repr(result)
    assert "-0.2" in repr(result)
    surfscan.write_result(tmp_path, result)
    assert repr(surfscan.load_result(tmp_path)).startswith("<StoredResult")


def test_a_notebook_shows_picture_and_table(result: surfscan.CheckResult, tmp_path: Path) -> None:
    shown = result._repr_html_()
    assert shown == result_html(result)
    assert shown.count("<tr>") == len(result.spots) + 1
    assert "data:image/jpeg;base64," in shown
    assert not re.search(r"https?:|<script", shown)
    surfscan.write_result(tmp_path, result)
    assert "data:image/jpeg" in surfscan.load_result(tmp_path)._repr_html_()
    wicked = replace(result, sentence="<script>", spots=(replace(result.spots[0], action="<b> & more"),))
    shown = wicked._repr_html_()
    assert "<script>" not in shown
    assert "&lt;b&gt; &amp; more" in shown


def test_arrays_are_judged_as_their_file_is(tmp_path: Path) -> None:
    y, x = np.mgrid[-60:61:2.0, -80:81:2.0]
    low = -0.2 * 0.5 ** ((x**2 + y**2) / 20**2)
    np.savetxt(tmp_path / "low.csv", low, delimiter=",")
    given = {"stage": "primer", "u_mm": 0.002, "step_mm": 2.0}
    one, other = surfscan.check_map(low, **given), surfscan.check_map(tmp_path / "low.csv", **given)
    assert [s.peak_mm for s in one.spots] == pytest.approx([s.peak_mm for s in other.spots], rel=1e-9)
    assert one.verdict == other.verdict == "rework"
    for wrong, match in (({"step_mm": None}, "spacing"), ({"u_mm": 0.0}, "uncertainty")):
        with pytest.raises(surfscan.RefusedError, match=match):
            surfscan.check_map(low, **{**given, **wrong})
    with pytest.raises(surfscan.RefusedError, match="no map"):
        surfscan.check_map(low[0], **given)
    assert low.flags.writeable, "the caller's array is left alone"
