"""The audit of `.ci/audit`: what is in the repository passes, and what is not as it should be is told."""

from __future__ import annotations

import shutil
import tomllib
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    loader = SourceFileLoader("audit", str(ROOT / ".ci/audit"))
    made = module_from_spec(spec_from_loader("audit", loader))  # type: ignore[arg-type]
    loader.exec_module(made)
    return made


def test_pins_bill_and_licences_fit(audit: ModuleType) -> None:
    assert audit.faults(ROOT / ".ci", PROJECT) == []


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("requirements.txt", "--hash=sha256:", "--hash=md5:", "pinned without a digest"),
        ("requirements.txt", "numpy==", "numpy==0.", "pinned for run is 0."),
        ("requirements-test.txt", "pytest==", "pytest==0.", "pinned for test is 0."),
        ("bom.json", '"name": "numpy"', '"name": "numbers"', "does not list what is pinned"),
        ("bom.json", "LGPL-3.0-or-later", "AGPL-3.0-or-later", "licence AGPL-3.0-or-later"),
        ("audit.toml", 'pillow = ["11.3.0"', 'pillow = ["9999"', "pillow"),
    ],
)
def test_what_is_wrong_is_told(
    audit: ModuleType, tmp_path: Path, file: str, old: str, new: str, says: str
) -> None:
    for name in ("requirements.txt", "requirements-test.txt", "bom.json", "audit.toml"):
        shutil.copy(ROOT / ".ci" / name, tmp_path)
    text = (tmp_path / file).read_text()
    assert old in text
    (tmp_path / file).write_text(text.replace(old, new))
    assert any(says in line for line in audit.faults(tmp_path, PROJECT))
