"""Files written whole or not at all.

What is to be written is made in a hidden folder (or file) beside its place, brought onto the disk, then put in place
together (`surfscan.core.commit`). A full disk, Ctrl-C or a power cut leaves what was there before; other files are not
touched.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from surfscan.core.commit import HIDDEN, commit, sync
from surfscan.core.errors import RefusedError

__all__ = [
    "FAULTS_FILE",
    "LOCK",
    "OUTPUT_FILES",
    "output_folder",
    "prepare_output",
    "sweep",
    "unwritable",
    "write_file",
    "write_files",
    "written_whole",
]

OUTPUT_FILES = ("height.npz", "overlay.png", "map.png", "spots.csv", "result.json")
"""In the order in which they are put in place: `result.json` last, so that it is there only with the others."""

FAULTS_FILE = "faults.csv"
"""Beside them where small faults were looked for."""

LOCK = f"{HIDDEN}batch"
"""The file that a batch holds while it writes below a folder."""
_LEFT_S = 3600.0
_CURE = "choose another folder with --out, or free some room"


def prepare_output(out: Path) -> bool:
    """Make the output folder and see that it can be written, before anything is computed.

    Parameters
    ----------
    out : Path

    Returns
    -------
    bool
        True when the folder was made here (so that a run that fails can take it away again).

    Raises
    ------
    RefusedError
        When it is a file, can't be made or can't be written.
    """
    if out.exists() and not out.is_dir():
        raise RefusedError(
            f"The output folder {out} is a file", allowed="a folder", cure=_CURE, found="a file"
        )
    made = not out.exists()
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        raise unwritable(out, error) from None
    return made


@contextmanager
def output_folder(out: Path) -> Iterator[bool]:
    """`prepare_output` for a block of work: a block that fails leaves no empty folder of its own behind.

    Yields
    ------
    bool
        True when the folder was made here.
    """
    made = prepare_output(out)
    try:
        yield made
    except BaseException:
        if made:
            with suppress(OSError):
                out.rmdir()
        raise


@contextmanager
def written_whole(
    out: Path, names: Sequence[str] | None = None, *, gone: Sequence[str] = ()
) -> Iterator[Path]:
    """Fill a hidden folder in `out`; what is in it at the end of the block is moved over.

    Parameters
    ----------
    out : Path
        An existing folder.
    names : sequence of str, optional
        The files in the order in which they are moved; all there are, sorted, when it is left out.
    gone : sequence of str
        Files of an earlier run that go when these are put in place.

    Yields
    ------
    Path
        The hidden folder.

    Raises
    ------
    RefusedError
        When the folder can't be written or the disk is full; nothing is changed then.
    """
    try:
        sweep(out)
        hidden = Path(tempfile.mkdtemp(prefix=HIDDEN, dir=out))
        try:
            yield hidden
            moved = sorted(path.name for path in hidden.iterdir()) if names is None else names
            with _no_interrupt():
                commit(hidden, out, moved, gone=gone)
        finally:
            shutil.rmtree(hidden, ignore_errors=True)
    except OSError as error:
        raise unwritable(out, error) from None


def sweep(out: Path, *, older_s: float = _LEFT_S) -> None:
    """Take away what killed programs left half-written in a folder: by default, what is older than any write takes."""
    for left in out.glob(f"{HIDDEN}*"):
        with suppress(OSError):
            if left.name.startswith(f"{HIDDEN}whole-"):
                continue  # cut short while it was put in place: `commit` finishes it
            if left.is_symlink() or left.name == LOCK or time.time() - left.stat().st_mtime < older_s:
                continue
            if left.is_dir():
                shutil.rmtree(left, ignore_errors=True)
            else:
                left.unlink()


def write_files(out: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write ready bytes under their names into an existing folder, all or none.

    Parameters
    ----------
    out : Path
    files : mapping of name to bytes

    Returns
    -------
    list of Path

    Raises
    ------
    RefusedError
        When the folder can't be written; nothing is changed then.
    """
    with written_whole(out, tuple(files)) as hidden:
        for name, data in files.items():
            (hidden / name).write_bytes(data)
    return [out / name for name in files]


def write_file(path: Path, data: bytes, *, make_folder: bool = False) -> None:
    """Write one file.

    Parameters
    ----------
    path : Path
    data : bytes
    make_folder : bool
        Make the folder it lies in when that is missing.

    Raises
    ------
    RefusedError
        When it can't be written; nothing is changed then.
    """
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        handle, hidden = tempfile.mkstemp(prefix=HIDDEN, dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(hidden, 0o644)  # a temporary file is its owner's alone
            os.replace(hidden, path)
            sync(path.parent)
        except BaseException:
            Path(hidden).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise RefusedError(
            f"{path} can't be written",
            found=error.strerror or str(error),
            cure="choose another place",
            allowed="a place that you may write, with room",
        ) from None


def unwritable(out: Path, error: OSError) -> RefusedError:
    """What to say when the output folder can't be written."""
    return RefusedError(
        f"The output folder {out} cannot be written",
        found=error.strerror or str(error),
        cure=_CURE,
        allowed="a folder that you may write, with room",
    )


@contextmanager
def _no_interrupt() -> Iterator[None]:
    """Hold Ctrl-C back while the files are put in place, which takes milliseconds."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt
