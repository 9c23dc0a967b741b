"""The database under a record: its address, SQLite's settings, one transaction that writes, what went wrong."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL, Connection, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError

from surfscan.core.errors import RefusedError

__all__ = [
    "damaged",
    "is_damage",
    "of_another_version",
    "only_to_read",
    "open_engine",
    "read_only",
    "unusable",
    "writing",
]

PATIENCE_S = 20.0
"""How long a writer waits for another: eight bays that finish at once take a second or two."""

_CURE = "take the record from a copy, or start a new one; passes that can still be read stay readable"


def open_engine(where: Path | str) -> tuple[Engine, str]:
    """The engine of a file (SQLite) or an SQLAlchemy URL, and its name for messages, without a password.

    Raises
    ------
    RefusedError
        For an address that can't be read, a folder, or a missing driver.
    """
    url, name = _url(where)
    sqlite_file = url.get_backend_name() == "sqlite"
    given: dict[str, Any] = {"connect_args": {"timeout": PATIENCE_S}} if sqlite_file else {}
    fixed = sqlite_file and bool(url.database) and _is_fixed(Path(str(url.database)))
    if sqlite_file and url.database:
        _see_ours(Path(url.database), name)
        if fixed:
            given = {"creator": _reader(Path(url.database))}
    try:
        engine = create_engine(url, **given)
    except (ModuleNotFoundError, NoSuchModuleError) as error:
        raise RefusedError(
            f"The record {name} cannot be opened",
            found=f"no driver for {url.drivername} ({error})",
            cure="install it, for PostgreSQL: pip install 'psycopg[binary]'",
            allowed="SQLite, or a database whose driver is installed",
        ) from None
    if sqlite_file and not fixed:
        _set_up_sqlite(engine)
    return engine, name


def only_to_read(engine: Engine) -> bool:
    """Whether it is a file that this user may read and not write."""
    path = engine.url.database
    return engine.dialect.name == "sqlite" and bool(path) and _is_fixed(Path(str(path)))


def _is_fixed(path: Path) -> bool:
    """SQLite writes beside its file too, so a folder that can't be written makes the file one to read."""
    return path.is_file() and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def _reader(path: Path) -> Callable[[], sqlite3.Connection]:
    """Connections that write nothing, not even the files that SQLite keeps beside its own."""
    waiting = path.with_name(path.name + "-wal")
    kept = waiting.is_file() and waiting.stat().st_size > 0  # passes that are not in the file itself yet
    address = f"{path.resolve().as_uri()}?mode=ro" + ("" if kept else "&immutable=1")
    return lambda: sqlite3.connect(address, uri=True, timeout=PATIENCE_S, check_same_thread=False)


def _url(where: Path | str) -> tuple[URL, str]:
    """The database's URL, and its name for messages, without a password."""
    if isinstance(where, Path) or "://" not in where:
        path = Path(where)
        if path.is_dir():
            raise RefusedError(
                f"The record {path} is a folder", allowed="a file", cure="name a file in it", found="a folder"
            )
        if not path.parent.is_dir():
            raise RefusedError(
                f"The folder of the record {path} is not there",
                cure="make it first",
                found="no such folder",
                allowed="a folder that is there",
            )
        return URL.create("sqlite", database=str(path)), str(path)
    try:
        url = make_url(where)
    except ArgumentError:
        raise RefusedError(
            "The record's address cannot be read",
            allowed="a file, or postgresql://user@host/name",
            found="no address",
            cure="name a file, or write the address in this form",
        ) from None
    if url.drivername in ("postgresql", "postgres"):
        url = url.set(drivername="postgresql+psycopg")
    return url, url.render_as_string(hide_password=True)


def _see_ours(path: Path, name: str) -> None:
    """Refuse another program's SQLite file before anything in it is changed, its mode included."""
    if not path.is_file() or path.stat().st_size == 0:
        return
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=0.1)) as file:
            tables = [
                str(row[0]) for row in file.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            ]
    except sqlite3.Error:  # locked or damaged: opening it tells in which way
        return
    if tables and "surfscan_meta" not in tables:
        raise RefusedError(
            f"{name} is no record",
            found=f"another program's database, with a table {tables[0][:60]}",
            allowed="a record that surfscan check --record made, or a new file",
            cure="name another file",
        )


def _set_up_sqlite(engine: Engine) -> None:
    """Write-ahead mode, full synchronisation, forgotten bytes overwritten; transactions are ours to begin."""

    @event.listens_for(engine, "connect")
    def connect(connection: sqlite3.Connection, _: Any) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        # Turning the mode on needs the file alone for a moment, and SQLite does not wait for that by itself.
        ends = time.monotonic() + PATIENCE_S
        while True:
            try:
                if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                    cursor.execute("PRAGMA journal_mode = WAL")
                break
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > ends:
                    raise
                time.sleep(0.02)
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA secure_delete = ON")
        cursor.close()


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction that writes, from its start: in SQLite a reader can't become a writer without a risk."""
    with engine.connect() as connection:
        if engine.dialect.name == "sqlite":
            connection.exec_driver_sql("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            connection.rollback()
            raise
        connection.commit()


def is_damage(error: DBAPIError) -> bool:
    words = ("malformed", "not a database", "corrupt", "disk i/o error", "could not decode")
    return any(word in str(error.orig).lower() for word in words)


def damaged(number: int, found: str) -> RefusedError:
    return RefusedError(
        f"Pass {number} of the record is damaged", found=found, cure=_CURE, allowed="a row as it was added"
    )


def of_another_version(name: str, found: int, known: int) -> RefusedError:
    newer = found > known
    return RefusedError(
        f"The record {name} was written by {'a newer' if newer else 'an older'} surfscan",
        found=f"version {found}" + ("" if newer else ", in a file that can only be read"),
        allowed=f"up to {known}" if newer else f"version {known}, or a file that may be brought up to date",
        cure="bring surfscan up to date" if newer else "copy it to where you may write, and open the copy",
    )


def read_only(name: str, found: str) -> RefusedError:
    return RefusedError(
        f"The record {name} can only be read",
        found=found,
        allowed="to list and show passes; to add or forget one, a file and folder that you may write",
        cure="ask for the right to write there, or work on a copy",
    )


def unusable(name: str, error: Exception) -> RefusedError:
    found = str(error.orig) if isinstance(error, DBAPIError) else str(error)
    first = found.strip().splitlines()[0] if found.strip() else type(error).__name__
    if isinstance(error, DBAPIError) and is_damage(error):
        return RefusedError(
            f"The record {name} is damaged, or no record",
            found=first,
            cure=_CURE,
            allowed="a record as surfscan wrote it",
        )
    if "readonly" in first or "read-only" in first:
        return read_only(name, first)
    if "locked" in first:
        return RefusedError(
            f"The record {name} is in use",
            found=f"another program that has kept it for over {PATIENCE_S:.0f} s",
            allowed="a record that other programs let go of within seconds",
            cure="close the program that holds it, then try again",
        )
    return RefusedError(
        f"The record {name} cannot be used",
        found=first,
        allowed="a record that can be read and written",
        cure="check its path or address, its rights, and room",
    )
