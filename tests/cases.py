"""Long tables of cases: the suite takes some of their rows, `SURFSCAN_EVERY_CASE=1 python -m pytest` all of them.

For rows that each cost a measurement and show one claim over a range; rows that each show a claim of their own are
never left out.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import TypeVar

Row = TypeVar("Row")
EVERY = bool(os.environ.get("SURFSCAN_EVERY_CASE"))


def some(rows: Iterable[Row], count: int) -> list[Row]:
    """So many rows, evenly chosen, the first and the last among them."""
    every = list(rows)
    if EVERY or count >= len(every):
        return every
    if count == 1:
        return every[:1]
    return [every[round(k * (len(every) - 1) / (count - 1))] for k in range(count)]
