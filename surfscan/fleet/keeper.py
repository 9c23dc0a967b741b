"""The keeper: a process that has everything loaded and forks a child for each call. No thread, no numbers.

It is told over a Unix socket, in messages of nine bytes: ``F`` with two descriptors (the child's socket, and the
pipe on which the keeper tells the child's number and later how it ended), or ``K`` and the number of a child to end.
It ends, and its children with it, when that socket does.
"""

from __future__ import annotations

import ctypes
import gc
import os
import pickle
import select
import signal
import socket
import struct
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from typing import IO, Any

from surfscan.core.aside import fork_aside
from surfscan.core.errors import SurfscanError, parts_of

__all__ = ["FORK", "KILL", "MESSAGE", "NUMBER", "Request", "answer", "serve", "serve_one"]

MESSAGE = struct.Struct("!cq")
NUMBER = struct.Struct("!q")
FORK, KILL = b"F", b"K"
LOADED = (
    "surfscan.checking.pipeline",
    "surfscan.checking.lamp_light",
    "surfscan.report.export",
    # What a check loads when it comes to it: here once, else in every child anew.
    "scipy.constants",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.sparse.linalg",
    "scipy.spatial.transform",
)
"""What children find loaded: all that a check needs."""

_PARENT_DEATH = 1  # PR_SET_PDEATHSIG of Linux's prctl(2)

Request = tuple[str, tuple[Any, ...], int | None]
"""The function to call as ``module:name``, its arguments, and the most memory in bytes."""


def serve(descriptor: int, load: Sequence[str] = ()) -> None:
    """Fork children until the socket ends; they find what a check needs loaded, and `load`."""
    control = socket.socket(fileno=descriptor)
    os.dup2(2, 1)  # what libraries print is no answer
    for name in (*LOADED, *load):
        import_module(name)
    gc.collect()
    gc.freeze()  # a child that counts no references of ours shares our memory
    woken, wake = os.pipe()
    os.set_blocking(wake, False)
    signal.signal(signal.SIGCHLD, lambda number, frame: None)
    signal.set_wakeup_fd(wake)
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(1))
    children: dict[int, int] = {}
    try:
        _listen(control, woken, wake, children)
    finally:
        for number in children:
            os.kill(number, signal.SIGKILL)
        for number in children:
            os.waitpid(number, 0)


def _listen(control: socket.socket, woken: int, wake: int, children: dict[int, int]) -> None:
    while True:
        sources: list[Any] = [control, woken]
        ready = select.select(sources, [], [])[0]
        if woken in ready:
            os.read(woken, 512)
            _reap(children)
        if control in ready:
            data, given, _, _ = socket.recv_fds(control, MESSAGE.size, 2)
            if len(data) < MESSAGE.size:
                return
            kind, number = MESSAGE.unpack(data)
            if kind == KILL and number in children:
                os.kill(number, signal.SIGKILL)
            elif kind == FORK:
                _fork(given[0], given[1], children, (control.fileno(), woken, wake))


def _fork(link: int, told: int, children: dict[int, int], ours: tuple[int, ...]) -> None:
    keeper = os.getpid()
    number = os.fork()
    if number == 0:
        try:
            signal.set_wakeup_fd(-1)
            for told_of in (signal.SIGCHLD, signal.SIGTERM):
                signal.signal(told_of, signal.SIG_DFL)
            for other in (*ours, told, *children.values()):
                os.close(other)
            _die_with(keeper)
            fork_aside()  # here is one thread only, and what decoders need is loaded
            with socket.socket(fileno=link) as ends, ends.makefile("rb") as asked, ends.makefile("wb") as out:
                answer(asked, out)
        finally:
            os._exit(0)
    os.close(link)
    with suppress(BrokenPipeError):  # who asked is gone, and this keeper is about to hear of it
        os.write(told, NUMBER.pack(number))
    children[number] = told


def _reap(children: dict[int, int]) -> None:
    while True:
        try:
            number, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if number == 0:
            return
        told = children.pop(number)
        with suppress(BrokenPipeError):
            os.write(told, NUMBER.pack(os.waitstatus_to_exitcode(status)))
        os.close(told)


def _die_with(keeper: int) -> None:
    """End when the keeper ends, however it does (Linux); be the first to go when memory runs out."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PARENT_DEATH, signal.SIGKILL)
        with suppress(OSError), open("/proc/self/oom_score_adj", "w") as score:
            score.write("500")
    if os.getppid() != keeper:
        os._exit(1)


def serve_one() -> None:
    """A child of its own where there is no fork: one request in, answers out."""
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    answer(sys.stdin.buffer, out)
    out.close()


def answer(asked: IO[bytes], out: IO[bytes]) -> None:
    """Do what was asked: progress, then one of result, refused, short (of memory) or fault."""

    def tell(kind: str, value: Any) -> None:
        out.write(pickle.dumps((kind, value), protocol=5))
        out.flush()

    try:
        name, arguments, most_bytes = pickle.load(asked)
        _bound(most_bytes)
        module, _, attribute = name.partition(":")
        function = getattr(import_module(module), attribute)
        tell("result", function(*arguments, progress=lambda stage, share: tell("progress", (stage, share))))
    except SurfscanError as error:
        rest = parts_of(error)
        tell("refused", (type(error).__name__, error.what, rest))
    except MemoryError:
        tell("short", None)
    except Exception as error:
        short = _is_short(error)
        tell("short", None) if short else tell("fault", f"{type(error).__name__}: {error}")


_CV_NO_MEMORY = -4  # cv::Error::StsNoMem
_NO_STACK = "can't start new thread"  # Python's words when there is no room for its stack


def _is_short(error: Exception) -> bool:
    """Whether an error of a library's is a want of memory."""
    of_cv = type(error).__module__ == "cv2" and getattr(error, "code", None) == _CV_NO_MEMORY
    return of_cv or (type(error) is RuntimeError and str(error) == _NO_STACK)


def _bound(most_bytes: int | None) -> None:
    """Hold this process to so much memory of its own, where the system can do that."""
    with suppress(ImportError):  # Windows has no such module
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        if most_bytes is not None:
            hard = resource.getrlimit(resource.RLIMIT_DATA)[1]  # kept: decoders have a bound of their own
            resource.setrlimit(resource.RLIMIT_DATA, (most_bytes, hard))
