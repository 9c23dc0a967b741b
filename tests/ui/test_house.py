"""How the page is built: public names only, readable colours, large targets, and whole in a wheel."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from importlib.util import find_spec
from pathlib import Path

import pytest

import surfscan
from surfscan.cli.page import find_page
from surfscan.report.colours import HIGH_INK, LOW_INK

UI = find_page().parent
REPOSITORY = Path(__file__).parents[2]
FILES = sorted(UI.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(UI)))
def test_the_page_uses_what_others_may_use(path: Path) -> None:
    """Names of the top level by `surfscan.name`, all others from the room they live in, and no private one."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    wrong = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("surfscan."):
            wrong += [alias.name for alias in node.names if alias.name.startswith("_")]
            assert find_spec(str(node.module)) is not None, node.module
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            wrong += [node.attr] if node.value.id == "surfscan" and node.attr not in surfscan.__all__ else []
    assert wrong == []


def test_files_are_short_and_the_router_is_a_few_dozen_lines() -> None:
    assert all(len(path.read_text(encoding="utf-8").splitlines()) <= 500 for path in FILES)
    assert len((UI / "app.py").read_text(encoding="utf-8").splitlines()) <= 48


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2."""
    value = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in value]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_computed_right() -> None:
    # WCAG 2.2: black on white is 21, #767676 on white is 4.54, the lightest grey that passes
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("shade", ["light", "dark"])
def test_the_themes_colours_can_be_read(shade: str) -> None:
    """Text 4.5 to 1 and more (WCAG 2.2, 1.4.3), lines of controls 3 to 1 (1.4.11)."""
    theme = tomllib.loads((UI / ".streamlit" / "config.toml").read_text())["theme"][shade]
    css = (UI / "page.css").read_text()
    for ground in (theme["backgroundColor"], theme["secondaryBackgroundColor"]):
        assert contrast(theme["textColor"], ground) >= 7  # in sun
        assert contrast(theme["primaryColor"], ground) >= 4.5
        assert contrast(theme["linkColor"], ground) >= 4.5
        assert contrast(theme["borderColor"], ground) >= 3
        for name in ("low", "high"):
            pair = re.search(rf"--{name}: light-dark\((#\w+), (#\w+)\)", css)
            assert pair is not None
            assert contrast(pair[1 if shade == "light" else 2], ground) >= 4.5
    button = re.search(r"BaseButton-primary.*light-dark\((#\w+), (#\w+)\)", css)
    assert button is not None
    assert contrast(button[1 if shade == "light" else 2], theme["primaryColor"]) >= 4.5


def test_the_marks_colours_are_the_reports_and_can_be_told_apart() -> None:
    css, js = (UI / "page.css").read_text(), (UI / "picture.js").read_text()
    for name, ink in (("low", LOW_INK), ("high", HIGH_INK)):
        assert f'{name}: "#{bytes(ink).hex()}"' in js
        assert f"--{name}: light-dark(#{bytes(ink).hex()}" in css
    verdict = re.search(r"\.verdict \{[^}]*background: (#\w+); color: (#\w+)", css)
    assert verdict is not None
    assert contrast(verdict[1], "#ffffff") >= 7


def test_no_thing_outside_is_loaded() -> None:
    for path in [*FILES, *UI.glob("*.js"), *UI.glob("*.css")]:
        found = re.findall(r"https?://[^\s\"')]+", path.read_text(encoding="utf-8"))
        assert [url for url in found if "www.w3.org/2000/svg" not in url] == [], path


def test_a_wheel_has_the_page_under_the_packages_name(tmp_path: Path) -> None:
    """Built from a copy of what the repository holds, so that no build folder is left in the clone."""
    if not (REPOSITORY / "setup.py").is_file():
        pytest.fail("the tests run from a clone")
    source = tmp_path / "source"
    source.mkdir()
    skip = shutil.ignore_patterns("__pycache__", "*.egg-info", "demo", "fonts")
    for name in ("surfscan", "ui"):
        shutil.copytree(REPOSITORY / name, source / name, ignore=skip)
    for name in ("setup.py", "pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(REPOSITORY / name, source / name)
    code = "import setuptools.build_meta as b, sys; print(b.build_wheel(sys.argv[1]))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], cwd=source, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    wheel = next(tmp_path.glob("*.whl"))
    names = zipfile.ZipFile(wheel).namelist()
    here = {f"surfscan/ui/{path.relative_to(UI).as_posix()}" for path in FILES}
    here |= {
        f"surfscan/ui/{name}" for name in (".streamlit/config.toml", "picture.js", "picture.css", "page.css")
    }
    here |= {"surfscan/py.typed", "surfscan/__init__.pyi", "surfscan/data/guide/more-ways.md"}
    assert here <= set(names)
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"surfscan"}
