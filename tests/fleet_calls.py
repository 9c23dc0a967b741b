"""Functions that tests call in processes of their own; a keeper finds them by name."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from importlib import import_module
from typing import Any

Progress = Callable[[str, float], None]


def echo(value: Any, *, progress: Progress) -> Any:
    progress("echoing", 0.5)
    print("what a library prints is no answer")
    return value, os.getpid()


def end_by(signal: int, *, progress: Progress) -> None:
    os.kill(os.getpid(), signal)


def hang(seconds: float, *, progress: Progress) -> None:
    time.sleep(seconds)


def hoard(megabytes: int, *, progress: Progress) -> int:
    return len(bytearray(megabytes * 1_000_000))


def fail(*, progress: Progress) -> None:
    raise ZeroDivisionError("made for the test")


def call_and_list(function: str, *given: Any, progress: Progress) -> tuple[Any, list[str]]:
    """Call a function, and list what was loaded for it."""
    module, _, name = function.partition(":")
    known = set(sys.modules)
    answer = getattr(import_module(module), name)(*given, progress=progress)
    return answer, sorted(set(sys.modules) - known)


def tell_and_hang(*, progress: Progress) -> None:
    progress(str(os.getpid()), 0.5)
    time.sleep(60)
