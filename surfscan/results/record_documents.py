"""Every document of a record, one after the other, for who sums them up: no map is read, and memory does not grow."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.exc import DBAPIError

from surfscan.results.record import LISTED, Pass, open_record
from surfscan.results.record_engine import open_engine, unusable
from surfscan.results.record_tables import digest, passes

__all__ = ["read_documents"]

_BATCH = 100


def read_documents(where: Path | str) -> Iterator[tuple[Pass, str]]:
    """Every pass of a record with its `result.json`, earliest added first; a damaged one is left out.

    Each batch is a transaction of its own, so that writers are not held up.

    Parameters
    ----------
    where : path or str
        A file for SQLite, or an SQLAlchemy URL.

    Raises
    ------
    RefusedError
        When the record can't be used.
    """
    open_record(where).close()  # it is a record that this version can use, or becomes one
    engine, name = open_engine(where)
    last = 0
    try:
        while True:
            query = select(*LISTED, passes.c.document, passes.c.document_sha256).where(passes.c.id > last)
            with engine.connect() as connection:
                rows = connection.execute(query.order_by(passes.c.id).limit(_BATCH)).mappings().all()
            for row in rows:
                if digest(row["document"].encode()) == row["document_sha256"]:
                    yield Pass(**{column.name: row[column.name] for column in LISTED}), row["document"]
            if len(rows) < _BATCH:
                return
            last = rows[-1]["id"]
    except DBAPIError as error:
        raise unusable(name, error) from None
    finally:
        engine.dispose()
