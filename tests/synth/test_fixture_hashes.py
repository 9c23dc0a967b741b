"""The committed fixtures are the ones that SOURCES.md describes."""

from __future__ import annotations

import hashlib
from pathlib import Path

FIXTURES = Path(__file__).parents[2] / "fixtures"


def test_every_listed_fixture_has_its_digest() -> None:
    lines = (FIXTURES / "SHA256SUMS").read_text().splitlines()
    assert len(lines) > 20
    for line in lines:
        digest, name = line.split("  ", 1)
        assert hashlib.sha256((FIXTURES / name).read_bytes()).hexdigest() == digest, name


def test_every_job_fixture_is_listed() -> None:
    listed = {line.split("  ", 1)[1] for line in (FIXTURES / "SHA256SUMS").read_text().splitlines()}
    there = {str(p.relative_to(FIXTURES)) for p in (FIXTURES / "jobs").rglob("*") if p.is_file()}
    assert there <= listed, sorted(there - listed)
