"""What apprentices have answered, kept by choice in the file of the shop's record: by first name or number.

It stays on the trainer's machine: only a file will do, never a database on the network. The table is made with
the first answer that is kept, and is no part of a pass.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Column as Col
from sqlalchemy import Engine, Integer, MetaData, String, Table, delete, func, inspect, select
from sqlalchemy.exc import SQLAlchemyError

from surfscan.core.errors import RefusedError, UsageError
from surfscan.results.record import open_record
from surfscan.results.record_engine import open_engine, unusable, writing

__all__ = ["Standing", "check_apprentice", "forget_apprentice", "keep_answer", "list_progress"]

_NAME = re.compile(r"\d{1,6}|[^\W\d_]{1,24}")

_answers = Table(
    "surfscan_answer",
    MetaData(),
    Col("apprentice", String(24), primary_key=True),
    Col("kind", String(24), primary_key=True),
    Col("seed", Integer, primary_key=True),
    Col("number", Integer, primary_key=True),
    Col("points", Integer, nullable=False),
    Col("answered", String(40), nullable=False),  # ISO 8601, UTC
)


@dataclass(frozen=True, slots=True)
class Standing:
    """How an apprentice does in one kind of exercise: how many answers, their mean points, and the last one's time."""

    apprentice: str
    kind: str
    answers: int
    points: float
    last: str


def check_apprentice(apprentice: str) -> str:
    """The name without blanks round it; UsageError for more than a first name or a number."""
    name = apprentice.strip()
    if not _NAME.fullmatch(name):
        raise UsageError(
            "An apprentice has a first name or a number",
            found=repr(name),
            allowed="one word of at most 24 letters, or a number of at most 6 digits",
            cure="leave the family name out",
        )
    return name


def keep_answer(
    record: Path | str, apprentice: str, *, kind: str, seed: int, number: int, points: int
) -> bool:
    """Keep one answer.

    Parameters
    ----------
    record : path
        The file of the record; it is made when it is new.
    apprentice : str
        A first name or a number.
    kind : str
    seed, number : int
        Of the class, and of the panel.
    points : int
        0 to 100.

    Returns
    -------
    bool
        False when this panel was answered before: the first answer stands.

    Raises
    ------
    UsageError, RefusedError
        For another kind of name; for a database on the network, or a file that can't be used.
    """
    name = check_apprentice(apprentice)
    if not 0 <= points <= 100:
        raise ValueError(f"points are 0 to 100; found {points}")
    row = {"apprentice": name, "kind": kind, "seed": seed, "number": number}
    engine, where = _open(record)
    try:
        with writing(engine) as connection:
            _answers.create(connection, checkfirst=True)
            same = select(_answers.c.points).where(*(_answers.c[key] == value for key, value in row.items()))
            if connection.execute(same).first() is not None:
                return False
            now = datetime.now(UTC).isoformat(timespec="seconds")
            connection.execute(_answers.insert().values(**row, points=points, answered=now))
            return True
    except SQLAlchemyError as error:
        raise unusable(where, error) from None
    finally:
        engine.dispose()


def list_progress(record: Path | str, apprentice: str | None = None) -> Sequence[Standing]:
    """How apprentices do, by name and kind; of one of them, when it is named."""
    engine, where = _open(record)
    columns = (_answers.c.apprentice, _answers.c.kind)
    query = (
        select(*columns, func.count(), func.avg(_answers.c.points), func.max(_answers.c.answered))
        .group_by(*columns)
        .order_by(*columns)
    )
    if apprentice is not None:
        query = query.where(_answers.c.apprentice == check_apprentice(apprentice))
    try:
        if not inspect(engine).has_table(_answers.name):
            return []
        with engine.connect() as connection:
            return [Standing(a, k, int(n), float(p), t) for a, k, n, p, t in connection.execute(query)]
    except SQLAlchemyError as error:
        raise unusable(where, error) from None
    finally:
        engine.dispose()


def forget_apprentice(record: Path | str, apprentice: str) -> int:
    """Take an apprentice's answers out for good, their bytes overwritten; return how many there were."""
    name = check_apprentice(apprentice)
    engine, where = _open(record)
    try:
        if not inspect(engine).has_table(_answers.name):
            return 0
        with writing(engine) as connection:
            gone = connection.execute(delete(_answers).where(_answers.c.apprentice == name)).rowcount
        with engine.connect() as connection:
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        return int(gone)
    except SQLAlchemyError as error:
        raise unusable(where, error) from None
    finally:
        engine.dispose()


def _open(record: Path | str) -> tuple[Engine, str]:
    if "://" in str(record):
        raise RefusedError(
            "Progress can't be kept there",
            found="an address on the network",
            allowed="a file on this computer: apprentices' names stay on the trainer's machine",
            cure="name a file for the record",
        )
    open_record(record).close()  # it is a record that this version can use, or becomes one
    return open_engine(record)
