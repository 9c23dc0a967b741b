"""`index.html`: every job with its small picture, sorted and filtered in the browser, opened from the disk.

The rows are a list inside the page; only those in view are drawn, so ten thousand are as quick as ten.
"""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from urllib.parse import quote

from surfscan.fleet.marks import SMALL
from surfscan.fleet.rows import OUTCOMES, Row

__all__ = ["IndexWriter"]

_SHOWN = (
    "job",
    "panel",
    "stage",
    "outcome",
    "worst_mm",
    "worst_u95_mm",
    "over",
    "spots",
    "coverage",
    "reason",
)
_PLACE = "/*rows*/"
_LONGEST = 240  # letters of a reason
_WORDS = {
    "ready": "ready",
    "close": "close",
    "rework": "rework",
    "not_measured": "not measured",
    "refused": "refused",
    "timeout": "took too long",
    "memory": "took too much memory",
    "crashed": "crashed",
    "fault": "a fault of ours",
}


class IndexWriter:
    """Writes the page as rows come; use it in a ``with`` block."""

    def __init__(self, path: Path) -> None:
        before, self._after = _template().split(_PLACE)
        self._file = path.open("w", encoding="utf-8", newline="")
        self._file.write(before)

    def __enter__(self) -> IndexWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.write(self._after)
        self._file.close()

    def add(self, row: Row) -> None:
        """One job."""
        shown = {name: row.get(name) for name in _SHOWN}
        reason = str(shown["reason"] or "")
        shown["reason"] = reason if len(reason) <= _LONGEST else reason[: _LONGEST - 3] + "..."
        for name, digits in (("worst_mm", 4), ("worst_u95_mm", 4), ("coverage", 3)):
            value = shown[name]
            shown[name] = None if value is None else round(value, digits)
        values = [*shown.values(), quote(str(row["job"]))]
        # No text can end the script it stands in.
        self._file.write(
            json.dumps(values, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c") + ",\n"
        )


def _template() -> str:
    text = (resources.files("surfscan") / "data" / "fleet" / "index.html").read_text(encoding="utf-8")
    given = {"words": _WORDS, "names": [*_SHOWN, "place"], "small": SMALL, "order": list(OUTCOMES)}
    return text.replace("/*given*/", json.dumps(given))
