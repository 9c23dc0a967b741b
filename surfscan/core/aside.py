"""Calls into foreign code, in a process of their own: a decoder that crashes, hangs or swells takes only that along.

A picture or an archive from elsewhere is read by libraries in C. One child process reads for its parent, one thing
after another, within a time and a memory of its own; when it ends, the file is refused in words and the next call
starts another. Its answer is plain words and plain arrays, never pickled objects. It is no sandbox: what it runs has
the user's rights.
"""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
import weakref
from contextlib import suppress
from typing import IO, Any

import numpy as np

from surfscan.core.aside_child import NO_MEMORY, Answer, called, put, serve, take
from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError

__all__ = ["MOST_S", "Answer", "end_aside", "fork_aside", "run_aside", "start_aside"]

MOST_S = 25.0
"""Longest that one call may take: a photo of 100 megapixels takes five."""

MOST_MB = 2000
"""Memory that one call may take, besides the file itself twice."""

_KINDS = {kind.__name__: kind for kind in (SurfscanError, UsageError, RefusedError, NotMeasuredError)}
_TYPES = ("|u1", "<u2", "<f8", "|b1")
_MOST_ARRAY = 2_000_000_000
_CHILD = "from surfscan.core.aside_child import serve; serve({line})"


class _Child(subprocess.Popen[bytes]):
    """The process, and the end of a pipe that ends it when it closes, as it does however this process ends."""

    line: IO[bytes] | None = None


class _Twin:
    """The same of a process that was forked: it has everything loaded, and is there after a few milliseconds."""

    def __init__(self, number: int, into: int, out_of: int, line: int) -> None:
        self.stdin, self.stdout = os.fdopen(into, "wb"), os.fdopen(out_of, "rb")
        self.line: IO[bytes] | None = os.fdopen(line, "wb")
        self._number = number
        self._status: int | None = None

    def poll(self) -> int | None:
        if self._status is None:
            number, status = os.waitpid(self._number, os.WNOHANG)
            self._status = os.waitstatus_to_exitcode(status) if number else None
        return self._status

    def wait(self, timeout: float | None = None) -> int:
        end = None if timeout is None else time.monotonic() + timeout
        while end is not None and self.poll() is None:
            if time.monotonic() > end:
                raise subprocess.TimeoutExpired("a decoder", timeout or 0.0)
            time.sleep(0.005)
        if self._status is None:
            self._status = os.waitstatus_to_exitcode(os.waitpid(self._number, 0)[1])
        return self._status

    def kill(self) -> None:
        if self.poll() is None:
            os.kill(self._number, signal.SIGKILL)


class _Aside:
    """The child of this process, started with the first call."""

    def __init__(self) -> None:
        self._child: _Child | _Twin | None = None
        self._lock = threading.Lock()

    def fork(self) -> None:
        with self._lock, suppress(OSError):
            if self._child is None:
                self._child = _fork()
                weakref.finalize(self, _end, self._child)

    def start(self, module: str) -> None:
        with self._lock, suppress(OSError):
            child = self._started()
            assert child.stdin is not None  # for the type checker
            put(child.stdin, {"load": module})
            child.stdin.flush()

    def _started(self) -> _Child | _Twin:
        if self._child is None or self._child.poll() is not None:
            self._child = _start()
            weakref.finalize(self, _end, self._child)
        return self._child

    def run(self, task: str, words: dict[str, Any], data: bytes, on_disk: int) -> Answer:
        with self._lock:
            try:
                child = self._started()
            except OSError:  # no process can be started here, as in an embedded Python
                return called(task, words, data)
            began = time.monotonic()
            assert child.stdin is not None  # for the type checker, as the next one
            assert child.stdout is not None
            try:
                most = {"most_s": MOST_S, "most_mb": MOST_MB, "on_disk": on_disk}
                put(child.stdin, {"task": task, "words": words, "bytes": len(data), **most})
                child.stdin.write(data)
                child.stdin.flush()
                head = take(child.stdout)
                arrays = [_take_array(child.stdout, row) for row in head.pop("arrays", ())]
            except (OSError, EOFError, ValueError, KeyError, TypeError) as error:
                status = _end(child)
                self._child = None
                known = isinstance(error, OSError | EOFError)
                raise _gone(words, status if known else None, time.monotonic() - began) from None
            except BaseException:  # Ctrl-C: half an answer is in the pipe
                _end(child)
                self._child = None
                raise
        if "refused" in head:
            name, what, rest = head["refused"]
            raise _KINDS[name](what, **rest)
        if "fault" in head:
            raise RuntimeError(head["fault"])
        return head["answer"], arrays

    def end(self) -> None:
        child, self._child = self._child, None  # no lock: who waits for an answer gets none
        if child is not None:
            _end(child)


_aside = _Aside()


def _renew() -> None:
    """A forked process must not talk to its parent's child."""
    global _aside
    _aside = _Aside()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_renew)


