"""Long functions, wide signatures, long files: what of the package is past the house rules.

    python tests/bench/house.py [FOLDER ...]

Without folders the whole package is measured. A body's lines run from its first statement after the docstring to its
last line. Exit 1 when a function or file is over and no comment says why ("house:" on the line of its `def`).
"""

from __future__ import annotations

import argparse
import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

BODY, PARAMETERS, FILE = 60, 7, 400
"""Most lines of a body, most parameters, most lines of a file."""

REASON = "house:"
"""A comment with this word, from `def` to the end of the signature, says why a function may be over."""

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Function:
    place: str
    body: int
    parameters: int
    excused: bool


def functions(path: Path, text: str) -> Iterator[Function]:
    lines = text.splitlines()
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        first = node.body[0]
        documented = isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant)
        body = node.body[1:] if documented and len(node.body) > 1 else node.body
        head = lines[node.lineno - 1 : first.lineno - 1] or [lines[node.lineno - 1]]
        asked = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
        yield Function(
            f"{path.relative_to(ROOT)}:{node.lineno} {node.name}",
            (body[-1].end_lineno or 0) - body[0].lineno + 1,
            sum(arg.arg not in ("self", "cls") for arg in asked),
            any("#" in line and REASON in line for line in head),
        )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="*")
    asked = parser.parse_args()
    folders = [folder.resolve() for folder in asked.folders] or [ROOT / "surfscan", ROOT / "ui"]
    paths = sorted(
        {p for folder in folders for p in ([folder] if folder.is_file() else folder.rglob("*.py"))}
    )
    texts = {path: path.read_text(encoding="utf-8") for path in paths}
    every = [f for path, text in texts.items() for f in functions(path, text)]
    long = [f for f in every if f.body > BODY]
    wide = [f for f in every if f.parameters > PARAMETERS]
    files = {path: text.count("\n") for path, text in texts.items()}
    big = {path: count for path, count in files.items() if count > FILE}
    for title, found in ((f"bodies over {BODY} lines", long), (f"over {PARAMETERS} parameters", wide)):
        print(f"{title}: {len(found)} of {len(every)} ({100 * len(found) / max(len(every), 1):.1f} %)")
        for f in sorted(found, key=lambda f: -f.body if found is long else -f.parameters):
            print(f"    {f.body if found is long else f.parameters:4} {f.place}{'  (said why)' * f.excused}")
    print(f"files over {FILE} lines: {len(big)} of {len(files)}")
    for path, count in sorted(big.items(), key=lambda row: -row[1]):
        print(f"    {count:4} {path.relative_to(ROOT)}")
    print(f"lines: {sum(files.values())} in {len(files)} files")
    return bool(big) or any(not f.excused for f in [*long, *wide])


if __name__ == "__main__":
    sys.exit(main())
