"""The rules of the contributors' guide that a program can check."""

from __future__ import annotations

import ast
import re
from importlib.util import find_spec
from pathlib import Path

import pytest
from bench.house import BODY, FILE, PARAMETERS, functions

ROOT = Path(__file__).parents[1]
FILES = sorted([*(ROOT / "surfscan").rglob("*.py"), *(ROOT / "ui").rglob("*.py")])
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

# Numbers with a name: each stands once, where its source stands.
NAMED = {
    1.96: "surfscan/core/constants.py",  # COVERAGE_FACTOR
    1.4826: "surfscan/core/robust.py",  # MAD_TO_SIGMA
}


def place(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", FILES, ids=place)
def test_files_bodies_and_signatures_are_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") <= FILE
    over = [
        f.place
        for f in functions(path, text)
        if (f.body > BODY or f.parameters > PARAMETERS) and not f.excused
    ]
    assert over == []


def test_a_number_with_a_name_stands_once() -> None:
    found = []
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            value = node.value if isinstance(node, ast.Constant) else None
            if not isinstance(value, float) or value not in NAMED or place(path) == NAMED[value]:
                continue
            found.append(f"{place(path)}:{node.lineno} {value}")
    assert found == []


def test_a_refusal_says_what_was_found_what_is_allowed_and_what_to_do() -> None:
    kinds, bare = {"RefusedError", "UsageError", "NotMeasuredError"}, []
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            given = {word.arg for word in node.keywords}
            if name in kinds and None not in given and not given >= {"found", "allowed", "cure"}:
                bare.append(f"{place(path)}:{node.lineno}")
    assert bare == []


def test_paths_in_the_contributors_guide_exist() -> None:
    """Every code quote that looks like a path, from the root, the package or the tests; every dotted name too."""
    quotes = {words.split()[0] for words in re.findall(r"`([^`\n]+)`", GUIDE)}
    paths = {q for q in quotes if re.fullmatch(r"[\w./-]*/[\w./-]*|\.?[\w-]+\.(md|py|pyi|toml)", q)}
    assert len(paths) > 40
    roots = [ROOT, ROOT / "surfscan", ROOT / "tests", ROOT / "tests" / "bench", ROOT / "tests" / "ui"]
    assert sorted(q for q in paths if not any((root / q).exists() for root in roots)) == []
    dotted = {q for q in quotes if re.fullmatch(r"surfscan(\.\w+)+", q)}
    assert sorted(q for q in dotted if find_spec(q) is None) == []
