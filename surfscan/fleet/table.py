"""One table of all: a row a job and a row a spot, as CSV and as Parquet; and the index. One pass over the results."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from surfscan.core.errors import RefusedError
from surfscan.core.parts import wanted
from surfscan.fleet.index import IndexWriter
from surfscan.fleet.marks import read_marks
from surfscan.fleet.places import local_path, put_over
from surfscan.fleet.rows import JOB_COLUMNS, SPOT_COLUMNS, Column, Row
from surfscan.report.output import written_whole

__all__ = ["INDEX", "TABLES", "has_parquet", "write_tables"]

TABLES = ("jobs", "spots")
INDEX = "index.html"
_AT_ONCE = 2000  # rows held before they are written


def has_parquet() -> bool:
    """Whether Parquet can be written here."""
    try:
        wanted("pyarrow")
    except RefusedError:
        return False
    return True


def write_tables(out: str, *, parquet: bool | None = None) -> dict[str, int]:
    """Write `jobs` and `spots` as CSV and Parquet, and `index.html`, over every finished job below a place.

    Parameters
    ----------
    out : str
        Where the results are, and where the files go, whole or not at all.
    parquet : bool, optional
        Write Parquet too; by default when pyarrow is installed.

    Returns
    -------
    dict of name to int
        Rows of each table.

    Raises
    ------
    RefusedError
        When a file can't be written, or pyarrow is asked for and missing.
    """
    parquet = has_parquet() if parquet is None else parquet
    if parquet:
        wanted("pyarrow")
    counts = dict.fromkeys(TABLES, 0)
    with _written(out) as folder, ExitStack() as open_files:
        tables = {
            name: open_files.enter_context(_Table(folder / name, columns, parquet=parquet))
            for name, columns in zip(TABLES, (JOB_COLUMNS, SPOT_COLUMNS), strict=True)
        }
        index = open_files.enter_context(IndexWriter(folder / INDEX))
        for mark in read_marks(out):
            for name, rows in (("jobs", [mark.row]), ("spots", mark.spots)):
                tables[name].add(rows)
                counts[name] += len(rows)
            index.add(mark.row)
    return counts


@contextmanager
def _written(out: str) -> Iterator[Path]:
    path = local_path(out)
    if path is None:
        with put_over(out) as folder:
            yield folder
        return
    path.mkdir(parents=True, exist_ok=True)
    with written_whole(path) as folder:
        yield folder


class _Table:
    """A table that is written as its rows come."""

    def __init__(self, stem: Path, columns: Sequence[Column], *, parquet: bool) -> None:
        self._names = [column.name for column in columns]
        self._rows: list[Row] = []
        self._file = stem.with_suffix(".csv").open("w", encoding="utf-8", newline="")
        self._csv = csv.writer(self._file)
        self._csv.writerow(self._names)
        self._parquet: Any = None
        if parquet:
            import pyarrow.parquet

            self._schema = _schema(columns)
            self._parquet = pyarrow.parquet.ParquetWriter(stem.with_suffix(".parquet"), self._schema)

    def __enter__(self) -> _Table:
        return self

    def __exit__(self, *_: object) -> None:
        self._flush()
        self._file.close()
        if self._parquet is not None:
            self._parquet.close()

    def add(self, rows: Sequence[Row]) -> None:
        self._rows += rows
        if len(self._rows) >= _AT_ONCE:
            self._flush()

    def _flush(self) -> None:
        self._csv.writerows([_cell(row.get(name)) for name in self._names] for row in self._rows)
        if self._parquet is not None and self._rows:
            import pyarrow

            named = [{name: row.get(name) for name in self._names} for row in self._rows]
            self._parquet.write_table(pyarrow.Table.from_pylist(named, schema=self._schema))
        self._rows.clear()


def _cell(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    return "" if value is None else value


def _schema(columns: Sequence[Column]) -> Any:
    """Names, kinds, and in each field's metadata what it says."""
    import pyarrow

    kinds = {
        "text": pyarrow.string(),
        "int": pyarrow.int64(),
        "float": pyarrow.float64(),
        "bool": pyarrow.bool_(),
    }
    return pyarrow.schema(
        [
            pyarrow.field(column.name, kinds[column.kind], metadata={"meaning": column.meaning})
            for column in columns
        ]
    )
