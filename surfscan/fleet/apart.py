"""A call in a process of its own: a server's page stays quick, and a crash takes only that call with it.

A `Keeper` has a process that has loaded everything and forks a child for each call, so that a call costs a few
milliseconds; where there is no fork, each call starts an interpreter. A child answers with pickled progress, then
the result or what was wrong. Only our own children are ever unpickled.
"""

from __future__ import annotations

import os
import pickle
import socket
import subprocess
import sys
import threading
import weakref
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Any

from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError
from surfscan.fleet.keeper import FORK, KILL, MESSAGE, NUMBER

__all__ = ["CHECK", "NO_BOUNDS", "Bounds", "EndedError", "Keeper"]

CHECK = "surfscan.checking.pipeline:check_job"
"""What to call for a `CheckResult` of a job folder."""

_KINDS = {kind.__name__: kind for kind in (SurfscanError, UsageError, RefusedError, NotMeasuredError)}
_KEEPER = "import sys; from surfscan.fleet.keeper import serve; serve(int(sys.argv[1]), sys.argv[2:])"
_CHILD = "from surfscan.fleet.keeper import serve_one; serve_one()"
_ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"), "1")
_OUTSIDE = (2, 9, 15)  # signals: Ctrl-C, whoever makes room in memory, a polite end
_FORKS = hasattr(os, "fork") and hasattr(socket, "send_fds")

Progress = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one call may take: memory in MB (1e6 bytes, of the process's own), and seconds. None is no limit."""

    memory_mb: float | None = None
    seconds: float | None = None


NO_BOUNDS = Bounds()


class EndedError(RuntimeError):
    """A call that came to no answer.

    Attributes
    ----------
    kind : str
        "crashed", "timeout", "memory", "fault" (of ours: an exception that is no `SurfscanError`), or "stopped" when
        the keeper was closed.
    status : int or None
        How the process ended, negative for a signal; None where the keeper was lost, or the process goes on.
    """

    def __init__(self, kind: str, told: str, status: int | None = None) -> None:
        super().__init__(told)
        self.kind, self.status = kind, status

    @property
    def from_outside(self) -> bool:
        """Whether somebody else ended the process, so that another try may fare better."""
        return self.kind == "crashed" and (self.status is None or -self.status in _OUTSIDE)


class Keeper:
    """Runs calls, each in a process of its own; many threads may call at once.

    Parameters
    ----------
    one_thread : bool
        Hold the number libraries to one thread in each process: for as many calls at once as there are cores.
    load : sequence of str
        Modules that calls find loaded, besides those of a check.
    fork : bool
        Fork from a process that has everything loaded; False starts an interpreter for each call.
    """

    def __init__(self, *, one_thread: bool = False, load: Sequence[str] = (), fork: bool = _FORKS) -> None:
        self._load = tuple(load)
        self._settings = _ONE_THREAD if one_thread else {}
        self._fork, self._lock, self._closed = fork, threading.Lock(), False
        self._process: subprocess.Popen[bytes] | None = None
        self._control: socket.socket | None = None

    def __enter__(self) -> Keeper:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(self) -> None:
        """Start the process that forks, so that a first call finds everything loaded."""
        if self._fork:
            with self._lock:
                self._started()

    def call(
        self,
        function: str,
        *arguments: Any,
        bounds: Bounds = NO_BOUNDS,
        progress: Progress | None = None,
    ) -> Any:
        """Call a function in a process of its own.

        Parameters
        ----------
        function : str
            ``module:name``, so that the one who asks need not load it; called with the arguments and ``progress``.
        *arguments
            Whatever can be pickled.
        bounds : Bounds
        progress : callable, optional
            Told a stage in words and the share done, 0 to 1.

        Returns
        -------
        Any
            What the function returned.

        Raises
        ------
        SurfscanError
            As the function did.
        EndedError
            When it failed otherwise, took too much, or its process was ended.
        """
        child = self._forked() if self._fork else _Spawned(self._environment())
        late = threading.Event()

        def end() -> None:
            late.set()
            child.kill()

        timer = None if bounds.seconds is None else threading.Timer(bounds.seconds, end)
        try:
            if timer is not None:
                timer.daemon = True
                timer.start()
            most = None if bounds.memory_mb is None else int(1e6 * bounds.memory_mb)
            kind, told = _ask(child, (function, arguments, most), progress)
        except BaseException:  # the one who asked was interrupted, or its progress failed
            child.kill()
            raise
        finally:
            if timer is not None:
                timer.cancel()
            status = child.close()
        if self._closed and kind != "result":
            raise EndedError("stopped", "it was stopped", status)
        return _answered(kind, told, status, late=late.is_set(), bounds=bounds)

    def close(self) -> None:
        """End the process and every call that runs, for good."""
        with self._lock:
            self._closed = True
            if self._process is not None and self._control is not None:
                _end(self._process, self._control)
            self._process = self._control = None

    def _environment(self) -> dict[str, str]:
        path = os.pathsep.join(entry or os.getcwd() for entry in sys.path)
        quick = {"PYDANTIC_DISABLE_PLUGINS": "1"}  # else it reads what is installed, and looks for some
        return {**quick, **os.environ, **self._settings, "PYTHONPATH": path}

    def _started(self) -> socket.socket:
        """The socket of a process that runs; the lock is held."""
        if self._closed:
            raise EndedError("stopped", "it was stopped")
        if self._process is not None and self._control is not None:
            if self._process.poll() is None:
                return self._control
            _end(self._process, self._control)
        ours, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-c", _KEEPER, str(theirs.fileno()), *self._load],
                stdin=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                env=self._environment(),
                start_new_session=True,  # Ctrl-C is for the one who asked, who then ends it
            )
        self._control = ours
        weakref.finalize(self, _end, self._process, ours)  # with the keeper, or with the program
        return ours

    def _forked(self) -> _Forked:
        ours, theirs = socket.socketpair()
        told, tell = os.pipe()
        try:
            with self._lock:
                control = self._ask_for_fork(theirs.fileno(), tell)
        except BaseException:
            ours.close()
            os.close(told)
            raise
        finally:
            theirs.close()
            os.close(tell)
        return _Forked(ours, told, control)

    def _ask_for_fork(self, link: int, tell: int) -> socket.socket:
        """Hand a child's descriptors over; to another process when the first has ended since it was looked at."""
        request = [MESSAGE.pack(FORK, 0)]
        control = self._started()
        try:
            socket.send_fds(control, request, [link, tell])
        except OSError:
            assert self._process is not None
            _end(self._process, control)
            control = self._started()
            socket.send_fds(control, request, [link, tell])
        return control


