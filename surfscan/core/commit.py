"""Several files put in place together: after a power cut there are the old ones, whole, or the new ones, whole.

They are made in a hidden folder and brought onto the disk. Giving that folder its second name is the moment: before it
the old files count, after it the new ones, which are then moved over one by one. Whoever comes upon a folder with the
second name, because the move was cut short, first moves the rest.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

__all__ = ["HIDDEN", "commit", "finish", "reading", "sync"]

HIDDEN = ".surfscan-"
_WHOLE = f"{HIDDEN}whole-"
_ORDER = ".order"
_PATIENCE_S = 10.0


def sync(path: Path) -> None:
    """Bring a file or a folder onto the disk.

    Raises
    ------
    OSError
        When the disk says that it could not.
    """
    if sys.platform == "win32" and path.is_dir():
        return  # folders can't be opened there
    folder = path.is_dir()
    handle = os.open(path, os.O_RDONLY if folder else os.O_RDWR)
    try:
        os.fsync(handle)
    except OSError as error:
        if not folder or error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
            raise  # the last are drives that know nothing of folders' order
    finally:
        os.close(handle)


def commit(hidden: Path, out: Path, names: Sequence[str], *, gone: Sequence[str] = ()) -> None:
    """Put the files of a hidden folder in place, in their order, replacing those there.

    Parameters
    ----------
    hidden : Path
        Its name begins with `HIDDEN`; it lies in `out`.
    out : Path
    names : sequence of str
    gone : sequence of str
        Files of `out` that go with this, if they are there: of an earlier run, and no longer true.

    Raises
    ------
    OSError
        Where the files are then: all old, or all new as soon as somebody reads them through `finish`.
    """
    for name in names:
        sync(hidden / name)
    for name in gone:
        (hidden / f"{name}.gone").touch()
    (hidden / _ORDER).write_text("\n".join(names), encoding="utf-8")
    sync(hidden / _ORDER)
    sync(hidden)
    with _alone(out):
        _finish(out)
        whole = out / (_WHOLE + hidden.name.removeprefix(HIDDEN))
        os.rename(hidden, whole)
        sync(out)
        _move(whole, out)


def finish(out: Path) -> None:
    """Finish what was put in place and cut short; to be called before files that belong together are read."""
    if _waiting(out):
        with _alone(out):
            _finish(out)


@contextmanager
def reading(out: Path) -> Iterator[None]:
    """The same for a block that reads: while it lasts, nobody puts files in place here."""
    with _alone(out):
        _finish(out)
        yield


def _waiting(out: Path) -> list[Path]:
    try:
        with os.scandir(out) as entries:
            return sorted(Path(entry.path) for entry in entries if entry.name.startswith(_WHOLE))
    except OSError:
        return []


def _finish(out: Path) -> None:
    for whole in _waiting(out):
        _move(whole, out)


def _move(whole: Path, out: Path) -> None:
    try:
        names = (whole / _ORDER).read_text(encoding="utf-8").split("\n")
    except FileNotFoundError:  # all is moved, or somebody else does it
        names = []
    for name in names:
        if name and Path(name).name == name:
            with suppress(FileNotFoundError):  # moved before
                os.replace(whole / name, out / name)
    for left in whole.glob("*.gone"):
        (out / left.name.removesuffix(".gone")).unlink(missing_ok=True)
    sync(out)
    shutil.rmtree(whole, ignore_errors=True)


@contextmanager
def _alone(out: Path) -> Iterator[None]:
    """Alone among programs that put files into this folder, where the system has locks; else as it comes."""
    try:
        import fcntl

        handle = os.open(out, os.O_RDONLY)
    except (ImportError, OSError):
        yield
        return
    try:
        ends = time.monotonic() + _PATIENCE_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > ends:
                    break  # the other program was stopped in the middle; each move is whole by itself
                time.sleep(0.01)
            except OSError:  # a drive without locks
                break
        yield
    finally:
        os.close(handle)
