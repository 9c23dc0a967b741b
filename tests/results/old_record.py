"""A record of version 1, as its program would have written it: its own tables and words, nothing of today's."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Engine, text

TABLES = {
    "sqlite": (
        "CREATE TABLE surfscan_meta (name VARCHAR(64) PRIMARY KEY, value TEXT NOT NULL)",
        "CREATE TABLE surfscan_pass (id INTEGER PRIMARY KEY AUTOINCREMENT, job VARCHAR(32) NOT NULL,"
        " added VARCHAR(40) NOT NULL, sheet TEXT NOT NULL, document TEXT NOT NULL, maps BLOB NOT NULL)",
    ),
    "postgresql": (
        "CREATE TABLE surfscan_meta (name VARCHAR(64) PRIMARY KEY, value TEXT NOT NULL)",
        "CREATE TABLE surfscan_pass (id SERIAL PRIMARY KEY, job VARCHAR(32) NOT NULL,"
        " added VARCHAR(40) NOT NULL, sheet TEXT NOT NULL, document TEXT NOT NULL, maps BYTEA NOT NULL)",
    ),
}


def write_version_1(engine: Engine, folders: dict[int, Path], *, job: str = "4711") -> None:
    """Make the tables of version 1 and put folders in under the given numbers."""
    with engine.begin() as connection:
        for statement in TABLES[engine.dialect.name]:
            connection.execute(text(statement))
        connection.execute(text("INSERT INTO surfscan_meta VALUES ('version', '1')"))
        for number, folder in folders.items():
            connection.execute(
                text("INSERT INTO surfscan_pass VALUES (:id, :job, :added, :sheet, :document, :maps)"),
                {
                    "id": number,
                    "job": job,
                    "added": "2026-01-05T10:00:00+00:00",
                    "sheet": "[panel]\n",
                    "document": (folder / "result.json").read_text(),
                    "maps": (folder / "height.npz").read_bytes(),
                },
            )
