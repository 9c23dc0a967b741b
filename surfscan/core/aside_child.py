"""The side of `surfscan.core.aside` that reads: one thing after another, within a time and a memory of its own."""

from __future__ import annotations

import faulthandler
import importlib
import json
import os
import signal
import sys
import threading
from contextlib import suppress
from typing import IO, Any

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import SurfscanError, parts_of

__all__ = ["NO_MEMORY", "Answer", "called", "exactly", "put", "serve", "take"]

Answer = tuple[dict[str, Any], list[Array]]
"""What a call gives back: words and numbers, and arrays."""

NO_MEMORY = 71
"""Status of a child that wanted more memory than it may take."""

_MOST_HEAD = 1_000_000


def put(pipe: IO[bytes], head: dict[str, Any]) -> None:
    text = json.dumps(head).encode()
    pipe.write(len(text).to_bytes(8, "big") + text)


def exactly(pipe: IO[bytes], count: int) -> bytes:
    data = pipe.read(count)
    if len(data) < count:
        raise EOFError
    return data


def take(pipe: IO[bytes]) -> dict[str, Any]:
    size = int.from_bytes(exactly(pipe, 8), "big")
    if size > _MOST_HEAD:
        raise ValueError("a head that is too long")
    head = json.loads(exactly(pipe, size))
    if not isinstance(head, dict):
        raise ValueError("a head of another kind")
    return head


def called(task: str, words: dict[str, Any], data: bytes) -> Answer:
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


def serve(line: int = -1) -> None:
    """The child: a head and a file in, an answer out, until the input ends or its parent does."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if line >= 0:
        _end_with(line)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    quiet = open(os.devnull, "w")  # noqa: SIM115 - as long as the process
    while True:
        try:
            head = take(sys.stdin.buffer)
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
        _answer(head, exactly(sys.stdin.buffer, size), out)
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
        words, arrays = called(head["task"], head["words"], data)
        arrays = [np.ascontiguousarray(array) for array in arrays]
        rows = [{"shape": list(array.shape), "kind": array.dtype.str} for array in arrays]
        said: dict[str, Any] = {"answer": words, "arrays": rows}
    except SurfscanError as error:
        rest = parts_of(error)
        said, arrays = {"refused": [type(error).__name__, error.what, rest]}, []
    except MemoryError:
        os._exit(NO_MEMORY)
    except Exception as error:
        said, arrays = {"fault": f"{type(error).__name__}: {error}"}, []
    put(out, said)
    for array in arrays:
        out.write(array.data.cast("B") if array.size else b"")
    out.flush()
