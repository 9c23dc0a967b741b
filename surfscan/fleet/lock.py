"""One batch at a time into an output folder: two would do the same jobs twice."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from surfscan.core.errors import RefusedError
from surfscan.fleet.places import local_path, see_writable
from surfscan.report.output import LOCK, prepare_output

__all__ = ["kept_alone"]


@contextmanager
def kept_alone(out: str) -> Iterator[None]:
    """Hold an output folder of this computer for a block; the hold ends with the process, however that ends.

    An address is not held, as stores have no locks; it is seen that it can be written.

    Raises
    ------
    RefusedError
        When another process holds it, or the address can't be written.
    """
    path = local_path(out)
    if path is None:
        see_writable(out)
    try:
        import fcntl
    except ImportError:  # Windows
        path = None
    if path is None:
        yield
        return
    prepare_output(path)
    with (path / LOCK).open("a+") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            raise RefusedError(
                f"Another batch writes into {out}",
                found=f"process {file.read().strip() or 'unknown'}",
                allowed="one at a time",
                cure="wait for it, or choose another folder with --out",
            ) from None
        except OSError:  # a network drive without locks
            yield
            return
        file.truncate(0)
        file.write(str(os.getpid()))
        file.flush()
        yield
