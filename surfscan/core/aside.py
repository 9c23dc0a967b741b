"""Calls into foreign code, in a process of their own: a decoder that crashes, hangs or swells takes only that along.

A picture or an archive from elsewhere is read by libraries in C. One child process reads for its parent, one thing
after another, within a time and a memory of its own; when it ends, the file is refused in words and the next call
starts another. Its answer is plain words and plain arrays, never pickled objects. It is no sandbox: what it runs has
the user's rights.
"""

from __future__ import annotations

import faulthandler
import importlib
import json
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

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError, parts_of

__all__ = ["MOST_S", "Answer", "end_aside", "run_aside", "start_aside"]

MOST_S = 25.0
"""Longest that one call may take: a photo of 100 megapixels takes five."""

MOST_MB = 2000
"""Memory that one call may take, besides the file itself twice."""

Answer = tuple[dict[str, Any], list[Array]]
"""What a call gives back: words and numbers, and arrays."""

_KINDS = {kind.__name__: kind for kind in (SurfscanError, UsageError, RefusedError, NotMeasuredError)}
_TYPES = ("|u1", "<u2", "<f8", "|b1")
_MOST_HEAD, _MOST_ARRAY = 1_000_000, 2_000_000_000
_NO_MEMORY = 71
_CHILD = "from surfscan.core.aside import _serve; _serve({line})"


class _Child(subprocess.Popen[bytes]):
    """The process, and the end of a pipe that ends it when it closes, as it does however this process ends."""

    line: IO[bytes] | None = None


class _Aside:
    """The child of this process, started with the first call."""

    def __init__(self) -> None:
        self._child: _Child | None = None
        self._lock = threading.Lock()

    def start(self, module: str) -> None:
        with self._lock, suppress(OSError):
            child = self._started()
            assert child.stdin is not None  # for the type checker
            _put(child.stdin, {"load": module})
            child.stdin.flush()

    def _started(self) -> _Child:
        if self._child is None or self._child.poll() is not None:
            self._child = _start()
            weakref.finalize(self, _end, self._child)
        return self._child

    def run(self, task: str, words: dict[str, Any], data: bytes, on_disk: int) -> Answer:
        with self._lock:
            try:
                child = self._started()
            except OSError:  # no process can be started here, as in an embedded Python
                return _called(task, words, data)
            began = time.monotonic()
            assert child.stdin is not None  # for the type checker, as the next one
            assert child.stdout is not None
            try:
                most = {"most_s": MOST_S, "most_mb": MOST_MB, "on_disk": on_disk}
                _put(child.stdin, {"task": task, "words": words, "bytes": len(data), **most})
                child.stdin.write(data)
                child.stdin.flush()
                head = _take(child.stdout)
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
    elif status == _NO_MEMORY:
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


def _end(child: _Child) -> int:
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


def _put(pipe: IO[bytes], head: dict[str, Any]) -> None:
    text = json.dumps(head).encode()
    pipe.write(len(text).to_bytes(8, "big") + text)


def _exactly(pipe: IO[bytes], count: int) -> bytes:
    data = pipe.read(count)
    if len(data) < count:
        raise EOFError
    return data


def _take(pipe: IO[bytes]) -> dict[str, Any]:
    size = int.from_bytes(_exactly(pipe, 8), "big")
    if size > _MOST_HEAD:
        raise ValueError("a head that is too long")
    head = json.loads(_exactly(pipe, size))
    if not isinstance(head, dict):
        raise ValueError("a head of another kind")
    return head


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


def _called(task: str, words: dict[str, Any], data: bytes) -> Answer:
    module, name = task.split(":")
    answer: Answer = getattr(importlib.import_module(module), name)(words, data)
    return answer


def _end_with(line: int) -> None:
    """End when the pipe closes: by a signal of the system, which foreign code can't hold up, and by a thread."""

    def wait() -> None:
        os.read(line, 1)
        os._exit(0)

    threading.Thread(target=wait, daemon=True).start()
    with suppress(ImportError, AttributeError, OSError):  # what has no such signal has the thread
        import fcntl

        # SIGIO, which ends a process that asks for nothing else.
        fcntl.fcntl(line, fcntl.F_SETOWN, os.getpid())
        fcntl.fcntl(line, fcntl.F_SETFL, fcntl.fcntl(line, fcntl.F_GETFL) | os.O_ASYNC)


def _serve(line: int = -1) -> None:
    """The child: a head and a file in, an answer out, until the input ends or its parent does."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if line >= 0:
        _end_with(line)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    quiet = open(os.devnull, "w")  # noqa: SIM115 - as long as the process
    while True:
        try:
            head = _take(sys.stdin.buffer)
        except EOFError:
            return
        if "load" in head:
            importlib.import_module(head["load"])
            continue
        size = int(head["bytes"])
        _bound(head["most_mb"] * 10**6 + 2 * (size + int(head["on_disk"])))
        faulthandler.dump_traceback_later(
            head["most_s"], exit=True, file=quiet
        )  # also where no Python code runs
        _answer(head, _exactly(sys.stdin.buffer, size), out)
        faulthandler.cancel_dump_traceback_later()


def _bound(more: int) -> None:
    """Hold the memory to what is there and what the call may take, bytes."""
    try:
        import resource

        with open("/proc/self/statm", encoding="ascii") as file:
            now = int(file.read().split()[0]) * resource.getpagesize()
    except (ImportError, OSError, ValueError):  # not Linux
        return
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    most = now + more
    its_parents = resource.getrlimit(resource.RLIMIT_DATA)[1]
    resource.setrlimit(
        resource.RLIMIT_DATA, (its_parents, its_parents)
    )  # what its parent may take is another bound
    resource.setrlimit(resource.RLIMIT_AS, (most if hard < 0 else min(most, hard), hard))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _answer(head: dict[str, Any], data: bytes, out: IO[bytes]) -> None:
    arrays: list[Array] = []
    try:
        words, arrays = _called(head["task"], head["words"], data)
        arrays = [np.ascontiguousarray(array) for array in arrays]
        rows = [{"shape": list(array.shape), "kind": array.dtype.str} for array in arrays]
        said: dict[str, Any] = {"answer": words, "arrays": rows}
    except SurfscanError as error:
        rest = parts_of(error)
        said, arrays = {"refused": [type(error).__name__, error.what, rest]}, []
    except MemoryError:
        os._exit(_NO_MEMORY)
    except Exception as error:
        said, arrays = {"fault": f"{type(error).__name__}: {error}"}, []
    _put(out, said)
    for array in arrays:
        out.write(array.data.cast("B") if array.size else b"")
    out.flush()