class _Forked:
    """A child of the keeper's."""

    def __init__(self, link: socket.socket, told: int, control: socket.socket) -> None:
        self._link, self._told, self._control = link, told, control
        self._answers = link.makefile("rb")
        self._number = self._read()

    def _read(self) -> int | None:
        data = os.read(self._told, NUMBER.size)
        return None if len(data) < NUMBER.size else int(NUMBER.unpack(data)[0])

    def ask(self, request: bytes) -> IO[bytes]:
        self._link.sendall(request)
        return self._answers

    def kill(self) -> None:
        if self._number is not None:
            with suppress(OSError):  # the keeper is gone, and the child with it
                self._control.sendall(MESSAGE.pack(KILL, self._number))

    def close(self) -> int | None:
        """Wait for its end; how it ended, None when nobody is left to tell."""
        self._answers.close()
        self._link.close()
        status = self._read() if self._number is not None else None
        os.close(self._told)
        return status


class _Spawned:
    """An interpreter started for one call."""

    def __init__(self, environment: dict[str, str]) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _CHILD],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
        )

    def ask(self, request: bytes) -> IO[bytes]:
        assert self._process.stdin is not None  # for the type checker, as the next one
        assert self._process.stdout is not None
        self._process.stdin.write(request)
        self._process.stdin.close()
        return self._process.stdout

    def kill(self) -> None:
        self._process.kill()

    def close(self) -> int | None:
        assert self._process.stdout is not None
        self._process.stdout.close()
        return self._process.wait()


def _ask(child: _Forked | _Spawned, request: tuple[Any, ...], progress: Progress | None) -> tuple[str, Any]:
    """The last answer of a child; ("", None) when it ended without one."""
    try:
        answers = child.ask(pickle.dumps(request, protocol=5))
        while True:
            kind, told = pickle.load(answers)
            if kind != "progress":
                return kind, told
            if progress is not None:
                progress(*told)
    except (OSError, EOFError, pickle.UnpicklingError):
        return "", None


def _answered(kind: str, told: Any, status: int | None, *, late: bool, bounds: Bounds) -> Any:
    """The result, or the error that an answer stands for."""
    if kind == "result":
        return told
    if kind == "refused":
        name, what, rest = told
        raise _KINDS[name](what, **rest)
    if kind == "short":
        most = "there is" if bounds.memory_mb is None else f"{bounds.memory_mb:.0f} MB"
        raise EndedError("memory", f"it needs more memory than {most}", status)
    if kind == "fault":
        raise EndedError("fault", told, status)
    if late:
        raise EndedError("timeout", f"it was not done after {bounds.seconds:g} s", status)
    raise EndedError("crashed", f"its process ended, status {status}", status)


def _end(process: subprocess.Popen[bytes], control: socket.socket) -> None:
    control.close()
    process.terminate()  # it may be loading still, and hear nothing
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
