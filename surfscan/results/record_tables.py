"""The record's tables, and how an older record becomes a present one.

Version 1 kept the maps inside the pass's row. Version 2 has them in a table of their own with their digest, so
that a list of ten thousand passes reads no map, and the photos' digests in one, so that a photo can be looked up.
"""

from __future__ import annotations

import hashlib
import json
import zlib
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
    inspect,
    select,
    text,
)
from sqlalchemy.exc import DBAPIError

__all__ = [
    "VERSION",
    "add_photos",
    "bind",
    "bond_name",
    "digest",
    "is_bound",
    "maps",
    "meta",
    "metadata",
    "passes",
    "photos",
    "prepare",
    "row_of",
    "see_version",
]

VERSION = 2
"""Version of the tables that this program writes."""

LOCK = 7_461_032
"""Number of the lock that keeps two programs from making the tables at once (PostgreSQL's advisory locks)."""

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


def prepare(connection: Connection) -> int:
    """Make the tables, or bring older ones up to date; return the version found (0 for none).

    Everything happens in the caller's transaction, so a program killed half-way leaves what was there before.

    Parameters
    ----------
    connection : Connection
        In a transaction that may write.

    Raises
    ------
    LookupError
        When the tables are of a newer version; its argument is that version.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": LOCK})
    if not inspect(connection).has_table(meta.name):
        metadata.create_all(connection)
        connection.execute(meta.insert().values(name="version", value=str(VERSION)))
        return 0
    found = int(connection.execute(select(meta.c.value).where(meta.c.name == "version")).scalar_one())
    if found > VERSION:
        raise LookupError(found)
    if found < 2:
        _to_version_2(connection)
    return found


def see_version(connection: Connection) -> None:
    """See that tables that can't be changed are of the present version.

    Raises
    ------
    LookupError
        When they are of another; its argument is that version.
    """
    found = int(connection.execute(select(meta.c.value).where(meta.c.name == "version")).scalar_one())
    if found != VERSION:
        raise LookupError(found)


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


def bond_name(number: int) -> str:
    """Name of the row of `meta` that holds a pass's bond."""
    return f"bond {number}"


def bond_of(connection: Connection, number: int) -> str:
    """SHA-256 over a pass's whole row, its photos' digests and its maps' digest."""
    row = connection.execute(select(passes).where(passes.c.id == number)).mappings().one()
    shots = connection.execute(
        select(photos.c.place, photos.c.file, photos.c.sha256)
        .where(photos.c.pass_id == number)
        .order_by(photos.c.place)
    ).all()
    packed = connection.execute(select(maps.c.sha256).where(maps.c.pass_id == number)).scalar()
    whole = [{**row}, [list(shot) for shot in shots], packed]
    return digest(
        json.dumps(whole, sort_keys=True, ensure_ascii=False, default=str).encode("utf-8", "replace")
    )


def bind(connection: Connection, number: int) -> None:
    """Keep a pass's bond, so that no row, photo or map can stand in for another unnoticed."""
    connection.execute(meta.insert().values(name=bond_name(number), value=bond_of(connection, number)))


def is_bound(connection: Connection, number: int) -> bool:
    """Whether a pass is as it was added; its columns are held against its document, those of older records too."""
    try:
        kept = connection.execute(select(meta.c.value).where(meta.c.name == bond_name(number))).scalar()
        if kept is not None:
            return bool(kept == bond_of(connection, number))
    except DBAPIError:  # a page of bonds or of photos that is lost is not the pass's own loss
        pass
    row = connection.execute(select(passes).where(passes.c.id == number)).mappings().one()
    try:
        told = row_of(
            json.loads(row["document"]),
            row["document"],
            job=row["job"],
            sheet=row["sheet"],
            added=row["added"],
        )
    except (ValueError, KeyError, TypeError, AttributeError):
        return False
    return all(row[key] == value for key, value in told.items())


def _to_version_2(connection: Connection) -> None:
    """From version 1: surfscan_pass(id, job, added, sheet, document, maps), maps as the plain bytes of height.npz."""
    old = "surfscan_pass_1"
    connection.execute(text(f"ALTER TABLE surfscan_pass RENAME TO {old}"))
    metadata.create_all(connection, tables=[passes, maps, photos])
    ids = connection.execute(text(f"SELECT id FROM {old} ORDER BY id")).scalars().all()
    for number in ids:  # one at a time: a map is megabytes
        row = connection.execute(text(f"SELECT * FROM {old} WHERE id = :id"), {"id": number}).mappings().one()
        document = json.loads(row["document"])
        values = row_of(document, row["document"], job=row["job"], sheet=row["sheet"], added=row["added"])
        connection.execute(passes.insert().values(id=number, **values))
        plain = bytes(row["maps"])
        connection.execute(
            maps.insert().values(pass_id=number, sha256=digest(plain), packed=zlib.compress(plain))
        )
        add_photos(connection, number, document)
    connection.execute(text(f"DROP TABLE {old}"))
    if connection.dialect.name == "postgresql":
        # Numbers were given, so the counter has to be told.
        connection.execute(
            text(
                "SELECT setval(pg_get_serial_sequence('surfscan_pass', 'id'),"
                " (SELECT COALESCE(MAX(id), 0) + 1 FROM surfscan_pass), false)"
            )
        )
    connection.execute(meta.update().where(meta.c.name == "version").values(value="2"))


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
