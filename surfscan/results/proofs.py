"""Proofs of a station in the record: a known depth measured there, one row a proof.

The table is made with the first proof that is kept, and is no part of a pass. Who proves a station (a certificate, a
known panel) writes a row; the shop's figures read them for the drift chart.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Column as Col
from sqlalchemy import Engine, Float, Integer, MetaData, String, Table, delete, inspect, select
from sqlalchemy.exc import SQLAlchemyError

from surfscan.core.errors import UsageError
from surfscan.results.record import open_record
from surfscan.results.record_engine import open_engine, unusable, writing

__all__ = ["Proof", "forget_proofs", "keep_proof", "list_proofs"]

_STATION = re.compile(r"[\w .,()#+/-]{1,64}")

_proofs = Table(
    "surfscan_proof",
    MetaData(),
    Col("id", Integer, primary_key=True, autoincrement=True),
    Col("station", String(64), nullable=False, index=True),
    Col("proved", String(40), nullable=False),  # when, ISO 8601 with its time zone
    Col("ratio", Float, nullable=False),  # measured over true: 1 is right
    Col("u95", Float, nullable=False),  # half the 95 % interval of the ratio
    Col("source", String(200), nullable=False),  # what says so: a certificate's number or digest; no name
)


@dataclass(frozen=True, slots=True)
class Proof:
    """One proof.

    Attributes
    ----------
    station : str
    proved : str
        ISO 8601, with its time zone.
    ratio, u95 : float
        Measured over true depth, and half its 95 % interval.
    source : str
        What says so; never who.
    """

    station: str
    proved: str
    ratio: float
    u95: float
    source: str = ""


def keep_proof(record: Path | str, proof: Proof) -> None:
    """Add a proof to a record, which is made when it is new.

    Raises
    ------
    UsageError
        For a station's name that can't be kept, a date without its zone, or a ratio that is none.
    RefusedError
        When the record can't be used.
    """
    _see(proof)
    engine, name = _open(record)
    try:
        with writing(engine) as connection:
            _proofs.create(connection, checkfirst=True)
            values = {name: getattr(proof, name) for name in ("station", "proved", "ratio", "u95", "source")}
            connection.execute(_proofs.insert().values(**values))
    except SQLAlchemyError as error:
        raise unusable(name, error) from None
    finally:
        engine.dispose()


def list_proofs(record: Path | str, station: str | None = None) -> Sequence[Proof]:
    """The proofs of a record, the earliest first; of one station when it is named."""
    engine, name = _open(record)
    columns = (_proofs.c.station, _proofs.c.proved, _proofs.c.ratio, _proofs.c.u95, _proofs.c.source)
    query = select(*columns)
    if station is not None:
        query = query.where(_proofs.c.station == station)
    try:
        if not inspect(engine).has_table(_proofs.name):
            return []
        with engine.connect() as connection:
            found = [Proof(*row) for row in connection.execute(query)]
    except SQLAlchemyError as error:
        raise unusable(name, error) from None
    finally:
        engine.dispose()
    return sorted(found, key=lambda proof: datetime.fromisoformat(proof.proved))


def forget_proofs(record: Path | str, station: str) -> int:
    """Take a station's proofs out for good; return how many there were."""
    engine, name = _open(record)
    try:
        if not inspect(engine).has_table(_proofs.name):
            return 0
        with writing(engine) as connection:
            gone = connection.execute(delete(_proofs).where(_proofs.c.station == station)).rowcount
        if engine.dialect.name == "sqlite":
            with engine.connect() as connection:
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        return int(gone)
    except SQLAlchemyError as error:
        raise unusable(name, error) from None
    finally:
        engine.dispose()


def _see(proof: Proof) -> None:
    if not _STATION.fullmatch(proof.station):
        raise UsageError(
            "A station's name can't be kept",
            found=repr(proof.station),
            allowed="1 to 64 letters, digits, blanks and . , ( ) # + / -",
            cure="call it by its place: bay 3, left wall",
        )
    try:
        zoned = datetime.fromisoformat(proof.proved).tzinfo is not None
    except ValueError:
        zoned = False
    if not zoned:
        raise UsageError(
            "A proof's date can't be used",
            found=repr(proof.proved),
            allowed="ISO 8601 with its time zone, such as 2026-03-01T08:00:00+00:00",
            cure="write it so",
        )
    if not (math.isfinite(proof.ratio) and proof.ratio > 0 and math.isfinite(proof.u95) and proof.u95 >= 0):
        raise UsageError(
            "A proof's ratio can't be used",
            found=f"{proof.ratio} with ± {proof.u95}",
            allowed="measured over true depth, over 0, and half its interval, 0 or more",
            cure="give what the proof measured",
        )


def _open(record: Path | str) -> tuple[Engine, str]:
    open_record(record).close()  # it is a record that this version can use, or becomes one
    return open_engine(record)
