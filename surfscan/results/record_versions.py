"""How an older record becomes a present one, in the transaction that finds it.

Version 1 kept the maps inside the pass's row. Version 2 has them and the photos' digests in tables of their own. In
version 3 every pass has a bond, over the key too that it was added under, so that one without is damaged.
"""

from __future__ import annotations

import json
import zlib

from sqlalchemy import Connection, inspect, select, text
from sqlalchemy.exc import DBAPIError

from surfscan.results.record_bonds import bind, is_bound
from surfscan.results.record_engine import is_damage
from surfscan.results.record_keys import key_of_passes
from surfscan.results.record_tables import add_photos, digest, maps, meta, metadata, passes, photos, row_of

__all__ = ["VERSION", "prepare", "see_version"]

VERSION = 3
"""Version of the tables that this program writes."""

READ = (2, VERSION)
"""Versions that are read as they are, where nothing can be changed."""

LOCK = 7_461_032
"""Number of the lock that keeps two programs from making the tables at once (PostgreSQL's advisory locks)."""


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
    if found < 3:
        _to_version_3(connection)
    return found


def see_version(connection: Connection) -> None:
    """See that tables that can't be changed are of a version that is read as it is.

    Raises
    ------
    LookupError
        When they are of another; its argument is that version.
    """
    found = int(connection.execute(select(meta.c.value).where(meta.c.name == "version")).scalar_one())
    if found not in READ:
        raise LookupError(found)


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


def _to_version_3(connection: Connection) -> None:
    """From version 2, where a pass may have no bond, and none covers a key."""
    keys = key_of_passes(connection)
    try:
        numbers = connection.execute(select(passes.c.id).order_by(passes.c.id)).scalars().all()
        for number in numbers:
            if is_bound(connection, number):  # what is not stays as it is, and is told when it is read
                bind(connection, number, key=keys.get(number, ""))
    except DBAPIError as error:
        if connection.dialect.name != "sqlite" or not is_damage(error):
            raise
        return  # a damaged file: what can still be read is read as version 2
    connection.execute(meta.update().where(meta.c.name == "version").values(value="3"))
