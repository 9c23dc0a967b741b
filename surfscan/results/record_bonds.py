"""What holds the rows of one pass together: a digest over all of them, kept in a row of its own.

A bond is "DIGEST KEY"; the key is what the pass was added under once, or nothing. In version 2 it was the digest alone,
over the same rows, and a pass could be without.
"""

from __future__ import annotations

import json

from sqlalchemy import Connection, delete, select
from sqlalchemy.exc import DBAPIError

from surfscan.results.record_keys import known_as
from surfscan.results.record_tables import digest, maps, meta, passes, photos, row_of

__all__ = ["bind", "is_bound", "unbind"]


def _name(number: int) -> str:
    """Name of the row of `meta` that holds a pass's bond."""
    return f"bond {number}"


def _bond_of(connection: Connection, number: int, *key: str) -> str:
    """SHA-256 over a pass's whole row, its photos' digests, its maps' digest, and its key."""
    row = connection.execute(select(passes).where(passes.c.id == number)).mappings().one()
    shots = connection.execute(
        select(photos.c.place, photos.c.file, photos.c.sha256)
        .where(photos.c.pass_id == number)
        .order_by(photos.c.place)
    ).all()
    packed = connection.execute(select(maps.c.sha256).where(maps.c.pass_id == number)).scalar()
    whole = [{**row}, [list(shot) for shot in shots], packed, *key]
    return digest(
        json.dumps(whole, sort_keys=True, ensure_ascii=False, default=str).encode("utf-8", "replace")
    )


def bind(connection: Connection, number: int, *, key: str) -> None:
    """Keep a pass's bond, so that no row, photo, map or key can stand in for another unnoticed."""
    unbind(connection, number)
    value = f"{_bond_of(connection, number, key)} {key}"
    connection.execute(meta.insert().values(name=_name(number), value=value))


def unbind(connection: Connection, number: int) -> None:
    """Take the bond of a pass away, which is about to go."""
    connection.execute(delete(meta).where(meta.c.name == _name(number)))


def is_bound(connection: Connection, number: int) -> bool:
    """Whether a pass is as it was added; one of version 2 without a bond is held against its own document."""
    try:
        version = connection.execute(select(meta.c.value).where(meta.c.name == "version")).scalar()
        kept = connection.execute(select(meta.c.value).where(meta.c.name == _name(number))).scalar()
        if kept is None:
            return version == "2" and _fits_document(connection, number)
        bond, spaced, key = str(kept).partition(" ")
        if not spaced:
            return version == "2" and bond == _bond_of(connection, number)
        return bond == _bond_of(connection, number, key) and (not key or known_as(connection, key) == number)
    except DBAPIError:  # a page of bonds or of photos that is lost is not the pass's own loss
        return _fits_document(connection, number)


def _fits_document(connection: Connection, number: int) -> bool:
    """Whether a pass's columns are what its document says."""
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
