"""The direction of imports, read from the source: a file imports only from above its own line."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import surfscan

SOURCE = Path(surfscan.__file__).parent
GUIDE = SOURCE.parent / "DEVELOPERS.md"


def rooms_of(guide: str) -> list[set[str]]:
    """The layers, top to bottom, from the table under "The rooms" of the contributors' guide.

    One row is one layer: its rooms, the names in code quotes of the first column, do not import each other, except
    as ALLOWED says.
    """
    rows = guide.split("\n### The rooms\n")[1].split("\n#")[0].splitlines()
    first = [row.split("|")[1] for row in rows if row.startswith("| `")]
    return [set(re.findall(r"`(\w+)`", cell)) for cell in first]


LAYERS = rooms_of(GUIDE.read_text(encoding="utf-8"))
ALLOWED = {("surface", "optics")}
# Readers get plain arrays and a context: the sheet stops at checking/.
NEVER = {("reading", "job"), ("optics", "job"), ("phase", "job"), ("surface", "job"), ("shading", "job")}
# A result in a notebook is drawn by the report, found by name when the notebook asks: the one look down the table.
LOOKS_DOWN = {("core/showing.py", "report")}
# The package's own front door loads names on first use; it has no layer.
FRONT = "__init__"
# Known surfaces may use these and nothing else, and no room that measures may use them.
SYNTH_MAY_USE = {"version", "core", "optics", "synth"}
SYNTH_USERS = {"synth", "report", "plan", "guide", "teach", "cli"}


def layer_of(part: str) -> int:
    return next(k for k, names in enumerate(LAYERS) if part in names)


def part_of(path: Path) -> str:
    first = path.relative_to(SOURCE).parts[0]
    return first.removesuffix(".py")


def imports(source: str) -> list[tuple[int, str]]:
    """Every part of the package named by an import anywhere in a file, late ones too, with its line."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the direction"
            if node.module == "surfscan":
                found += [(node.lineno, alias.name) for alias in node.names]
            elif (node.module or "").startswith("surfscan."):
                found.append((node.lineno, str(node.module).split(".")[1]))
        elif isinstance(node, ast.Import):
            found += [
                (node.lineno, alias.name.split(".")[1])
                for alias in node.names
                if alias.name.startswith("surfscan.")
            ]
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "import_module":
            named = [a.value for a in node.args if isinstance(a, ast.Constant)]
            found += [
                (node.lineno, str(name).split(".")[1]) for name in named if str(name).startswith("surfscan.")
            ]
    return found


def complaint(part: str, used: str) -> str:
    """What is wrong with `part` importing `used`; empty when nothing is."""
    if part == used:
        return ""
    if part == "synth" and used not in SYNTH_MAY_USE:
        return f"synth may not use {used}"
    if used == "synth" and part not in SYNTH_USERS:
        return f"{part} may not use known surfaces"
    if (part, used) in NEVER:
        return f"{part} may not use {used}"
    if layer_of(used) < layer_of(part) or (part, used) in ALLOWED:
        return ""
    return f"{part} may not import {used}"


FILES = sorted(path for path in SOURCE.rglob("*.py") if "data" not in path.relative_to(SOURCE).parts)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(SOURCE)))
def test_a_file_imports_only_from_above(path: Path) -> None:
    part = part_of(path)
    if part == FRONT:
        return
    wrong = [
        f"line {line}: {complaint(part, used)}"
        for line, used in imports(path.read_text())
        if complaint(part, used) and (path.relative_to(SOURCE).as_posix(), used) not in LOOKS_DOWN
    ]
    assert wrong == []


def test_every_part_has_a_layer_and_every_rule_bites() -> None:
    parts = {part_of(path) for path in FILES} - {FRONT}
    assert parts == set().union(*LAYERS)
    assert sum(map(len, LAYERS)) == len(parts), "a room stands in two rows"
    assert complaint("phase", "checking") == "phase may not import checking"
    assert complaint("phase", "optics") == "phase may not import optics"
    assert complaint("surface", "optics") == ""
    assert complaint("reading", "job") == "reading may not use job"
    assert complaint("checking", "synth") == "checking may not use known surfaces"
    assert complaint("synth", "phase") == "synth may not use phase"
    assert imports("import_module('surfscan.report.notebook')") == [(1, "report")]
    assert imports("def f():\n    from surfscan.report.table import x\n    import surfscan.cli") == [
        (2, "report"),
        (3, "cli"),
    ]


def test_the_root_is_only_a_door() -> None:
    assert {path.name for path in SOURCE.glob("*.py")} == {"__init__.py", "__main__.py", "version.py"}


def test_no_stage_prints_or_opens_windows() -> None:
    talking = {"cli", "__main__"}
    for path in FILES:
        if part_of(path) in talking:
            continue
        calls = [
            node.lineno
            for node in ast.walk(ast.parse(path.read_text()))
            if isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in ("print", "input")
        ]
        assert calls == [], path


def test_importing_the_package_and_the_command_loads_no_heavy_library() -> None:
    code = "import sys, surfscan, surfscan.cli; print(*sorted(m for m in sys.modules if '.' not in m))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    heavy = {
        "numpy",
        "scipy",
        "cv2",
        "skimage",
        "pydantic",
        "PIL",
        "pillow_heif",
        "tifffile",
        "matplotlib",
        "mitsuba",
        "sqlalchemy",
    }
    assert heavy & set(done.stdout.split()) == set()


def test_a_run_loads_no_plot_or_page_library() -> None:
    code = "import sys, surfscan.checking.pipeline, surfscan.report.export; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert {"matplotlib", "streamlit", "mitsuba"} & loaded == set()
