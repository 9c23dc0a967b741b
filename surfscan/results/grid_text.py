"""A height map as a table of numbers: CSV with the places along its edges.

The first row holds the x places, the first column the y places, in mm, the top of the panel first, as one
looks at it; an empty cell is not measured. Bare tables of numbers of other programs are read too, when
the spacing is given.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array

__all__ = ["CORNER", "read_grid_text", "write_grid_text"]

CORNER = "y_mm \\ x_mm"
"""What our own tables have in their upper left corner."""

MOST_BYTES = 400_000_000
MOST_CELLS = 10_000_000
_MISSING = {"", "nan", "na", "n/a", "bad", "null", "none", "-"}
_UNEVEN = 0.01  # of a step


def write_grid_text(path: Path, height_mm: Array, *, x_mm: Array, y_mm: Array) -> None:
    """Write a map as CSV with its axes, all digits, empty where not measured.

    Parameters
    ----------
    path : Path
    height_mm : ndarray (H, W)
        Row 0 is the lower edge; the file has the upper edge first.
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
    """
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow([CORNER, *(repr(float(x)) for x in x_mm)])
        for k in range(len(y_mm) - 1, -1, -1):
            cells = ("" if np.isnan(value) else repr(float(value)) for value in height_mm[k])
            table.writerow([repr(float(y_mm[k])), *cells])


def read_grid_text(
    path: Path, *, step_mm: float | None = None, unit_mm: float = 1.0
) -> tuple[Array, Array, Array]:
    """Read a table of heights.

    Parameters
    ----------
    path : Path
        Separated by commas, semicolons, tabs or blanks.
    step_mm : float, optional
        Spacing of a table without axes.
    unit_mm : float
        Millimetres in the unit of the heights (not of the axes).

    Returns
    -------
    x_mm : ndarray (W,)
    y_mm : ndarray (H,)
        Ascending.
    height_mm : ndarray (H, W)

    Raises
    ------
    RefusedError
        When a cell is no number, rows differ in length, or the spacing is uneven or not known.
    """
    if path.stat().st_size > MOST_BYTES:
        raise RefusedError(
            f"{path.name} is too large",
            found=f"{path.stat().st_size / 1e6:.0f} MB",
            allowed=f"{MOST_BYTES / 1e6:.0f} MB",
            cure="give it as x3p or sdf",
        )
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise RefusedError(
            f"{path.name} is no text",
            found="bytes that are no UTF-8",
            allowed="a table of numbers",
            cure="export the map again",
        ) from None
    rows = _rows(text, path.name)
    axes = rows[0][0].strip() == CORNER
    if not axes:
        return _bare(rows, path.name, step_mm, unit_mm)
    x = _numbers(rows[0][1:], path.name, 1)
    y = _numbers([row[0] for row in rows[1:]], path.name, None)
    table = np.array([_numbers(row[1:], path.name, k) for k, row in enumerate(rows[1:], 2)])
    for name, axis in (("x", x), ("y", y)):
        _see_even(axis, path.name, name)
    if x[0] > x[-1]:
        x, table = x[::-1], table[:, ::-1]
    if y[0] > y[-1]:
        y, table = y[::-1], table[::-1]
    return x, y, unit_mm * table


def _bare(
    rows: list[list[str]], name: str, step_mm: float | None, unit_mm: float
) -> tuple[Array, Array, Array]:
    if step_mm is None:
        raise RefusedError(
            f"{name} does not say how far apart its numbers are",
            found="a table without places along its edges",
            allowed=f"'{CORNER}' in its first cell, with x along the first row and y down the first column",
            cure="give the spacing with --step-mm",
        )
    table = np.array([_numbers(row, name, k) for k, row in enumerate(rows, 1)])[::-1]
    y, x = ((np.arange(n) - (n - 1) / 2) * step_mm for n in table.shape)
    return x, y, unit_mm * table


def _rows(text: str, name: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    if len(lines) < 2:
        raise RefusedError(
            f"{name} holds no map",
            found=f"{len(lines)} rows",
            allowed="at least two rows",
            cure="export the map again",
        )
    first = lines[0]
    comma = next((mark for mark in (";", "\t", ",") if mark in first), None)
    if comma is None:
        rows = [line.split() for line in lines]
    else:
        # A decimal comma can only be told where the columns are set apart by something else.
        decimal = comma != "," and "," in text and "." not in text
        try:
            rows = list(
                csv.reader((line.replace(",", ".") if decimal else line for line in lines), delimiter=comma)
            )
        except csv.Error as error:
            raise RefusedError(
                f"{name} is no table of numbers",
                found=str(error),
                allowed="cells of a few letters",
                cure="export the map again",
            ) from None
    widths = {len(row) for row in rows}
    if len(widths) != 1:
        odd = next(k for k, row in enumerate(rows, 1) if len(row) != len(rows[0]))
        raise RefusedError(
            f"{name} has rows of unequal length",
            found=f"{len(rows[odd - 1])} cells in row {odd}, {len(rows[0])} in the first",
            allowed="as many in each; leave a cell empty where nothing was measured",
            cure="export the map again",
        )
    if len(rows) * len(rows[0]) > MOST_CELLS or len(rows[0]) > 100 * len(rows) + 1000:
        raise RefusedError(
            f"{name} has an unusable shape",
            found=f"{len(rows)} rows of {len(rows[0]):,} cells",
            allowed=f"a map of at most {MOST_CELLS:,} cells, not a strip",
            cure="thin the map out, or turn it",
        )
    if widths.pop() < 2:
        raise RefusedError(
            f"{name} holds no map",
            found="one column",
            allowed="at least two columns",
            cure="export the map again",
        )
    return rows


def _numbers(cells: list[str], name: str, row: int | None) -> Array:
    out = np.empty(len(cells))
    for k, cell in enumerate(cells):
        word = cell.strip()
        if word.lower() in _MISSING:
            out[k] = np.nan
            continue
        try:
            out[k] = float(word)
        except ValueError:
            where = f"row {row}, column {k + 1}" if row is not None else f"row {k + 2}, column 1"
            raise RefusedError(
                f"{name} holds something that is no number",
                found=f"{word[:40]!r} in {where}",
                allowed="numbers, and empty cells where nothing was measured",
                cure="export the map again",
            ) from None
    return np.where(np.isfinite(out), out, np.nan)


def _see_even(axis: Array, name: str, letter: str) -> None:
    steps = np.diff(axis)
    if (
        np.isfinite(steps).all()
        and abs(steps[0]) > 0
        and (np.abs(steps - steps[0]) <= _UNEVEN * abs(steps[0])).all()
    ):
        return
    raise RefusedError(
        f"{name} has uneven places along {letter}",
        found="gaps that differ by over a hundredth, or an empty place",
        allowed="evenly spaced places, in mm",
        cure="put the map onto an even grid first",
    )
