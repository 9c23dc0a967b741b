"""What a foreign decoder can do to the process it runs in."""

from __future__ import annotations

import ctypes
import os
import signal
import time
from typing import Any

import numpy as np

from surfscan.core.aside import Answer
from surfscan.core.errors import RefusedError


def whole(words: dict[str, Any], data: bytes) -> Answer:
    return {"bytes": len(data), "pid": os.getpid()}, [
        np.arange(6.0).reshape(2, 3),
        np.zeros((0, 4), np.uint8),
    ]


def crash(words: dict[str, Any], data: bytes) -> Answer:
    ctypes.string_at(0)  # reads where there is nothing
    return {}, []


def leave(words: dict[str, Any], data: bytes) -> Answer:
    os._exit(7)


def hang(words: dict[str, Any], data: bytes) -> Answer:
    """In C, with Python held."""
    ctypes.PyDLL(None).sleep(60)
    return {}, []


def spin(words: dict[str, Any], data: bytes) -> Answer:
    while True:
        pass


def swell(words: dict[str, Any], data: bytes) -> Answer:
    kept = [np.ones(2 * 10**8, np.uint8) for _ in range(100)]
    return {}, kept


def shout(words: dict[str, Any], data: bytes) -> Answer:
    """Prints, as decoders do."""
    os.write(1, b"libpng warning")
    os.write(2, b"libpng warning")
    return {"said": True}, []


def refuse(words: dict[str, Any], data: bytes) -> Answer:
    raise RefusedError("It is none", found="a", allowed="b", cure="c")


def fail(words: dict[str, Any], data: bytes) -> Answer:
    raise ZeroDivisionError("of ours")


def foreign_array(words: dict[str, Any], data: bytes) -> Answer:
    return {}, [np.array(["an object"], object)]


def long_array(words: dict[str, Any], data: bytes) -> Answer:
    return {}, [np.broadcast_to(np.uint8(0), (3_000_000_000,))]


def interrupted(words: dict[str, Any], data: bytes) -> Answer:
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(9)
    return {}, []
