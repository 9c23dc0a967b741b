"""Records of versions 1 and 2, as their programs would have written them: own tables and words, nothing of today's."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Collection, Mapping
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


TABLES_2 = (
    "CREATE TABLE surfscan_meta (name VARCHAR(64) PRIMARY KEY, value TEXT NOT NULL)",
    "CREATE TABLE surfscan_pass (id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, job VARCHAR(32) NOT NULL,"
    " panel TEXT NOT NULL, stage VARCHAR(32) NOT NULL, verdict VARCHAR(32) NOT NULL, coverage FLOAT,"
    " spots INTEGER NOT NULL, worst_mm FLOAT, worst_u95_mm FLOAT, started VARCHAR(40) NOT NULL,"
    " added VARCHAR(40) NOT NULL, program VARCHAR(64) NOT NULL, sheet TEXT NOT NULL, document TEXT NOT NULL,"
    " document_sha256 VARCHAR(64) NOT NULL)",
    "CREATE INDEX surfscan_pass_job_panel ON surfscan_pass (job, panel)",
    "CREATE TABLE surfscan_maps (pass_id INTEGER PRIMARY KEY NOT NULL REFERENCES surfscan_pass (id)"
    " ON DELETE CASCADE, sha256 VARCHAR(64) NOT NULL, packed BLOB NOT NULL)",
    "CREATE TABLE surfscan_photo (pass_id INTEGER NOT NULL REFERENCES surfscan_pass (id) ON DELETE CASCADE,"
    " place INTEGER NOT NULL, file TEXT NOT NULL, sha256 VARCHAR(64) NOT NULL, PRIMARY KEY (pass_id, place))",
    "CREATE INDEX ix_surfscan_photo_sha256 ON surfscan_photo (sha256)",
)
"""SQLite's."""


def write_version_2(
    engine: Engine, folders: Mapping[int, Path], *, bound: Collection[int], once: Mapping[int, str]
) -> None:
    """Make the tables of version 2 and put folders in under the given numbers; the first programs bound nothing."""
    with engine.begin() as connection:

        def put(table: str, row: Mapping[str, object]) -> None:
            names = ", ".join(f":{name}" for name in row)
            connection.execute(text(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({names})"), dict(row))

        for statement in TABLES_2:
            connection.execute(text(statement))
        put("surfscan_meta", {"name": "version", "value": "2"})
        for number, folder in folders.items():
            told, plain = (folder / "result.json").read_text(), (folder / "height.npz").read_bytes()
            document = json.loads(told)
            spots = document["spots"]
            worst = max(spots, key=lambda spot: abs(spot["peak_mm"]), default={})
            row = {
                "id": number,
                "job": "4711",
                "panel": document["panel"].get("name") or "",
                "stage": document["panel"].get("stage") or "",
                "verdict": document["verdict"],
                "coverage": document["coverage"],
                "spots": len(spots),
                "worst_mm": worst.get("peak_mm"),
                "worst_u95_mm": worst.get("u95_mm"),
                "started": document["run"].get("started") or "",
                "added": "2026-01-05T10:00:00+00:00",
                "program": document["run"].get("surfscan") or "",
                "sheet": "[panel]\n",
                "document": told,
                "document_sha256": hashlib.sha256(told.encode()).hexdigest(),
            }
            maps_sum = hashlib.sha256(plain).hexdigest()
            put("surfscan_pass", row)
            put("surfscan_maps", {"pass_id": number, "sha256": maps_sum, "packed": zlib.compress(plain)})
            shots = [[k, shot["file"], shot["sha256"]] for k, shot in enumerate(document["photos"])]
            for place, file, sha256 in shots:
                put("surfscan_photo", {"pass_id": number, "place": place, "file": file, "sha256": sha256})
            if number in once:
                put("surfscan_meta", {"name": f"once {once[number]}", "value": str(number)})
            if number in bound:
                whole = json.dumps([row, shots, maps_sum], sort_keys=True, ensure_ascii=False, default=str)
                bond = hashlib.sha256(whole.encode("utf-8", "replace")).hexdigest()
                put("surfscan_meta", {"name": f"bond {number}", "value": bond})
