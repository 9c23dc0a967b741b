"""The record's tables, and what a pass puts into them.

Maps are in a table of their own with their digest, so that a list of ten thousand passes reads no map, and the photos'
digests in one, so that a photo can be looked up.
"""

from __future__ import annotations

import hashlib
from typing import Any

from sqlalchemy import Column as Col
from sqlalchemy import (
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

__all__ = [
    "add_photos",
    "digest",
    "maps",
    "meta",
    "metadata",
    "passes",
    "photos",
    "row_of",
]

metadata = MetaData()

meta = Table(
    "surfscan_meta", metadata, Col("name", String(64), primary_key=True), Col("value", Text, nullable=False)
)

passes = Table(
    "surfscan_pass",
    metadata,
    Col("id", Integer, primary_key=True, autoincrement=True),
    Col("job", String(32), nullable=False),  # the job's number, "" where none was given
    Col("panel", Text, nullable=False),
    Col("stage", String(32), nullable=False),
    Col("verdict", String(32), nullable=False),
    Col("coverage", Float),
    Col("spots", Integer, nullable=False),
    Col("worst_mm", Float),  # signed peak of the spot farthest out
    Col("worst_u95_mm", Float),
    Col("started", String(40), nullable=False),  # when the check ran, ISO 8601 in UTC, as the result says
    Col("added", String(40), nullable=False),
    Col("program", String(64), nullable=False),
    Col("sheet", Text, nullable=False),  # panel.toml as it was; "" where the map came without one
    Col("document", Text, nullable=False),  # result.json as it was
    Col("document_sha256", String(64), nullable=False),
    Index("surfscan_pass_job_panel", "job", "panel"),
    sqlite_autoincrement=True,  # a forgotten pass's number is not given out again
)

maps = Table(
    "surfscan_maps",
    metadata,
    Col("pass_id", Integer, ForeignKey("surfscan_pass.id", ondelete="CASCADE"), primary_key=True),
    Col("sha256", String(64), nullable=False),  # of height.npz as it was
    Col("packed", LargeBinary, nullable=False),  # height.npz under zlib
)

photos = Table(
    "surfscan_photo",
    metadata,
    Col("pass_id", Integer, ForeignKey("surfscan_pass.id", ondelete="CASCADE"), primary_key=True),
    Col("place", Integer, primary_key=True),
    Col("file", Text, nullable=False),
    Col("sha256", String(64), nullable=False, index=True),
)


def digest(data: bytes) -> str:
    """SHA-256 in hexadecimal."""
    return hashlib.sha256(data).hexdigest()


def row_of(document: dict[str, Any], text_of_it: str, *, job: str, sheet: str, added: str) -> dict[str, Any]:
    """The pass's row: what a list shows, and the document itself."""
    spots = document["spots"]
    worst = max(spots, key=lambda spot: abs(spot["peak_mm"]), default=None)
    return {
        "job": job,
        "panel": str(document["panel"].get("name") or ""),
        "stage": str(document["panel"].get("stage") or ""),
        "verdict": document["verdict"],
        "coverage": document["coverage"],
        "spots": len(spots),
        "worst_mm": None if worst is None else worst["peak_mm"],
        "worst_u95_mm": None if worst is None else worst["u95_mm"],
        "started": str(document["run"].get("started") or ""),
        "added": added,
        "program": str(document["run"].get("surfscan") or ""),
        "sheet": sheet,
        "document": text_of_it,
        "document_sha256": digest(text_of_it.encode()),
    }


def add_photos(connection: Connection, number: int, document: dict[str, Any]) -> None:
    """The photos' digests of one pass."""
    rows = [
        {
            "pass_id": number,
            "place": k,
            "file": str(row.get("file", "")),
            "sha256": str(row.get("sha256", "")),
        }
        for k, row in enumerate(document["photos"])
    ]
    if rows:
        connection.execute(photos.insert(), rows)
