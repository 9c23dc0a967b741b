"""Write fixtures/SHA256SUMS: the digest of every file under fixtures/ but itself and SOURCES.md.

python tests/renders/list_hashes.py
"""

import hashlib
from pathlib import Path

FIXTURES = Path(__file__).parents[2] / "fixtures"


def main() -> None:
    files = sorted(
        p for p in FIXTURES.rglob("*") if p.is_file() and p.name not in ("SHA256SUMS", "SOURCES.md")
    )
    lines = [
        f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(FIXTURES).as_posix()}\n" for p in files
    ]
    (FIXTURES / "SHA256SUMS").write_text("".join(lines))


if __name__ == "__main__":
    main()
