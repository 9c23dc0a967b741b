"""What `surfscan batch` says while it runs: one line of progress, a line a job, a log, and the end."""

from __future__ import annotations

import shutil
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from surfscan.core.errors import RefusedError

if TYPE_CHECKING:
    from surfscan.fleet.one import Done

__all__ = ["BatchProgress", "Log", "duration", "summary"]

_EVERY_S = 10.0  # between lines where there is no terminal
_ALIVE_S = 0.2  # between rewritings of the line on one


class BatchProgress:
    """Counts by outcome, rate and time left, on stderr; rewritten on a terminal, a line now and then elsewhere."""

    def __init__(self, total: int, *, quiet: bool) -> None:
        self.total, self.done, self.fresh = total, 0, 0
        self.counts: Counter[str] = Counter()
        self._quiet, self._live = quiet, sys.stderr.isatty()
        self._began = time.monotonic()
        self._last = self._began if not self._live else 0.0

    def __enter__(self) -> BatchProgress:
        if not self._quiet and not self._live:
            print(f"surfscan: {_jobs(self.total)}", file=sys.stderr, flush=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._clear()

    def left_out(self, bare: Sequence[str]) -> None:
        """Folders of photos that are no jobs: nothing is passed by in silence."""
        if bare and not self._quiet:
            few = ", ".join(bare[:3]) + (f" and {len(bare) - 3} more" if len(bare) > 3 else "")
            self._clear()
            print(
                f"surfscan: no panel.toml in {few}: left out; with --station NAME or --kit their photos are jobs",
                file=sys.stderr,
                flush=True,
            )

    def tell(self, done: Done) -> None:
        """One more job."""
        self.done += 1
        self.fresh += done.fresh
        self.counts[str(done.row["outcome"])] += 1
        now = time.monotonic()
        if self._quiet or now - self._last < (_ALIVE_S if self._live else _EVERY_S):
            return
        self._last = now
        self._show(self.line(now))

    def line(self, now: float) -> str:
        """How far it is."""
        parts = [f"{self.done} of {self.total}", *(f"{name} {n}" for name, n in self._named())]
        rate = self.fresh / max(now - self._began, 1e-9)
        if rate > 0:
            parts.append(f"{rate:.2g} a second" if rate >= 1 else f"{60 * rate:.2g} a minute")
            parts.append(f"{duration((self.total - self.done) / rate)} left")
        return "   ".join(parts)

    def _named(self) -> list[tuple[str, int]]:
        from surfscan.fleet.rows import OUTCOMES

        return [(name.replace("_", " "), self.counts[name]) for name in OUTCOMES if self.counts[name]]

    def stage(self, words: str) -> None:
        """What is done besides jobs."""
        if not self._quiet:
            self._show(words)

    def print_line(self, done: Done) -> None:
        """A job on stdout."""
        self._clear()
        row = done.row
        wide = shutil.get_terminal_size().columns if sys.stdout.isatty() else 200
        text = f"{str(row['outcome']).replace('_', ' '):<13} {row['job']}  {row['reason'] or ''}"
        print(text if len(text) <= wide else text[: wide - 3] + "...", flush=True)

    def _show(self, line: str) -> None:
        if self._live:
            wide = shutil.get_terminal_size().columns - 1
            print(f"\r\x1b[K{line[:wide]}", end="", file=sys.stderr, flush=True)
        else:
            print(f"surfscan: {line}", file=sys.stderr, flush=True)

    def _clear(self) -> None:
        if self._live and not self._quiet:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


class Log:
    """A line for each job that was done now, added to a file."""

    def __init__(self, path: Path | None, began: float) -> None:
        self._path = path
        self._file: IO[str] | None = None

    def __enter__(self) -> Log:
        if self._path is not None:
            try:
                self._file = self._path.open("a", encoding="utf-8", errors="backslashreplace")
            except OSError as error:
                raise RefusedError(
                    f"The log {self._path} can't be written",
                    found=error.strerror or "",
                    allowed="a file that this computer may write",
                    cure="choose another --log",
                ) from None
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def tell(self, done: Done) -> None:
        """One more job."""
        if self._file is None or not done.fresh:
            return
        row = done.row
        when = datetime.now(UTC).isoformat(timespec="seconds")
        seconds = "" if row["seconds"] is None else f"{row['seconds']:.1f} s"
        print(
            when,
            row["outcome"],
            seconds,
            row["job"],
            row["reason"] or "",
            sep="\t",
            file=self._file,
            flush=True,
        )


def duration(seconds: float) -> str:
    """A time in words: 40 s, 12 min, 3 h 20 min."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60} min"


def _jobs(count: int) -> str:
    return f"{count} job{'s' * (count != 1)}"


def summary(progress: BatchProgress, out: str, *, rows: Mapping[str, int], seconds: float) -> dict[str, Any]:
    """The end, for JSON and in words."""
    from surfscan.fleet.table import has_parquet

    counts = dict(progress._named())
    known = progress.done - progress.fresh
    lines = [
        f"{_jobs(progress.done)} in {duration(seconds)}: "
        + ", ".join(f"{n} {name}" for name, n in counts.items()),
        f"{known} of them known already: nothing of theirs has changed." if known else "",
        f"{out}: index.html, jobs.csv and spots.csv of all {rows['jobs']} results there, with {rows['spots']} spots.",
        "" if has_parquet() else "No Parquet, which needs another part: pip install 'surfscan[table]'.",
    ]
    return {
        "jobs": progress.done,
        "fresh": progress.fresh,
        "known": known,
        "outcomes": dict(progress.counts),
        "seconds": round(seconds, 3),
        "out": out,
        "rows": dict(rows),
        "text": "\n".join(line for line in lines if line),
    }
