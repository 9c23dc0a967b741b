"""What passes are known by: the shop's job numbers, and keys under which a pass is added once only."""

from __future__ import annotations

from sqlalchemy import Connection, delete, func, select

from surfscan.core.errors import UsageError
from surfscan.core.trade_names import JOB_NUMBER
from surfscan.results.record_tables import digest, meta

__all__ = [
    "check_job_number",
    "forget_key",
    "keep_key",
    "key_of_passes",
    "keys",
    "known_as",
    "pass_of_key",
]

_BEFORE = "once "  # names of the rows of `meta` that hold a key; their values are passes' numbers


def check_job_number(job: str) -> None:
    """Refuse a job number that could be a plate or a name (UsageError); "" is allowed."""
    if job and not JOB_NUMBER.fullmatch(job):
        raise UsageError(
            "A job number has digits only",
            found=repr(job),
            allowed="digits, with . / - between them, at most 32: the record holds no plates and no names",
            cure="give the shop's own number of the job",
        )


def pass_of_key(connection: Connection, key: str) -> int | None:
    """The pass that was added under a key; whoever asks in a transaction that writes keeps others from adding it."""
    if connection.dialect.name == "postgresql":  # in SQLite there is one writer at a time
        connection.execute(select(func.pg_advisory_xact_lock(int(digest(key.encode())[:15], 16))))
    return known_as(connection, key)


def known_as(connection: Connection, key: str) -> int | None:
    """The pass that has a key."""
    value = connection.execute(select(meta.c.value).where(meta.c.name == _BEFORE + key)).scalar()
    return int(value) if value is not None and value.isdecimal() else None


def keep_key(connection: Connection, key: str, number: int) -> None:
    """Keep the key of a pass; at most 59 letters."""
    connection.execute(meta.insert().values(name=_BEFORE + key, value=str(number)))


def forget_key(connection: Connection, number: int) -> None:
    """Take the keys of a pass away, so that it can be added again."""
    connection.execute(
        delete(meta).where(meta.c.name.startswith(_BEFORE, autoescape=True), meta.c.value == str(number))
    )


def key_of_passes(connection: Connection) -> dict[int, str]:
    """The key of each pass that has one."""
    rows = connection.execute(
        select(meta.c.value, meta.c.name).where(meta.c.name.startswith(_BEFORE, autoescape=True))
    )
    return {int(value): str(name).removeprefix(_BEFORE) for value, name in rows if value.isdecimal()}


def keys(connection: Connection) -> set[str]:
    """All keys."""
    names = connection.execute(select(meta.c.name).where(meta.c.name.startswith(_BEFORE, autoescape=True)))
    return {str(name).removeprefix(_BEFORE) for name in names.scalars()}