def start_aside(module: str) -> None:
    """Start the child with a module, so that the first call finds it loaded: a fifth of a second beside other work."""
    _aside.start(module)


def fork_aside() -> None:
    """Start the child as a fork of this process, which must have one thread only and hold no secret."""
    if hasattr(os, "fork"):
        _aside.fork()


def end_aside() -> None:
    """End the child, also in the middle of a call, which then is refused."""
    _aside.end()


def run_aside(task: str, words: dict[str, Any], data: bytes = b"", *, on_disk: int = 0) -> Answer:
    """Call a function of ours that uses foreign code, in the child.

    Parameters
    ----------
    task : str
        ``module:function``; it is called as ``function(words, data)`` and returns an `Answer`.
    words : dict
        What JSON holds; ``file`` is the name for messages.
    data : bytes
        The file.
    on_disk : int
        Size of a file that the function reads itself, bytes: it may take that much memory more, twice.

    Returns
    -------
    Answer

    Raises
    ------
    RefusedError
        As the function; or when the child crashed, took longer than `MOST_S`, or needed more than `MOST_MB`.
    RuntimeError
        When the function failed otherwise.
    """
    return _aside.run(task, words, data, on_disk)


def _gone(words: dict[str, Any], status: int | None, seconds: float) -> RefusedError:
    """What to say of a child that ended, with its status; None for one that answered what is no answer."""
    if status == -signal.SIGINT:
        raise KeyboardInterrupt
    if status is None:
        found = "an answer from its decoder that can't be used"
    elif status == NO_MEMORY:
        found = f"a decoder that wanted more than {MOST_MB / 1000:g} GB for it"
    elif seconds >= MOST_S:
        found = f"no answer from its decoder within {MOST_S:g} s"
    elif status < 0:
        found = f"a decoder that it brought down ({_signal_name(-status)})"
    else:
        found = f"a decoder that ended over it (status {status})"
    return RefusedError(
        f"{words.get('file', 'The file')} cannot be read",
        found=found,
        allowed=f"a whole file that is read within {MOST_S:g} s and {MOST_MB / 1000:g} GB",
        cure="copy it again, or export it anew",
    )


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"


def _start() -> _Child:
    path = os.pathsep.join(entry or os.getcwd() for entry in sys.path)
    ours, theirs = (os.pipe()[::-1]) if os.name == "posix" else (-1, -1)
    try:
        child = _Child(
            # -P: nothing is imported from the folder one is in
            [sys.executable, "-P", "-c", _CHILD.format(line=theirs)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # what decoders mutter is for nobody
            env={**os.environ, "PYTHONPATH": path},
            pass_fds=(theirs,) if theirs >= 0 else (),
        )
    except BaseException:
        if ours >= 0:
            os.close(ours)
        raise
    finally:
        if theirs >= 0:
            os.close(theirs)
    child.line = os.fdopen(ours, "wb") if ours >= 0 else None
    return child


def _fork() -> _Twin:
    """A child that goes on from here: nothing of this process stays open in it but its pipes."""
    (asks, into), (out_of, answers), (line, end) = os.pipe(), os.pipe(), os.pipe()
    number = os.fork()
    if number == 0:
        try:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            far = [os.dup(fd) for fd in (asks, answers, nowhere, line)]  # above all that they are copied onto
            for fd in range(4):
                os.dup2(far[fd], fd)
            os.closerange(4, os.sysconf("SC_OPEN_MAX"))
            sys.stdin = open(0, closefd=False)  # noqa: SIM115 - as long as the process
            serve(3)
        finally:
            os._exit(0)
    for theirs in (asks, answers, line):
        os.close(theirs)
    return _Twin(number, into, out_of, end)


def _end(child: _Child | _Twin) -> int:
    """End the child; its status, which is its own where it had ended before."""
    with suppress(subprocess.TimeoutExpired):
        child.wait(0.2)  # an end of file comes a moment before the end
    child.kill()
    status = child.wait()
    for pipe in (child.stdin, child.stdout, child.line):
        if pipe is not None:
            with suppress(OSError):
                pipe.close()
    return status


def _take_array(pipe: IO[bytes], row: dict[str, Any]) -> Array:
    """An array of the kinds we know, of a size we allow, whatever the child says."""
    shape, kind = [int(n) for n in row["shape"]], row["kind"]
    if kind not in _TYPES or min(shape, default=0) < 0 or len(shape) > 3:
        raise ValueError("an array of another kind")
    if math.prod(shape) * np.dtype(kind).itemsize > _MOST_ARRAY:
        raise ValueError("an array that is too large")
    array = np.empty(shape, kind)
    room, at = array.data.cast("B") if array.size else memoryview(b""), 0
    while at < len(room):
        got = pipe.readinto(room[at:])  # type: ignore[attr-defined]
        if not got:
            raise EOFError
        at += got
    return array
