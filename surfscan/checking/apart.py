"""A check in a process of its own: a server's page stays quick, and a crash takes only the check with it.

The child reads a job folder's name, and answers with pickled progress, then the result or what was wrong. It ends
when its input does. Only our own child is ever unpickled.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
import weakref
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from surfscan.core.aside import start_aside
from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError
from surfscan.core.records import CheckResult

__all__ = ["CheckWorker"]

_KINDS = {kind.__name__: kind for kind in (SurfscanError, UsageError, RefusedError, NotMeasuredError)}
_CHILD = "from surfscan.checking.apart import _serve; _serve()"


class CheckWorker:
    """One child process that checks one job after another; it starts with its first job, or with `start`."""

    def __init__(self) -> None:
        self._child: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def start(self) -> None:
        """Start the child, so that its first job finds everything loaded."""
        with self._lock:
            self._started()

    def _started(self) -> subprocess.Popen[bytes]:
        if self._child is None or self._child.poll() is not None:
            path = os.pathsep.join(entry or os.getcwd() for entry in sys.path)
            self._child = subprocess.Popen(
                [sys.executable, "-P", "-c", _CHILD],  # -P: nothing is imported from the folder one is in
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env={**os.environ, "PYTHONPATH": path},
            )
            weakref.finalize(self, _end, self._child)  # with the worker, or with the program
        return self._child

    def check(self, job: Path | str, *, progress: Callable[[str, float], None] | None = None) -> CheckResult:
        """Check a job folder; as `pipeline.check_job`.

        Parameters
        ----------
        job : path
        progress : callable, optional
            Told a stage in words and the share done, 0 to 1.

        Returns
        -------
        CheckResult

        Raises
        ------
        SurfscanError
            As `check_job`.
        RuntimeError
            When the child failed or died; the next check starts another.
        """
        with self._lock:
            child = self._started()
            assert child.stdin is not None  # for the type checker, as the next one
            assert child.stdout is not None
            try:
                child.stdin.write(f"{Path(job).absolute()}\n".encode())
                child.stdin.flush()
                while True:
                    kind, told = pickle.load(child.stdout)
                    if kind != "progress":
                        break
                    if progress is not None:
                        progress(*told)
            except (OSError, EOFError, pickle.UnpicklingError):
                _end(child)
                raise RuntimeError(f"the check's process ended, status {child.returncode}") from None
        if kind == "result":
            assert isinstance(told, CheckResult)
            return told
        if kind == "refused":
            name, what, rest = told
            raise _KINDS[name](what, **rest)
        raise RuntimeError(told)

    def close(self) -> None:
        """End the child."""
        with self._lock:
            if self._child is not None:
                _end(self._child)
                self._child = None


def _end(child: subprocess.Popen[bytes]) -> None:
    child.kill()
    child.wait()
    for pipe in (child.stdin, child.stdout):
        if pipe is not None:
            with suppress(OSError):  # what was still to be written has no reader any more
                pipe.close()


def _serve() -> None:
    """The child: one line in, answers out, until the input ends. What libraries print goes to stderr."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    start_aside("surfscan.job.decoders")
    from surfscan.checking.pipeline import check_job

    for line in sys.stdin.buffer:
        _answer(Path(line.decode().rstrip("\n")), out, check_job)


def _answer(job: Path, out: IO[bytes], check: Callable[..., CheckResult]) -> None:
    def tell(kind: str, value: Any) -> None:
        out.write(pickle.dumps((kind, value), protocol=5))
        out.flush()

    try:
        tell("result", check(job, progress=lambda stage, share: tell("progress", (stage, share))))
    except SurfscanError as error:
        rest = {"found": error.found, "allowed": error.allowed, "cure": error.cure}
        tell("refused", (type(error).__name__, error.what, rest))
    except Exception as error:
        tell("fault", f"{type(error).__name__}: {error}")
