"""The record itself: add a pass, list, read back, forget.

One pass is one transaction. In SQLite the record runs in write-ahead mode with full synchronisation: a program
killed at any moment, or a power cut, leaves every finished pass and no half of one. Writers wait for each other.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from sqlalchemy import Engine, delete, func, select
from sqlalchemy.engine import Connection
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from surfscan.core.commit import reading
from surfscan.core.errors import RefusedError, UsageError
from surfscan.results.record_bonds import bind, is_bound, unbind
from surfscan.results.record_engine import (
    damaged,
    is_damage,
    of_another_version,
    only_to_read,
    open_engine,
    read_only,
    unusable,
    writing,
)
from surfscan.results.record_keys import check_job_number, forget_key, keep_key, keys, pass_of_key
from surfscan.results.record_rows import LISTED, Pass
from surfscan.results.record_tables import add_photos, digest, maps, passes, photos, row_of
from surfscan.results.record_versions import VERSION, prepare, see_version
from surfscan.results.stored import StoredResult, parse_result

__all__ = ["LISTED", "Pass", "Record", "check_job_number", "open_record"]

MOST_NUMBER = 2**63 - 1
"""What a database can count to."""

T = TypeVar("T")


class Record:
    """An open record; use it in a ``with`` block, or close it.

    Made by `open_record`.
    """

    def __init__(self, engine: Engine, name: str) -> None:
        self._engine = engine
        self.name = name

    def __enter__(self) -> Record:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def see_writable(self) -> None:
        """Refuse a record that can only be read, before there is anything to add."""
        if only_to_read(self._engine):
            raise read_only(self.name, "no right to write the file, or beside it")

    @property
    def keeps_bytes(self) -> bool:
        """Whether bytes of a forgotten pass stay in the database for a while: SQLite's are overwritten at once."""
        return self._engine.dialect.name != "sqlite"

    def add(
        self, folder: Path | str, *, job: str = "", sheet: Path | str | None = None, once: str = ""
    ) -> int:
        """Add the finished output folder of a check as one pass.

        Parameters
        ----------
        folder : path
            It holds `result.json` and `height.npz`, which are read back and checked first.
        job : str
            The job's number: digits, with . / - between them.
        sheet : path, optional
            The job sheet, kept as it is.
        once : str, optional
            A key, at most 59 letters: a second pass of the same key is not added, however many add at once.

        Returns
        -------
        int
            The pass's number; the first one's when it was there.

        Raises
        ------
        RefusedError
            When the folder is damaged or the record can't be written; nothing was added then.
        UsageError
            For a job number with other letters.
        """
        folder = Path(folder)
        check_job_number(job)
        try:
            with reading(folder):
                document, plain = (
                    (folder / "result.json").read_bytes(),
                    (folder / "height.npz").read_bytes(),
                )
            sheet_text = "" if sheet is None else Path(sheet).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise RefusedError(
                f"{folder} cannot be added to the record",
                found=str(error),
                allowed="an output folder of surfscan check that you may read",
                cure="check the path and its rights",
            ) from None
        result = parse_result(document, plain, name=str(folder), folder=folder)
        now = datetime.now(UTC).isoformat(timespec="seconds")
        values = row_of(result.document, document.decode(), job=job, sheet=sheet_text, added=now)
        packed = zlib.compress(plain)

        def write(connection: Connection) -> int:
            known = pass_of_key(connection, once) if once else None
            if known is not None:
                return known
            made = connection.execute(passes.insert().values(**values)).inserted_primary_key
            assert made is not None  # for the type checker
            number = int(made[0])
            connection.execute(maps.insert().values(pass_id=number, sha256=digest(plain), packed=packed))
            add_photos(connection, number, result.document)
            if once:
                keep_key(connection, once, number)
            bind(connection, number, key=once)
            return number

        return self._write(write)

    def keys(self) -> set[str]:
        """What passes were added under with `once`."""
        try:
            with self._engine.connect() as connection:
                return keys(connection)
        except SQLAlchemyError as error:
            raise unusable(self.name, error) from None

    def history(
        self, *, job: str | None = None, panel: str | None = None, photo_sha256: str | None = None
    ) -> Sequence[Pass]:
        """List passes, earliest added first.

        Parameters
        ----------
        job, panel : str, optional
            Only those of this job, of this panel.
        photo_sha256 : str, optional
            Only those made from a photo of this digest.

        Returns
        -------
        sequence of Pass
            Rows of a damaged record that can't be read any more are left out; `unreadable` tells them.
        """
        query = select(*LISTED).order_by(passes.c.id)
        if job is not None:
            query = query.where(passes.c.job == job)
        if panel is not None:
            query = query.where(passes.c.panel == panel)
        if photo_sha256 is not None:
            query = query.where(
                passes.c.id.in_(select(photos.c.pass_id).where(photos.c.sha256 == photo_sha256))
            )
        try:
            with self._engine.connect() as connection:
                return [Pass(**row) for row in connection.execute(query).mappings()]
        except DBAPIError as error:
            if not is_damage(error):
                raise unusable(self.name, error) from None
        wanted = [one for one in (self._row(number) for number in self._numbers()) if one is not None]
        chosen = [one for one in wanted if job in (None, one.job) and panel in (None, one.panel)]
        if photo_sha256 is None:
            return chosen
        return [one for one in chosen if self._has_photo(one.id, photo_sha256)]

    def unreadable(self) -> Sequence[int]:
        """Numbers of passes whose row, document or maps are damaged; reads everything, so it takes its time."""
        bad = []
        for number in self._numbers():
            try:
                self.get(number)
            except RefusedError:
                bad.append(number)
        return bad

    def get(self, number: int) -> StoredResult:
        """Read one pass back, whole.

        Parameters
        ----------
        number : int

        Returns
        -------
        StoredResult

        Raises
        ------
        UsageError
            When there is no such pass.
        RefusedError
            When it is damaged: every byte is held against its digest.
        """
        document, plain, _ = self._bytes(number)
        return parse_result(document, plain, name=f"pass {number}")

    def sheet(self, number: int) -> str:
        """The job sheet that a pass was made from; "" when none was kept."""
        return self._bytes(number)[2]

    def files(self, number: int) -> dict[str, bytes]:
        """The files of a pass as they were: `result.json`, `height.npz`, and `panel.toml` when it was kept."""
        document, plain, sheet = self._bytes(number)
        found = {"result.json": document, "height.npz": plain}
        return found | ({"panel.toml": sheet.encode()} if sheet else {})

    def forget(self, numbers: Sequence[int]) -> int:
        """Take passes out of the record for good, all in one transaction; return how many there were.

        In SQLite their bytes are overwritten and the write-ahead file is emptied.
        """

        def write(connection: Connection) -> int:
            gone = 0
            for number in (one for one in numbers if 0 < one <= MOST_NUMBER):
                unbind(connection, number)
                forget_key(connection, number)
                for table in (maps, photos):
                    connection.execute(delete(table).where(table.c.pass_id == number))
                gone += connection.execute(delete(passes).where(passes.c.id == number)).rowcount
            return gone

        gone = self._write(write)
        if self._engine.dialect.name == "sqlite":
            with self._engine.connect() as connection:
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        return gone

    def _bytes(self, number: int) -> tuple[bytes, bytes, str]:
        if not 0 < number <= MOST_NUMBER:
            raise self._no_pass(number)
        query = select(
            passes.c.document, passes.c.document_sha256, passes.c.sheet, maps.c.packed, maps.c.sha256
        ).join_from(passes, maps, isouter=True)
        try:
            with self._engine.connect() as connection:
                row = connection.execute(query.where(passes.c.id == number)).one_or_none()
                whole = row is None or is_bound(connection, number)
        except (SQLAlchemyError, UnicodeDecodeError) as error:
            if isinstance(error, DBAPIError) and not is_damage(error):
                raise unusable(self.name, error) from None
            raise damaged(number, "its row cannot be read") from None
        if row is None:
            raise self._no_pass(number)
        document = str(row[0]).encode()
        if digest(document) != row[1]:
            raise damaged(number, "its document does not fit its digest")
        try:
            plain = zlib.decompress(row[3])
        except (zlib.error, TypeError):
            raise damaged(number, "its maps cannot be unpacked") from None
        if digest(plain) != row[4]:
            raise damaged(number, "its maps do not fit their digest")
        if not whole:
            raise damaged(number, "its columns, sheet, photos or maps are not those that were added together")
        return document, plain, str(row[2])

    def _no_pass(self, number: int) -> UsageError:
        return UsageError(
            f"There is no pass {number} in {self.name}",
            found=f"{number}",
            allowed="the numbers that surfscan history lists",
            cure="see surfscan history",
        )

    def _write(self, work: Callable[[Connection], T]) -> T:
        try:
            with writing(self._engine) as connection:
                return work(connection)
        except SQLAlchemyError as error:
            raise unusable(self.name, error) from None

    def _numbers(self) -> Sequence[int]:
        """All numbers that may be there, also when the table can't be read in one go."""
        try:
            with self._engine.connect() as connection:
                return list(connection.execute(select(passes.c.id).order_by(passes.c.id)).scalars())
        except DBAPIError as error:
            if not is_damage(error):
                raise unusable(self.name, error) from None
        try:  # the greatest number ever given: a small table of its own
            with self._engine.connect() as connection:
                most = connection.exec_driver_sql(
                    "SELECT seq FROM sqlite_sequence WHERE name = 'surfscan_pass'"
                ).scalar()
        except DBAPIError as error:
            raise unusable(self.name, error) from None
        return range(1, int(most or 0) + 1)

    def _row(self, number: int) -> Pass | None:
        try:
            with self._engine.connect() as connection:
                row = (
                    connection.execute(select(*LISTED).where(passes.c.id == number)).mappings().one_or_none()
                )
        except (DBAPIError, UnicodeDecodeError):
            return None
        return None if row is None else Pass(**row)

    def _has_photo(self, number: int, sha256: str) -> bool:
        query = select(func.count()).where(photos.c.pass_id == number, photos.c.sha256 == sha256)
        try:
            with self._engine.connect() as connection:
                return bool(connection.execute(query).scalar())
        except DBAPIError:
            return False


def open_record(where: Path | str) -> Record:
    """Open a record, make it when it is new, bring it up to date when it is old.

    Parameters
    ----------
    where : path or str
        A file for SQLite, or an SQLAlchemy URL (``postgresql://user@host/name``).

    Returns
    -------
    Record

    Raises
    ------
    RefusedError
        When it can't be opened, is no record, is damaged, or was written by a newer surfscan.
    """
    engine, name = open_engine(where)
    try:
        if only_to_read(engine):
            with engine.connect() as connection:
                see_version(connection)
        else:
            with writing(engine) as connection:
                prepare(connection)
    except LookupError as error:
        engine.dispose()
        raise of_another_version(name, int(error.args[0]), VERSION) from None
    except (SQLAlchemyError, ValueError, KeyError, TypeError) as error:
        engine.dispose()
        raise unusable(name, error) from None
    return Record(engine, name)
